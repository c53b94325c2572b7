"""The line where a tee's plates meet, seen in the photo beyond both ends of the bead.

A strip that rides on droplets shifts the solved plates, and with them the line where they meet; strips alone can't show it.
The joint line itself is seen in the photo wherever no weld metal covers it: thin, dark and straight, the same line at both
ends. Only then is it used.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.photo.result import Photo
from toeline.scale import rays
from toeline.scale.bundle import JointLine
from toeline.scale.solution import Scale

Array = NDArray[np.float64]

REACH_MM = 2.5
"""How far from where the solved plates meet the line is looked for, on either plate [mm]."""
SHOULDER_MM = (0.7, 1.1)
"""Where bare plate beside the line is read, from its middle [mm]."""
STEEPEST_RATIO = 0.02
"""Largest slope of the seen line against the solved one: a strip with one end 2 mm up in 100 [ratio]."""
DARKEST_RATIO = 0.2
"""A line is at least this much darker than the darker of both plates beside it [ratio]."""
STRAIGHT_MM = 0.12
"""A place belongs to a line when it is no further off [mm]."""
SHORTEST_MM = 3.0
"""Length of line that must be seen beyond each end [mm]."""
APART_MM = 25.0
"""Distance between both stretches from which they tell a direction [mm]."""
WIDEST_MM = 1.3
"""A broader dark band is a gap or a shadow, and does not say where the faces meet [mm]."""
EDGE_U_MM, BAND_U_RATIO = 0.06, 0.15
"""How far a dark line's middle lies from where the faces meet, standard uncertainty: burrs and rounded edges, and a share of
the line's width, because a small gap darkens one side only (own judgement)."""
SEEN_U_MM = 0.04
"""How far light and view move a dark line, standard uncertainty (from 40 ends on 20 rendered coupons) [mm]."""


@dataclass(frozen=True, slots=True)
class _Stretch:
    """A straight dark stretch beyond one end of the bead: middle, height there, slope, scatter, width [mm]."""

    along_mm: float
    up_mm: float
    scatter_mm: float
    band_mm: float


def find_joint_line(photo: Photo, scale: Scale) -> JointLine | None:
    """The joint line of a tee, to a fraction of a pixel; None where it is not surely seen at both ends.

    Parameters
    ----------
    photo : Photo
    scale : Scale
        Solved from the strips alone; the line is looked for within ``REACH_MM`` of where its plates meet.
    """
    along = np.asarray(np.arange(*_reach_mm(scale), 0.25), dtype=np.float64)
    step = max(0.05, 0.5 / scale.px_per_mm.value)
    n = round((REACH_MM + SHOULDER_MM[1]) / step)
    up = np.linspace(-n * step, n * step, 2 * n + 1)
    grey = _beside_root(photo, scale, along, up)
    depth = _darkness(grey, step)
    depth[:, np.abs(up) > REACH_MM] = 0.0
    line = _straightest(along, up, depth)
    if line is None:
        return None
    middle, slope, on_line = line
    runs = _runs(along, on_line)
    if len(runs) < 2:
        return None
    ends = [_stretch(along[run], up, grey[run], middle + slope * along[run]) for run in (runs[0], runs[-1])]
    left, right = ends
    if left is None or right is None or right.along_mm - left.along_mm < APART_MM:
        return None
    if max(left.band_mm, right.band_mm) > WIDEST_MM or abs(right.up_mm - left.up_mm) > STEEPEST_RATIO * (along[-1] - along[0]):
        return None
    return _in_photo(scale, left, right)


def _reach_mm(scale: Scale) -> tuple[float, float]:
    outlines = np.concatenate([o for plate in scale.plates for o in plate.strip_outlines_mm.values()])
    return float(outlines[:, 0].min() - 60.0), float(outlines[:, 0].max() + 60.0)


