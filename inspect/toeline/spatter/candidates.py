"""Where a droplet may be: places where, at some size, a disc is brighter, darker or busier than what lies around it."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, log2, sqrt

import cv2
import numpy as np
from numpy.typing import NDArray

Array32 = NDArray[np.float32]
Mask = NDArray[np.bool_]
Picture = NDArray[np.uint8]

N_PER_MPX = 800
"""Most candidates a million pixels of plate at one size and kind: the strongest are glanced at."""
LEAST_RESPONSE = 0.4
"""A weaker blob response is noise [grey levels of 255]."""
STANDS_OUT = 1.4
"""A candidate's blob response over the mean response around it [ratio]."""
EYE_SEES = 0.3
"""The learned eye's probability of spatter from which its blobs become candidates."""

__all__ = ["Seen", "candidates", "chosen", "eye_blobs", "joined"]


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """Candidates in one picture: places, assumed diameters [px] and how much they stand out; arrays of shape (n,)."""

    x_px: Array32
    y_px: Array32
    diameter_px: Array32
    stands_out: Array32


def _peaks(
    response: Array32, mask: Picture, diameter_px: float, n_most: int
) -> tuple[NDArray[np.intp], NDArray[np.intp], Array32]:
    """Local maxima of a blob response that stand out from the response around them, the strongest `n_most`."""
    reach = int(8 * diameter_px) | 1
    around = np.asarray(cv2.blur(np.abs(response), (reach, reach)), dtype=np.float32)
    least = cv2.addWeighted(around, STANDS_OUT, around, 0.0, LEAST_RESPONSE)
    top = cv2.compare(response, cv2.dilate(response, np.ones((3, 3), np.uint8)), cv2.CMP_GE)
    peak = cv2.bitwise_and(cv2.bitwise_and(top, cv2.compare(response, least, cv2.CMP_GT)), mask)
    rows, columns = np.divmod(np.flatnonzero(peak), peak.shape[1])
    strength = response[rows, columns] / (around[rows, columns] + 0.5)
    if len(strength) > n_most:
        keep = np.argpartition(-strength, n_most)[:n_most]
        rows, columns, strength = rows[keep], columns[keep], strength[keep]
    return rows, columns, np.asarray(strength, dtype=np.float32)


def candidates(light: Array32, mask: Mask, *, smallest_px: float, largest_px: float) -> Seen:
    """Places where a disc of some size is brighter, darker or busier than around it.

    Differences of Gaussians on a pyramid (T. Lindeberg, "Feature detection with automatic scale selection", IJCV 30 (1998)), on
    brightness and on the steepness of brightness, so that a droplet half bright and half dark is seen as one.

    Parameters
    ----------
    light : ndarray of float32, shape (h, w)
        Brightness, 0 to 255.
    mask : ndarray of bool, shape (h, w)
        Where to look.
    smallest_px, largest_px : float
        Range of diameters [px].
    """
    found: list[Array32] = []
    level, shrink = light, 1.0
    level_mask: Picture = np.where(mask, 255, 0).astype(np.uint8)
    n_most = max(60, int(N_PER_MPX * np.count_nonzero(mask) / 1e6))
    n_octaves = max(1, ceil(log2(largest_px / smallest_px)))
    for _ in range(n_octaves):
        step_x, step_y = cv2.spatialGradient(np.clip(level, 0, 255).astype(np.uint8))
        steep = cv2.magnitude(step_x.astype(np.float32), step_y.astype(np.float32)) * 0.25
        for diameter in (smallest_px, smallest_px * sqrt(2.0)):
            for picture, signs in ((level, (1.0, -1.0)), (steep, (1.0,))):
                inner = cv2.GaussianBlur(picture, (0, 0), 0.27 * diameter)
                difference = inner - cv2.GaussianBlur(inner, (0, 0), 0.36 * diameter)
                for sign in signs:
                    rows, columns, strength = _peaks(difference * np.float32(sign), level_mask, diameter, n_most)
                    at = np.stack([columns, rows], axis=1).astype(np.float32) * shrink + (shrink - 1) / 2
                    found.append(np.column_stack([at, np.full(len(at), diameter * shrink), strength]).astype(np.float32))
        if min(level.shape) < 16 * smallest_px:
            break
        level = np.asarray(cv2.resize(level, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), dtype=np.float32)
        smaller = cv2.resize(level_mask, level.shape[::-1], interpolation=cv2.INTER_NEAREST)
        level_mask = np.asarray(smaller, dtype=np.uint8)
        shrink *= 2.0
    every = np.concatenate(found)
    return Seen(every[:, 0], every[:, 1], every[:, 2], every[:, 3])


def chosen(seen: Seen, keep: NDArray[np.intp]) -> Seen:
    """Some of the candidates."""
    return Seen(seen.x_px[keep], seen.y_px[keep], seen.diameter_px[keep], seen.stands_out[keep])


def joined(first: Seen, second: Seen) -> Seen:
    """Candidates of both."""
    pairs = ((first.x_px, second.x_px), (first.y_px, second.y_px), (first.diameter_px, second.diameter_px))
    return Seen(*(np.concatenate(pair) for pair in (*pairs, (first.stands_out, second.stands_out))))


def eye_blobs(eye: Array32, mask: Mask, *, least_px: float) -> Seen:
    """Connected blobs of what the learned eye takes for spatter, as candidates as wide as the blob's area says.

    Parameters
    ----------
    eye : ndarray of float32, shape (h, w)
        Probability of spatter.
    mask : ndarray of bool, shape (h, w)
        Where to look.
    least_px : float
        Narrower blobs are taken to be this wide [px].
    """
    _, _, told, middles = cv2.connectedComponentsWithStats(((eye > EYE_SEES) & mask).astype(np.uint8))
    area = told[1:, cv2.CC_STAT_AREA].astype(np.float32)
    diameter = np.maximum(np.sqrt(area * np.float32(4 / np.pi)), np.float32(least_px))
    place: Array32 = middles[1:].astype(np.float32)
    return Seen(place[:, 0], place[:, 1], diameter, np.full(len(area), 2.0, dtype=np.float32))
