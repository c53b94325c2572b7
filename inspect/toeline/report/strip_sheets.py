"""The strips as vector PDF sheets at exact size, with cut lines, check lines, and how to mount and place them.

One unit is a millimetre.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import FigureCanvasPdf
from matplotlib.figure import Figure
from matplotlib.patches import FancyBboxPatch, Polygon, Rectangle
from numpy.typing import NDArray

from toeline.errors import cant_write
from toeline.report.look import ACCENT, INK, QUIET
from toeline.scale.strips import DICTIONARY, Strip, load_strips

PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
CHECK_MM = 80.0
MM_PER_INCH = 25.4

#: Top left corner of each strip's paper on the sheet [mm].
PLACES_MM = {"A": (14.0, 26.0), "B": (14.0, 62.0), "C": (124.0, 26.0), "D": (124.0, 62.0), "E": (14.0, 98.0), "F": (14.0, 123.0)}
ACROSS_CHECK_MM = (14.0, 155.0)
DOWN_CHECK_MM = (190.0, 30.0)
DRAWINGS_MM = 176.0


def write_sheets(folder: Path, paper: str = "a4") -> list[Path]:
    """Write the sheet for one paper size.

    Parameters
    ----------
    folder : Path
        Made if it is not there.
    paper : str
        ``a4`` or ``letter``.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    BadUsage
        The folder can't be made or written to.
    """
    width, height = PAPERS_MM[paper]
    figure = Figure(figsize=(width / MM_PER_INCH, height / MM_PER_INCH))
    FigureCanvasPdf(figure)
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set_xlim(0, width)
    axes.set_ylim(height, 0)
    axes.set_axis_off()
    _words(axes, 14, 14, "Scale strips for weld beads", size=5.0, weight="bold")
    _words(
        axes,
        14,
        20,
        f"Print on plain matt paper at 100 %, never “fit to page”. Then measure both {CHECK_MM:.0f} mm lines.",
        size=3.2,
    )
    for letter, strip in load_strips().items():
        draw_strip(axes, strip, PLACES_MM[letter])
    _check_line(axes, ACROSS_CHECK_MM, (1.0, 0.0))
    _check_line(axes, DOWN_CHECK_MM, (0.0, 1.0))
    _words(axes, 104, 154, "If a line is off, divide what you measured by 80 and", size=2.7, colour=QUIET)
    _words(axes, 104, 158, "give both numbers: --print-factor ALONG,ACROSS", size=2.7, colour=QUIET)
    for k, draw in enumerate((_draw_print, _draw_mount, _draw_place, _draw_shoot)):
        draw(axes, 14.0 + 46.0 * k, DRAWINGS_MM)
    path = folder / f"strips-{paper}.pdf"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        figure.savefig(path, metadata={"Title": "Scale strips", "Creator": "toeline", "Producer": None, "CreationDate": None})
    except OSError as error:
        raise cant_write("The strip sheets", folder, error) from error
    return [path]


def draw_strip(axes: Axes, strip: Strip, corner_mm: tuple[float, float]) -> None:
    """One strip with its cut line; `corner_mm` is the top left of its paper."""
    (left, top), (length, height) = corner_mm, strip.paper_mm
    axes.add_patch(Rectangle((left, top), length, height, fill=False, edgecolor=QUIET, linewidth=0.4, linestyle=(0, (6, 4))))
    x0, y0 = left + strip.margin_mm, top + strip.margin_mm
    for row in range(strip.n_rows):
        for column in range(strip.n_columns):
            if (row + column) % 2 == 0:
                _block(axes, x0 + column * strip.square_mm, y0 + row * strip.square_mm, strip.square_mm, strip.square_mm, "black")
    for marker_id, quad in zip(strip.ids, strip.markers_mm, strict=True):
        _draw_marker(axes, marker_id, x0 + quad[0, 0], y0 + quad[0, 1], strip.marker_mm)
    where = {"base": "base plate", "standing": "standing plate"}[strip.plate]
    below = top + height - 0.25 * strip.margin_mm
    _words(axes, x0, below, strip.letter, size=0.65 * strip.margin_mm, weight="bold")
    _words(axes, x0 + 4, below, f"{where} of a tee, or beside a flat bead", size=0.42 * strip.margin_mm, colour=QUIET)


def _draw_marker(axes: Axes, marker_id: int, x: float, y: float, side: float) -> None:
    """A marker: black, with its white cells in runs along rows and along columns, so that no hairlines show between
    cells."""
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    n_cells = dictionary.markerSize + 2
    cells = cv2.aruco.generateImageMarker(dictionary, marker_id, n_cells) > 127
    cell = side / n_cells
    _block(axes, x, y, side, side, "black")
    for row, start, end in _runs(cells):
        _block(axes, x + start * cell, y + row * cell, (end - start) * cell, cell, "white")
    for column, start, end in _runs(cells.T):
        _block(axes, x + column * cell, y + start * cell, cell, (end - start) * cell, "white")


def _runs(cells: NDArray[np.bool_]) -> list[tuple[int, int, int]]:
    """Runs of true cells as (row, from, to)."""
    runs = []
    for row, line in enumerate(cells):
        edges = np.flatnonzero(np.diff(np.concatenate([[0], line.astype(int), [0]])))
        runs += [(row, int(a), int(b)) for a, b in edges.reshape(-1, 2)]
    return runs


def _block(axes: Axes, x: float, y: float, width: float, height: float, colour: str) -> None:
    """A filled box with one needless corner:
    renderers move plain boxes to whole dots (0.04 mm at 600 dpi), but leave other shapes."""
    right, bottom = x + width, y + height
    outline = [(x, y), (x + 0.5 * width, y), (right, y), (right, bottom), (x, bottom)]
    axes.add_patch(Polygon(outline, closed=True, facecolor=colour, edgecolor="none", linewidth=0))


def _words(
    axes: Axes, x: float, y: float, text: str, *, size: float, weight: str = "normal", colour: str = INK, at: str = "left"
) -> None:
    """Text whose letters are `size` mm high with descenders."""
    axes.text(x, y, text, fontsize=size * 72 / MM_PER_INCH, fontweight=weight, color=colour, ha=at, va="baseline")


def _check_line(axes: Axes, start: tuple[float, float], along: tuple[float, float]) -> None:
    """An 80 mm line between two thin end marks; the marks' middles are 80 mm apart."""
    (x, y), (dx, dy) = start, along
    axes.plot([x, x + CHECK_MM * dx], [y, y + CHECK_MM * dy], color="black", linewidth=0.5, solid_capstyle="butt")
    for far in (0.0, CHECK_MM):
        cx, cy = x + far * dx, y + far * dy
        axes.plot([cx - 3 * dy, cx + 3 * dy], [cy - 3 * dx, cy + 3 * dx], color="black", linewidth=0.35, solid_capstyle="butt")
    middle = (x + 0.5 * CHECK_MM * dx, y + 0.5 * CHECK_MM * dy)
    if dx:
        _words(axes, middle[0], middle[1] - 1.5, "80 mm along", size=2.8, at="center")
    else:
        axes.text(
            middle[0] + 1.5,
            middle[1],
            "80 mm across",
            fontsize=2.8 * 72 / MM_PER_INCH,
            color=INK,
            rotation=-90,
            ha="left",
            va="center",
        )


