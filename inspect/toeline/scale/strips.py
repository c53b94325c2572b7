"""The printed strips: what is on them, in millimetres, and the marker dictionary cut down to what they use.

A strip's own frame [mm]: x to the right and y down as it is read, origin at the top left corner of the chessboard
(inside the margin).
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

DICTIONARY = cv2.aruco.DICT_APRILTAG_36h11


@dataclass(frozen=True, slots=True)
class Strip:
    """One kind of printed strip.

    Attributes
    ----------
    letter : str
        Its name.
    n_columns, n_rows : int
        Squares along and across.
    square_mm, marker_mm, margin_mm : float
        Side of a square, side of a marker, white margin all round [mm].
    first_id : int
        Id of the first marker.
    plate : str
        Where it belongs on a tee joint: ``base`` or ``standing``.
    """

    letter: str
    n_columns: int
    n_rows: int
    square_mm: float
    marker_mm: float
    margin_mm: float
    first_id: int
    plate: str

    @property
    def ids(self) -> range:
        """Marker ids, row by row."""
        return range(self.first_id, self.first_id + self.n_columns * self.n_rows // 2)

    @property
    def board_mm(self) -> tuple[float, float]:
        """Length and height of the chessboard [mm]."""
        return self.n_columns * self.square_mm, self.n_rows * self.square_mm

    @property
    def paper_mm(self) -> tuple[float, float]:
        """Length and height of the strip as cut out, margins included [mm]."""
        length, height = self.board_mm
        return length + 2 * self.margin_mm, height + 2 * self.margin_mm

    @property
    def outline_mm(self) -> Array:
        """Corners of the paper: top left, top right, bottom right, bottom left, shape (4, 2) [mm]."""
        m, (length, height) = self.margin_mm, self.board_mm
        return np.array([[-m, -m], [length + m, -m], [length + m, height + m], [-m, height + m]])

    @property
    def centre_mm(self) -> Array:
        """Middle of the strip, shape (2,) [mm]."""
        return 0.5 * np.array(self.board_mm)

    @property
    def corners_mm(self) -> Array:
        """Inner corners of the chessboard, row by row (OpenCV's ChArUco ids), shape (n, 2) [mm]."""
        columns, rows = np.meshgrid(np.arange(1, self.n_columns), np.arange(1, self.n_rows))
        return np.asarray(self.square_mm * np.stack([columns.ravel(), rows.ravel()], axis=1), dtype=np.float64)

    @property
    def markers_mm(self) -> Array:
        """Marker corners (top left, top right, bottom right, bottom left) by order of id, shape (n, 4, 2) [mm]."""
        inset = 0.5 * (self.square_mm - self.marker_mm)
        quad = np.array([[inset, inset], [0, inset], [0, 0], [inset, 0]])
        quad[1:3, 0] += self.square_mm - inset
        quad[2:, 1] += self.square_mm - inset
        rows, columns = np.divmod(np.arange(self.n_columns * self.n_rows), self.n_columns)
        white = (rows + columns) % 2 == 1
        return np.asarray(self.square_mm * np.stack([columns, rows], axis=1)[white][:, None] + quad, dtype=np.float64)

    def board(self) -> cv2.aruco.CharucoBoard:
        """The strip as OpenCV knows it."""
        dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
        return cv2.aruco.CharucoBoard(
            (self.n_columns, self.n_rows), self.square_mm, self.marker_mm, dictionary, np.array(self.ids)
        )


@cache
def load_strips() -> Mapping[str, Strip]:
    """All strips by letter, from ``strips.toml``."""
    table = tomllib.loads(files("toeline.scale").joinpath("strips.toml").read_text(encoding="utf-8"))
    strips = {}
    for letter, row in table.items():
        row = dict(row)
        columns, rows = row.pop("squares")
        strips[letter] = Strip(letter, columns, rows, **row)
    return MappingProxyType(strips)


@cache
def used_dictionary() -> cv2.aruco.Dictionary:
    """The marker dictionary cut down to the ids that strips use, which keep their numbers."""
    whole = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    n_used = 1 + max(strip.ids[-1] for strip in load_strips().values())
    return cv2.aruco.Dictionary(whole.bytesList[:n_used], whole.markerSize, whole.maxCorrectionBits)


def strip_of_marker(marker_id: int) -> Strip | None:
    """The strip that carries this marker."""
    return next((strip for strip in load_strips().values() if marker_id in strip.ids), None)