def _places(scale: Scale, along: Array, up: Array) -> Array:
    """Photo positions of points given by along and the signed distance from the root (up on the standing plate), (…, 2) [px]."""
    points = np.stack([along, np.abs(up)], axis=-1)
    on = [rays.to_photo_px(scale, name, points.reshape(-1, 2)).reshape(points.shape) for name in ("standing", "base")]
    return np.where((up > 0)[..., None], *on)


def _beside_root(photo: Photo, scale: Scale, along: Array, up: Array) -> Array:
    """Brightness beside the root, one row for each place along it, black outside the photo, shape (n, m)."""
    nodes = np.linspace(along[0], along[-1], max(2, round((along[-1] - along[0]) / 4.0)))
    sides = [up[up <= 0], up[up > 0]]  # between nodes, as between rows, one plate's places are all but linear
    rows = [np.linspace(side[0], side[-1], 6) for side in sides]
    drawn = [
        _between(_places(scale, *np.meshgrid(nodes, row, indexing="ij")), len(along), len(side))
        for row, side in zip(rows, sides, strict=True)
    ]
    at = np.concatenate(drawn, axis=1)
    inside = (at > 0).all(axis=-1) & (at < [photo.width_px - 1, photo.height_px - 1]).all(axis=-1)
    picture = cv2.remap(photo.pixels, at[..., 0], at[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    grey = np.asarray(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY), dtype=np.float64)
    smooth = np.asarray(cv2.blur(grey, (1, 5), borderType=cv2.BORDER_REPLICATE), dtype=np.float64)
    return np.where(inside, smooth, 0.0)


def _between(nodes: Array, n: int, m: int) -> NDArray[np.float32]:
    """Values at n × m places from values at the corners of a coarser grid with the same ends, shape (., ., 2) to (n, m, 2)."""
    rows, columns = np.indices((n, m), dtype=np.float32)
    rows *= (nodes.shape[0] - 1) / (n - 1)
    columns *= (nodes.shape[1] - 1) / (m - 1)
    flat = np.nan_to_num(nodes, nan=-1e6).astype(np.float32)
    return np.asarray(cv2.remap(flat, columns, rows, cv2.INTER_LINEAR), dtype=np.float32)


def _darkness(grey: Array, step: float) -> Array:
    """How much darker each place is than the darker of both sides, as a share of that side, shape (n, m)."""
    near, far = (round(s / step) for s in SHOULDER_MM)
    core = cv2.blur(grey, (3, 1), borderType=cv2.BORDER_REPLICATE)
    side = cv2.blur(grey, (far - near + 1, 1), borderType=cv2.BORDER_REPLICATE)
    middle = (near + far) // 2
    beside = np.zeros_like(grey)
    beside[:, middle:-middle] = np.minimum(side[:, : -2 * middle], side[:, 2 * middle :])
    return np.clip((beside - core) / np.maximum(beside, 1.0), 0.0, None)


def _straightest(along: Array, up: Array, depth: Array) -> tuple[float, float, NDArray[np.bool_]] | None:
    """The straight line on which most is dark, as height at zero and slope, and where it is dark, shape (n,)."""
    best, place = depth.max(axis=1), up[depth.argmax(axis=1)]
    dark = best > DARKEST_RATIO
    if dark.sum() < 2 * SHORTEST_MM / 0.25:
        return None
    slopes = np.linspace(-STEEPEST_RATIO, STEEPEST_RATIO, 41)
    edges = np.arange(-2 * REACH_MM, 2 * REACH_MM, STRAIGHT_MM / 2)
    flat = place[dark] - slopes[:, None] * along[dark]
    votes = np.array([np.convolve(np.histogram(row, edges)[0], np.ones(4), "same") for row in flat])
    i, j = np.unravel_index(votes.argmax(), votes.shape)
    slope, height = float(slopes[i]), float(edges[j])
    for _ in range(3):
        on = dark & (np.abs(place - height - slope * along) < STRAIGHT_MM)
        if on.sum() < 8:
            return None
        slope, height = (float(v) for v in np.polyfit(along[on], place[on], 1))
    return height, slope, dark & (np.abs(place - height - slope * along) < STRAIGHT_MM)


def _runs(along: Array, on: NDArray[np.bool_]) -> list[NDArray[np.int64]]:
    """Stretches of at least SHORTEST_MM on which the line is seen nearly without a break, from left to right."""
    at = np.flatnonzero(on)
    pieces = np.split(at, np.flatnonzero(np.diff(along[at]) > 0.8) + 1)
    return [p for p in pieces if len(p) and along[p[-1]] - along[p[0]] >= SHORTEST_MM and len(p) > 0.7 * (p[-1] - p[0] + 1)]


def _stretch(along: Array, up: Array, grey: Array, line: Array) -> _Stretch | None:
    """The dark line of one stretch, from its brightness averaged along it: centre of what is missing beside both plates."""
    offsets = np.arange(-SHOULDER_MM[1], SHOULDER_MM[1] + 1e-9, 0.02)
    rows = np.stack([np.interp(at + offsets, up, row) for at, row in zip(line, grey, strict=True)])
    centres = [_centre(offsets, chunk.mean(axis=0)) for chunk in np.array_split(rows, max(2, len(rows) // 6))]
    kept = np.array([c for c in centres if c is not None])
    if len(kept) < 2:
        return None
    middle = float(along.mean())
    scatter = float(np.std(kept[:, 0], ddof=1) / np.sqrt(len(kept)))
    return _Stretch(middle, float(np.interp(middle, along, line) + kept[:, 0].mean()), scatter, float(kept[:, 1].mean()))


def _centre(offsets: Array, profile: Array) -> tuple[float, float] | None:
    """Centre of the dark line in a profile of brightness, and its width at half depth [mm]."""
    sides = [offsets < -SHOULDER_MM[0], offsets > SHOULDER_MM[0]]
    levels = [float(profile[s].mean()) for s in sides]
    base = np.interp(offsets, [offsets[s].mean() for s in sides], levels)
    missing = np.clip(1.0 - profile / np.maximum(base, 1.0), 0.0, None)
    missing[np.abs(offsets) > SHOULDER_MM[0]] = 0.0
    deepest = float(missing.max(initial=0.0))
    if not np.isfinite(deepest) or deepest < DARKEST_RATIO:
        return None
    core = np.clip(missing - 0.3 * deepest, 0.0, None)
    return float((core * offsets).sum() / core.sum()), float(np.count_nonzero(missing > 0.5 * deepest) * 0.02)


def _in_photo(scale: Scale, left: _Stretch, right: _Stretch) -> JointLine:
    """Both ends as points, directions and scale in the photo."""
    along = np.array([left.along_mm, right.along_mm])
    points = _places(scale, along, np.array([left.up_mm, right.up_mm]))
    run = points[1] - points[0]
    across = np.array([-run[1], run[0]]) / np.linalg.norm(run)
    standing = _places(scale, along, np.array([1.0, 1.0])) - _places(scale, along, np.array([-1.0, -1.0]))
    up = np.where((standing @ across > 0)[:, None], across, -across)
    px_per_mm = np.linalg.norm(_places(scale, along + 1.0, np.zeros(2)) - _places(scale, along - 1.0, np.zeros(2)), axis=1) / 2
    # a width on the plates is seen shortened; square to the view both plates at 45 degrees show it as half of this
    square = np.sum(standing * up, axis=1) / 2 / px_per_mm
    band = max(left.band_mm, right.band_mm) * float(square.mean())
    noise = max(left.scatter_mm, right.scatter_mm) * float(square.mean())
    edge, seen = (float(np.hypot(*parts)) for parts in ((EDGE_U_MM, BAND_U_RATIO * band), (SEEN_U_MM, noise)))
    return JointLine(points, up, px_per_mm, along, edge, seen)