def _frame(axes: Axes, x: float, y: float, number: int, lines: list[str]) -> None:
    axes.add_patch(
        FancyBboxPatch((x, y), 42, 42, boxstyle="round,pad=0,rounding_size=2", fill=False, edgecolor=QUIET, linewidth=0.5)
    )
    _words(axes, x + 2.5, y + 6, str(number), size=4.2, weight="bold", colour=ACCENT)
    for k, line in enumerate(lines):
        _words(axes, x, y + 47 + 4.0 * k, line, size=2.7)


def _lines(axes: Axes, points: list[tuple[float, float]], *, colour: str = INK, width: float = 0.8, closed: bool = False) -> None:
    axes.add_patch(Polygon(points, closed=closed, fill=False, edgecolor=colour, linewidth=width, joinstyle="round"))


def _mini_strip(axes: Axes, corners: list[tuple[float, float]]) -> None:
    """A strip in a drawing: a white four-sided patch with a row of dark squares."""
    quad = np.array(corners)
    axes.add_patch(Polygon(quad, closed=True, facecolor="white", edgecolor=INK, linewidth=0.6))
    for k in range(6):
        for row in range(2):
            if (k + row) % 2 == 0:
                us, vs = (0.08 + 0.14 * k, 0.08 + 0.14 * (k + 1)), (0.2 + 0.3 * row, 0.2 + 0.3 * (row + 1))
                cell = [_between(quad, u, v) for u, v in ((us[0], vs[0]), (us[1], vs[0]), (us[1], vs[1]), (us[0], vs[1]))]
                axes.add_patch(Polygon(cell, closed=True, facecolor=INK, edgecolor="none"))


def _between(quad: NDArray[np.float64], u: float, v: float) -> NDArray[np.float64]:
    top, bottom = quad[0] + u * (quad[1] - quad[0]), quad[3] + u * (quad[2] - quad[3])
    inside: NDArray[np.float64] = top + v * (bottom - top)
    return inside


