"""The printed strips: definitions against OpenCV's own board, and the sheets against a rule (the PDF's geometry,
and a 600 dpi print)."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from pypdf import PdfReader

from toeline.report.strip_sheets import ACROSS_CHECK_MM, DOWN_CHECK_MM, PAPERS_MM, PLACES_MM, write_sheets
from toeline.scale.strips import load_strips, strip_of_marker, used_dictionary

LETTERS = tuple(load_strips())
PT_PER_MM = 72 / 25.4


@pytest.fixture(scope="module", params=sorted(PAPERS_MM))
def sheet(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Path]:
    (path,) = write_sheets(tmp_path_factory.mktemp("sheets"), paper=request.param)
    return request.param, path


@pytest.mark.parametrize("letter", LETTERS)
def test_strip_is_opencvs_board(letter: str) -> None:
    """Referee: OpenCV's CharucoBoard made with the numbers that the strips are specified by."""
    strip = load_strips()[letter]
    board = strip.board()
    assert np.allclose(np.asarray(board.getChessboardCorners())[:, :2], strip.corners_mm)
    assert np.allclose(np.array(board.getObjPoints())[:, :, :2], strip.markers_mm)
    assert list(board.getIds().ravel()) == list(strip.ids)


def test_three_pairs_as_specified() -> None:
    expected = {
        "A": (12, 3, 8.0, 6.0, 4.0, range(18), "base"),
        "B": (12, 3, 8.0, 6.0, 4.0, range(18, 36), "standing"),
        "C": (7, 3, 6.0, 4.5, 4.0, range(36, 46), "base"),
        "D": (7, 3, 6.0, 4.5, 4.0, range(46, 56), "standing"),
        "E": (18, 3, 5.0, 3.75, 3.0, range(56, 83), "base"),
        "F": (18, 3, 5.0, 3.75, 3.0, range(83, 110), "standing"),
    }
    found = {
        s.letter: (s.n_columns, s.n_rows, s.square_mm, s.marker_mm, s.margin_mm, s.ids, s.plate) for s in load_strips().values()
    }
    assert found == expected


def test_no_marker_belongs_to_two_strips() -> None:
    ids = [i for strip in load_strips().values() for i in strip.ids]
    assert len(ids) == len(set(ids)) == len(used_dictionary().bytesList)
    assert strip_of_marker(40) is load_strips()["C"]
    assert strip_of_marker(200) is None


def _paths_mm(path: Path, height_mm: float) -> list[NDArray[np.float64]]:
    """Every path of the page's content, y down, from the PDF's own operators [mm]."""
    text = PdfReader(path).pages[0].get_contents().get_data().decode("latin-1")
    number = r"(-?[\d.]+)"
    paths: list[NDArray[np.float64]] = []
    current: list[tuple[float, float]] = []
    for line in text.splitlines():
        place = re.fullmatch(rf"{number} {number} ([ml])", line.strip())
        if place:
            if place[3] == "m" and current:
                paths.append(np.array(current))
                current = []
            current.append((float(place[1]) / PT_PER_MM, height_mm - float(place[2]) / PT_PER_MM))
        elif current and line.strip() not in ("h",):
            paths.append(np.array(current))
            current = []
    return paths


def test_sheet_geometry_is_exact(sheet: tuple[str, Path]) -> None:
    """The PDF's own operators put every black square and both check lines where they belong, to a thousandth of a
    millimetre."""
    paper, path = sheet
    width, height = PAPERS_MM[paper]
    box = PdfReader(path).pages[0].mediabox
    assert float(box.width) / PT_PER_MM == pytest.approx(width, abs=0.01)
    assert float(box.height) / PT_PER_MM == pytest.approx(height, abs=0.01)
    paths = _paths_mm(path, height)
    boxes = np.array([[*p.min(axis=0), *p.max(axis=0)] for p in paths])
    for letter, strip in load_strips().items():
        corner = np.array(PLACES_MM[letter]) + strip.margin_mm
        for row in range(strip.n_rows):
            for column in range(row % 2, strip.n_columns, 2):
                low = corner + strip.square_mm * np.array([column, row])
                assert np.abs(boxes - [*low, *(low + strip.square_mm)]).max(axis=1).min() < 0.001
        for quad in strip.markers_mm + corner:
            assert np.abs(boxes - [*quad[0], *quad[2]]).max(axis=1).min() < 0.001
    for (x, y), ends in ((ACROSS_CHECK_MM, (80, 0)), (DOWN_CHECK_MM, (0, 80))):
        assert np.abs(boxes - [x, y, x + ends[0], y + ends[1]]).max(axis=1).min() < 0.001


def test_print_measures_right(sheet: tuple[str, Path], tmp_path: Path) -> None:
    """The sheet rendered at 600 dpi and measured with OpenCV's own detector: every inner corner to 0.02 mm.

    The renderer moves edges to whole dots of 0.042 mm, so what each strip is moved by as a whole is taken out; where
    it lies on the paper does not matter, and the geometry test above holds it to a thousandth.
    """
    paper, path = sheet
    if shutil.which("pdftoppm") is None:
        pytest.skip("pdftoppm (poppler-utils) is not here: the rendered sheet was NOT measured")
    subprocess.run(["pdftoppm", "-r", "600", "-gray", str(path), str(tmp_path / "page")], check=True)
    (rendered,) = tmp_path.glob("page*.pgm")
    page = cv2.imread(str(rendered), cv2.IMREAD_GRAYSCALE)
    assert page is not None
    px_per_mm = 600 / 25.4
    for letter, strip in load_strips().items():
        left, top = PLACES_MM[letter]
        x0, y0 = int((left - 1) * px_per_mm), int((top - 1) * px_per_mm)
        x1, y1 = (int((v + w + 1) * px_per_mm) for v, w in zip((left, top), strip.paper_mm, strict=True))
        found, ids, *_ = cv2.aruco.CharucoDetector(strip.board()).detectBoard(np.ascontiguousarray(page[y0:y1, x0:x1]))
        assert ids is not None and len(np.ravel(ids)) == len(strip.corners_mm), letter
        measured = (np.reshape(found, (-1, 2)) + [x0, y0] + 0.5) / px_per_mm
        printed = strip.corners_mm[np.ravel(ids)] + strip.margin_mm + [left, top]
        moved = (measured - printed).mean(axis=0)
        assert np.abs(moved).max() < 0.03, letter
        assert np.abs(measured - printed - moved).max() < 0.02, letter
