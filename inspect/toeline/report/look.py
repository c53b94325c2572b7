"""The one house look of overlays, charts and sheets: a workshop notebook; colours that the colour-blind can tell apart.

The two toe colours differ in brightness as well as hue (blue against yellow), after the palette of Okabe and Ito (2008), which is made for
every common kind of colour vision.
"""

from __future__ import annotations

from functools import cache

import matplotlib
from PIL import ImageFont

PAPER = "#fbf8f1"
INK = "#22303c"
QUIET = "#8a9299"
#: First and second toe line: base and standing on a tee, left and right on flat beads.
TOE_COLOURS = ("#f0c400", "#56b4e9")
#: The same two on paper, where bright yellow would not show.
LINE_COLOURS = ("#a67200", "#0068a8")
#: The one accent of pages: petrol, as on a workshop's doors.
ACCENT = "#1d5c6e"
SPATTER = "#e377b5"
WARN = "#d55e00"
GOOD = "#00795c"


@cache
def font(size_px: int) -> ImageFont.FreeTypeFont:
    """The label face that matplotlib ships, so every machine has it."""
    return ImageFont.truetype(f"{matplotlib.get_data_path()}/fonts/ttf/DejaVuSans.ttf", size_px)