def _draw_print(axes: Axes, x: float, y: float) -> None:
    _frame(axes, x, y, 1, ["Print at 100 %. Measure both", "check lines with a steel rule:", "80.0 mm each way, or say so."])
    _lines(axes, [(x + 12, y + 4), (x + 32, y + 4), (x + 32, y + 34), (x + 12, y + 34)], closed=True)
    _lines(axes, [(x + 15, y + 28), (x + 26, y + 28)], width=1.2)
    _lines(axes, [(x + 29, y + 8), (x + 29, y + 20)], width=1.2)
    for top in (8.0, 14.0, 20.0):
        _mini_strip(axes, [(x + 15, y + top), (x + 26, y + top), (x + 26, y + top + 4), (x + 15, y + top + 4)])
    axes.add_patch(Rectangle((x + 13, y + 29), 24, 5, facecolor="#d9dde0", edgecolor=INK, linewidth=0.6))
    for k in range(12):
        _lines(axes, [(x + 15 + 1.8 * k, y + 29), (x + 15 + 1.8 * k, y + (31 if k % 5 else 32))], width=0.4)


def _draw_mount(axes: Axes, x: float, y: float) -> None:
    _frame(
        axes, x, y, 2, ["Stick it flat on magnet sheet or", "stiff card, cut along the dashes,", "measure the thickness of all."]
    )
    _mini_strip(axes, [(x + 8, y + 10), (x + 36, y + 10), (x + 34, y + 17), (x + 6, y + 17)])
    axes.add_patch(
        Polygon([(x + 6, y + 17.6), (x + 34, y + 17.6), (x + 34, y + 20), (x + 6, y + 20)], facecolor="#5b656d", edgecolor=INK)
    )
    axes.add_patch(Rectangle((x + 4, y + 29), 34, 4, facecolor="#c3c9cd", edgecolor=INK, linewidth=0.6))
    axes.add_patch(Rectangle((x + 8, y + 27), 22, 2, facecolor="#5b656d", edgecolor="none"))
    _lines(axes, [(x + 8, y + 26.8), (x + 30, y + 26.8)], width=1.0)
    _lines(axes, [(x + 34, y + 26.8), (x + 34, y + 29)], colour=ACCENT, width=1.4)
    _lines(axes, [(x + 30.5, y + 26.8), (x + 35.5, y + 26.8)], colour=ACCENT, width=0.6)
    _words(axes, x + 32, y + 25.4, "mm?", size=2.4, colour=ACCENT)


def _draw_place(axes: Axes, x: float, y: float) -> None:
    _frame(axes, x, y, 3, ["Cold, scraped plate. A, C, E on", "the base plate, B, D, F on the", "standing one; flat: beside."])
    _lines(axes, [(x + 6, y + 8), (x + 38, y + 8), (x + 38, y + 23), (x + 6, y + 23)], closed=True)
    _lines(axes, [(x + 6, y + 23), (x + 2, y + 38), (x + 41, y + 38), (x + 38, y + 23)])
    bead = [(x + 6 + 32 * t, y + 22.0 + 0.35 * (-1) ** k) for k, t in enumerate(np.linspace(0, 1, 25))]
    bead += [(x + 38.4 - 32.9 * t, y + 24.6 + 0.35 * (-1) ** k) for k, t in enumerate(np.linspace(0, 1, 25))]
    axes.add_patch(Polygon(bead, closed=True, facecolor="#9aa3a9", edgecolor=INK, linewidth=0.5))
    _mini_strip(axes, [(x + 12, y + 11), (x + 34, y + 11), (x + 34, y + 17), (x + 12, y + 17)])
    _mini_strip(axes, [(x + 10.5, y + 29), (x + 34, y + 29), (x + 35, y + 35), (x + 9, y + 35)])


def _draw_shoot(axes: Axes, x: float, y: float) -> None:
    _frame(axes, x, y, 4, ["Hold the phone 25–30 cm off,", "facing both plates alike; light", "from the side, no flash."])
    _lines(axes, [(x + 8, y + 36), (x + 36, y + 36)], width=1.6)
    _lines(axes, [(x + 8, y + 36), (x + 8, y + 12)], width=1.6)
    axes.add_patch(
        Polygon([(x + 8.4, y + 35.6), (x + 8.4, y + 32), (x + 12, y + 35.6)], facecolor="#9aa3a9", edgecolor=INK, linewidth=0.5)
    )
    turn = np.array([[0.7071, -0.7071], [0.7071, 0.7071]])
    phone = np.array([[-6.0, -1.2], [6.0, -1.2], [6.0, 1.2], [-6.0, 1.2]]) @ turn.T + [x + 31, y + 13]
    axes.add_patch(Polygon(phone, closed=True, facecolor=INK, edgecolor="none"))
    _lines(axes, [(x + 30, y + 14), (x + 10, y + 34)], colour=ACCENT, width=0.6)
    for end in ((x + 9, y + 19), (x + 25, y + 35)):
        _lines(axes, [(x + 30, y + 14), end], colour=QUIET, width=0.4)
