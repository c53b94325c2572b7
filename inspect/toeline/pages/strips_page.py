"""Strips: what to print, and how to take the photo."""

from __future__ import annotations

import tempfile
from pathlib import Path

import streamlit as st

from toeline.report.strip_sheets import write_sheets

_PRINT = """
1. Print at **100 %** ("actual size", no "fit to page") on matt paper.
2. Measure both **80 mm check lines** with a rule. If they differ from 80 mm, say so under *Inspect → Change → More*.
3. Cut the strips out and stick them on magnet sheet or stiff card. **Measure how thick** strip and backing are together, and
   say so: the printed face lies that far above the plate.
"""
_PHOTO = """
1. **Let the coupon cool by itself**; never quench it for a photo. Chip and brush the slag off, with your glasses on; wipe off water.
2. Scrape loose spatter from where a strip will lie **and nowhere else**: what is on the plate is what gets counted.
3. **Tee:** A, C or E on the base plate, B, D or F on the standing plate, both beside the bead. **Flat bead:** one or both on
   the plate. A strip may hang over the plate's edge. Strips and magnets go on **after** welding, never near the arc.
4. Tip a tee so that **both plates face the phone**. Hold it 25–30 cm away, the whole bead and both strips in the picture.
5. Light from the side; no flash straight on. Wipe the lens, tap on the bead to focus, hold still.
6. Send the original photo, not a copy out of a chat program.
"""


@st.cache_data(show_spinner=False)
def _sheets(paper: str) -> dict[str, bytes]:
    """The sheets of one paper size, as (file name → PDF)."""
    with tempfile.TemporaryDirectory() as folder:
        return {path.name: path.read_bytes() for path in map(Path, write_sheets(Path(folder), paper=paper))}


def page() -> None:
    """Draw the page."""
    st.title("Strips")
    st.markdown("A printed strip beside the bead gives the photo its millimetres. Print a pair once; it lasts for many coupons.")
    for paper, words in (("a4", "A4"), ("letter", "Letter")):
        for name, data in _sheets(paper).items():
            st.download_button(f"Sheet for {words} paper (PDF)", data, name, "application/pdf", width="stretch", key=name)
    st.subheader("Print and cut")
    st.markdown(_PRINT)
    st.subheader("Take the photo")
    st.markdown(_PHOTO)
