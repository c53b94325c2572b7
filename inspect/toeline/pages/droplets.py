"""The sheet of doubtful particles: magnified, one tap each for yes or no; answers are kept with the photo at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import streamlit as st

from toeline.pages.shelf import Shelf
from toeline.photo import read_photo
from toeline.report.particle_crops import CROP_PX, crops, doubted
from toeline.spatter import Correction

_YES, _NO = "droplet", "none"


def sheet(shelf: Shelf, photo: str, name: str, told: Mapping[str, Any]) -> None:
    """Draw the sheet of a record as it was before any answer; a tap is kept and counted at the next run, which follows at once."""
    spatter, scale = told["spatter"], told["scale"]
    if spatter is None or not scale or not scale["px_per_mm"]:
        return
    listed = doubted(spatter)
    if not listed:
        return
    answers = {(c.x_px, c.y_px): c.droplet for c in shelf.corrections(photo)}
    said = f", {len(answers)} answered" if answers else ""
    with st.expander(f"Doubtful particles ({len(listed)}{said}): say what they are"):
        st.caption(
            "A droplet stands up: a highlight, a shadow, a round rim. A stain, rust or a pit does not. Leave open what you can't tell."
        )
        pictures = _pictures(
            shelf, photo, name, [(p["x_px"], p["y_px"], p["diameter_mm"]) for p in listed], scale["px_per_mm"]["value"]
        )
        with st.container(horizontal=True):
            for particle, picture in zip(listed, pictures, strict=True):
                _ask(shelf, photo, particle, picture, answers)


def _ask(
    shelf: Shelf, photo: str, particle: Mapping[str, Any], picture: bytes, answers: Mapping[tuple[float, float], bool]
) -> None:
    at = (particle["x_px"], particle["y_px"])
    key = f"droplet-{photo}-{at[0]:.2f}-{at[1]:.2f}"

    def keep() -> None:
        answer = st.session_state.get(key)
        kept = [c for c in shelf.corrections(photo) if (c.x_px, c.y_px) != at]
        if answer is not None:
            kept.append(Correction(*at, answer == _YES))
        shelf.keep_corrections(photo, kept)

    before = None if at not in answers else _YES if answers[at] else _NO
    with st.container(width=CROP_PX):
        st.image(picture, width=CROP_PX)
        st.pills(
            f"{particle['diameter_mm']:.1f} mm, droplet {100 * particle['probability']:.0f} %?",
            (_YES, _NO),
            default=before,
            key=key,
            on_change=keep,
        )


@st.cache_data(max_entries=8, show_spinner=False)
def _pictures(
    _shelf: Shelf, photo: str, name: str, places: Sequence[tuple[float, float, float]], px_per_mm: float
) -> list[bytes]:
    """Crops, drawn once for each photo."""
    listed = [{"x_px": x, "y_px": y, "diameter_mm": d} for x, y, d in places]
    return crops(read_photo(_shelf.photo(photo), name=name).pixels, listed, px_per_mm)
