"""How the printed strips look in the photo: known black and white, for judging light and lens."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.photo.result import Photo
from toeline.scale.rays import to_photo_px
from toeline.scale.solution import Scale
from toeline.scale.strips import load_strips

Array = NDArray[np.float64]


def strip_tones(photo: Photo, scale: Scale) -> tuple[Array, Array]:
    """Grey levels in the middles of the plain black squares, and on the white margin beside the board, of all strips.

    Returns
    -------
    (black, white) : ndarrays, shape (n,) and (m,)
        0 to 255; empty without strips.
    """
    black, white = [np.empty(0)], [np.empty(0)]
    grey = cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY)
    for plate in scale.plates:
        for letter, outline in plate.strip_outlines_mm.items():
            strip = load_strips()[letter]
            lay = cv2.getPerspectiveTransform(strip.outline_mm.astype(np.float32), np.asarray(outline, dtype=np.float32))
            rows, columns = np.divmod(np.arange(strip.n_columns * strip.n_rows), strip.n_columns)
            plain = (rows + columns) % 2 == 0
            squares = strip.square_mm * (np.stack([columns, rows], axis=1)[plain] + 0.5)
            along = np.linspace(0.0, strip.board_mm[0], 24)
            margins = np.concatenate(
                [np.stack([along, np.full(24, y)], axis=1) for y in _margin_rows(strip.margin_mm, strip.board_mm[1])]
            )
            for points, tones in ((squares, black), (margins, white)):
                on_plate = cv2.perspectiveTransform(points[None].astype(np.float64), lay.astype(np.float64))[0]
                tones.append(_read(grey, to_photo_px(scale, plate.name, on_plate)))
    return np.concatenate(black), np.concatenate(white)


def _margin_rows(margin_mm: float, height_mm: float) -> tuple[float, float]:
    return -0.5 * margin_mm, height_mm + 0.5 * margin_mm


def _read(grey: NDArray[np.generic], points_px: Array) -> Array:
    inside = (points_px >= 0).all(axis=1) & (points_px[:, 0] < grey.shape[1] - 1) & (points_px[:, 1] < grey.shape[0] - 1)
    at = np.round(points_px[inside]).astype(int)
    return np.asarray(grey[at[:, 1], at[:, 0]], dtype=np.float64)
