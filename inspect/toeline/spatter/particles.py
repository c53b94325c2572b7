"""Find solidified droplets on a picture of plate, size them, and tell them from what is flat.

A droplet stands up: light falls on one side and leaves the other dark, its rim is sharp and closes all round. Rust, stains and paint are
flat, pits are lit from the wrong side, scratches do not close. So candidates are taken wherever, at some size, the picture is brighter,
darker or busier inside a disc than around it (``candidates``); each is read on rings about its middle, turned so that its bright side is
up (``rings``); what is left is looked at closely (``patches``) and judged. What the light does on the plate is learned from the surest
droplets and tells the doubtful ones from pits.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from toeline.spatter.candidates import Array32, Mask, Picture, Seen, candidates, eye_blobs, joined
from toeline.spatter.patches import read_patches, score_patches
from toeline.spatter.rings import Net, colour_levels, forward, net, read_rings, worth_reading

Array = NDArray[np.float64]

SMALLEST_PX = 5.0
"""Diameter to which the smallest droplet is brought before looking; finer pictures are shrunk [px]."""
LEAST_PX = 3.5
"""Droplets narrower than this can't be told from noise [px]."""
N_READ_PER_MPX = 2000
"""Most candidates a million pixels of plate that are read closely: those that the glance likes best."""
N_MORE_LOOKS = 1
"""How often each place is looked at again, moved and sized anew."""
HOPELESS = -4.0
"""Log odds below which a candidate is dropped at the first look."""
LEAST_PROBABILITY = 0.05
"""Less likely places are not told [ratio]."""

__all__ = ["Found", "Places", "clues", "detect_particles", "look_closely", "sift"]


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """Droplets found in one picture, most probable first; all arrays have shape (n,).

    Attributes
    ----------
    x_px, y_px : ndarray
        Middles [px].
    diameter_px, diameter_u_px : ndarray
        Diameter of the circle of equal area and its standard uncertainty [px].
    elongation_ratio : ndarray
        Long over short axis of what differs from the plate.
    probability : ndarray
        That it is a droplet.
    """

    x_px: Array
    y_px: Array
    diameter_px: Array
    diameter_u_px: Array
    elongation_ratio: Array
    probability: Array


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Places that may be droplets, one for all candidates that mean the same; arrays of shape (n,), `dipole` (n, 2).

    Attributes
    ----------
    x_px, y_px, diameter_px : ndarray
        [px]
    dipole : ndarray
        Direction of the bright side, its length how much it differs from the dark side.
    first, second : ndarray
        Log odds on the rings at the best candidate's first look and at the last look.
    votes : ndarray
        How many candidates agree, weighted by their probabilities.
    """

    x_px: Array
    y_px: Array
    diameter_px: Array
    dipole: Array
    first: Array
    second: Array
    votes: Array

    @property
    def turn(self) -> Array:
        """Direction of the bright side [rad]."""
        return np.arctan2(self.dipole[:, 1], self.dipole[:, 0])


def sift(levels: list[Array32], seen: Seen, rings: Net) -> Places:
    """Score candidates on rings, move and size them, and leave one for each place.

    Parameters
    ----------
    levels : list of ndarray
        From `colour_levels`.
    seen : Seen
    rings : Net
    """
    score, dipole, x, y, diameter = _look(levels, seen, rings)
    owner = _one_for_each_place(x, y, diameter)
    weight = 1.0 / (1.0 + np.exp(-score))
    first = np.unique(owner, return_index=True)[1]
    n = len(first)
    votes = np.bincount(owner, weight, minlength=n).astype(float)

    def pooled(values: Array, share: Array) -> Array:
        return np.bincount(owner, share * values, minlength=n) / np.bincount(owner, share, minlength=n)

    x, y, log_d = pooled(x, weight), pooled(y, weight), pooled(np.log(diameter), weight**2)
    diameter = np.exp(log_d)
    second, dipole = score[first], dipole[first]
    for _ in range(N_MORE_LOOKS):
        again = Seen(*(np.asarray(v, dtype=np.float32) for v in (x, y, diameter, votes)))
        second, dipole, x, y, diameter = _look(levels, again, rings, every=True)
    return Places(x, y, diameter, dipole, score[first], second, votes)


def look_closely(levels: list[Array32], places: Places) -> tuple[Places, Array]:
    """Look at each place's patches: the places moved and sized anew, and log odds, shape (n,)."""
    looked = score_patches(read_patches(levels, places.x_px, places.y_px, places.diameter_px, places.turn))
    cos, sin = np.cos(places.turn), np.sin(places.turn)
    off = np.clip(looked[:, 2:], -0.5, 0.5) * places.diameter_px[:, None]
    x = places.x_px + cos * off[:, 0] - sin * off[:, 1]
    y = places.y_px + sin * off[:, 0] + cos * off[:, 1]
    diameter = places.diameter_px * np.exp(np.clip(looked[:, 1], -0.7, 0.7))
    return replace(places, x_px=x, y_px=y, diameter_px=diameter), looked[:, 0]


def clues(places: Places, close: Array, *, plate_of: Picture | None = None, eye: Array | None = None) -> Array:
    """What the last judgement weighs of each place, shape (n, 6), or (n, 7) with what the learned eye sees there."""
    light = _light_clue(places, close, plate_of)
    share = np.log((1.0 + np.sum(1.0 / (1.0 + np.exp(-close)))) / (20.0 + len(close)))  # how common droplets seem to be here
    listed = [close, places.second, np.log(places.votes + 0.01), light, np.log(places.diameter_px), np.full(len(close), share)]
    if eye is not None:
        listed.append(np.log((eye + 0.01) / (1.01 - eye)))
    return np.column_stack(listed)


def _look(levels: list[Array32], seen: Seen, net: Net, *, every: bool = False) -> tuple[Array, Array, Array, Array, Array]:
    """Scores (log odds), bright sides, moved middles and diameters of candidates; the hopeless dropped and the best first unless `every`."""
    features, dipole = read_rings(levels, seen)
    shown = np.clip((features - net.centre) / net.spread, -6, 6)
    score = forward(net.droplet, shown)[:, 0].astype(float)
    keep = np.arange(len(score)) if every else np.flatnonzero(score > HOPELESS)
    keep = keep if every else keep[np.argsort(-score[keep], kind="stable")]
    fit = forward(net.fit, shown[keep]).astype(float)
    start = seen.diameter_px[keep].astype(float)
    along, aside = np.clip(fit[:, 1], -0.5, 0.5) * start, np.clip(fit[:, 2], -0.5, 0.5) * start
    towards = dipole[keep].astype(float)
    way = towards / (np.linalg.norm(towards, axis=1, keepdims=True) + 1e-9)
    x = seen.x_px[keep] + along * way[:, 0] - aside * way[:, 1]
    y = seen.y_px[keep] + along * way[:, 1] + aside * way[:, 0]
    return score[keep], towards, x, y, start * np.exp(np.clip(fit[:, 0], -0.7, 0.7))


def _one_for_each_place(x: Array, y: Array, diameter: Array) -> NDArray[np.intp]:
    """For candidates, best first, the number of the place that each belongs to; places are numbered best first."""
    owner = np.full(len(x), -1, dtype=np.intp)
    if len(x) == 0:
        return owner
    points = np.column_stack([x, y])
    tree = cKDTree(points)
    n_places = 0
    reach = tree.query_ball_point(points, 0.5 * diameter.max())
    for best in range(len(x)):
        if owner[best] >= 0:
            continue
        if len(reach[best]) == 1:
            owner[best] = n_places
            n_places += 1
            continue
        near = np.array(reach[best])
        near = near[owner[near] < 0]
        gap = np.hypot(x[near] - x[best], y[near] - y[best])
        wider = np.maximum(diameter[near], diameter[best])
        same = gap < np.maximum(0.5 * wider, 0.36 * (diameter[near] + diameter[best]))
        owner[near[same]] = n_places
        owner[best] = n_places
        n_places += 1
    return owner


def _light_clue(places: Places, score: Array, plate_of: Picture | None) -> Array:
    """How well a place's bright side agrees with that of the surest droplets on its plate, −1 to 1, 0 where they are few."""
    dipole, n = places.dipole, len(score)
    plate = np.zeros(n, dtype=int)
    if plate_of is not None:
        rows = np.clip(np.round(places.y_px), 0, plate_of.shape[0] - 1).astype(int)
        plate = plate_of[rows, np.clip(np.round(places.x_px), 0, plate_of.shape[1] - 1).astype(int)].astype(int)
    strength = np.linalg.norm(dipole, axis=1)
    way = dipole / (strength[:, None] + 1e-9)
    weight = strength / (1.0 + np.exp(-score))
    clue = np.zeros(n)
    for number in np.unique(plate):
        mine = plate == number
        others = (weight[mine, None] * way[mine]).sum(axis=0) - weight[mine, None] * way[mine]
        n_others = weight[mine].sum() - weight[mine] + 1.5
        clue[mine] = np.sum(way[mine] * others, axis=1) / n_others * np.minimum(1.0, strength[mine] * 2)
    return clue


def _elongation(light: Array32, x: Array, y: Array, diameter: Array) -> Array:
    """Long over short axis of what differs from the plate around, from its second moments, at least 1."""
    if len(x) == 0:
        return np.empty(0)
    step = np.linspace(-1.3, 1.3, 11, dtype=np.float32)
    u, v = (m.ravel() for m in np.meshgrid(step, step))
    at_x = (x[:, None] + 0.5 * diameter[:, None] * u).astype(np.float32)
    at_y = (y[:, None] + 0.5 * diameter[:, None] * v).astype(np.float32)
    ratio = np.ones(len(x))
    for part in np.array_split(np.arange(len(x)), max(1, ceil(len(x) / 8000))):
        values = cv2.remap(light, at_x[part], at_y[part], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        rim = np.hypot(u, v) > 1.2
        differs = np.abs(values - np.median(values[:, rim], axis=1, keepdims=True))
        differs = np.clip(differs - 1.5 * differs[:, rim].mean(axis=1, keepdims=True), 0, None) * (np.hypot(u, v) < 1.25)
        total = differs.sum(axis=1) + 1e-6
        mean_u, mean_v = (differs @ u) / total, (differs @ v) / total
        uu = (differs @ (u * u)) / total - mean_u**2 + 0.02
        vv = (differs @ (v * v)) / total - mean_v**2 + 0.02
        uv = (differs @ (u * v)) / total - mean_u * mean_v
        root = np.sqrt((uu - vv) ** 2 + 4 * uv**2)
        ratio[part] = np.sqrt((uu + vv + root) / np.maximum(uu + vv - root, 1e-3))
    return ratio


def detect_particles(
    image: Picture,
    mask: Mask,
    px_per_mm: float,
    *,
    smallest_mm: float = 0.3,
    largest_mm: float = 4.0,
    plate_of: Picture | None = None,
    evidence: Array32 | None = None,
) -> Found:
    """Droplets on a picture of plate seen from above.

    Parameters
    ----------
    image : ndarray of uint8, shape (h, w, 3)
        Red first.
    mask : ndarray of bool, shape (h, w)
        Plate that can be seen: only droplets whose middle lies in it are told.
    px_per_mm : float
        [px/mm]
    smallest_mm, largest_mm : float
        Range of diameters looked for; the smallest is raised to what the resolution allows [mm].
    plate_of : ndarray of uint8, shape (h, w), optional
        Which plate each pixel lies on.
    evidence : ndarray of float32, shape (h, w), optional
        Probability that a pixel shows spatter, from the learned eye.

    Returns
    -------
    Found
        Every candidate that is more likely than one in twenty; callers choose where to cut.
    """
    if not mask.any():
        return Found(*(np.empty(0) for _ in range(6)))
    sheet = lay_out(image, mask, px_per_mm, smallest_mm=smallest_mm, largest_mm=largest_mm, plate_of=plate_of, evidence=evidence)
    rings = net()
    levels = colour_levels(sheet.picture, sheet.largest_px)
    places, close = look_closely(levels, sift(levels, sheet.candidates(rings), rings))
    told = clues(places, close, plate_of=sheet.plate_of, eye=sheet.eye_at(places))
    last = rings.last if evidence is None else rings.last_with_eye
    probability = 1.0 / (1.0 + np.exp(-(last[0] + told @ last[1:])))
    diameter = np.exp(rings.size[0] + rings.size[1] * np.log(places.diameter_px))
    kept = np.flatnonzero((probability > LEAST_PROBABILITY) & (diameter >= 0.85 * sheet.smallest_px))
    kept = kept[np.argsort(-probability[kept], kind="stable")]
    kept = kept[np.unique(_one_for_each_place(places.x_px[kept], places.y_px[kept], diameter[kept]), return_index=True)[1]]
    x, y, diameter = places.x_px[kept], places.y_px[kept], diameter[kept]
    elongation = _elongation(levels[0][..., 0], x, y, diameter)
    u = diameter * np.hypot(rings.log_diameter_u[0], rings.log_diameter_u[1] / diameter)
    at_x, at_y = sheet.back(x, y)
    return Found(at_x, at_y, diameter * sheet.step, u * sheet.step, elongation, probability[kept])


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """A picture of plate cut to what is looked at and brought to the size at which it is looked at.

    Attributes
    ----------
    picture : ndarray of float32, shape (h, w, 3)
    mask : ndarray of bool, shape (h, w)
    plate_of : ndarray of uint8, shape (h, w), or None
    eye : ndarray of float32, shape (h, w), or None
        The learned eye's probability of spatter.
    smallest_px, largest_px : float
        Range of diameters [px].
    corner : tuple of int
        Column and row of the cut's first pixel in the whole picture [px].
    step : float
        Pixels of the whole picture to one of the sheet.
    """

    picture: Array32
    mask: Mask
    plate_of: Picture | None
    eye: Array32 | None
    smallest_px: float
    largest_px: float
    corner: tuple[int, int]
    step: float

    def candidates(self, rings: Net) -> Seen:
        """Where a droplet may be: what a glance likes best, and what only the learned eye sees."""
        light = np.asarray(cv2.transform(self.picture, np.array([[0.3, 0.5, 0.2]], dtype=np.float32)), dtype=np.float32)
        seen = candidates(light, self.mask, smallest_px=0.9 * self.smallest_px, largest_px=self.largest_px)
        n_read = max(500, int(N_READ_PER_MPX * np.count_nonzero(self.mask) / 1e6))
        seen = worth_reading(light, seen, rings, n_read)
        return seen if self.eye is None else joined(seen, eye_blobs(self.eye, self.mask, least_px=0.7 * self.smallest_px))

    def eye_at(self, places: Places) -> Array | None:
        """Mean of the learned eye's probability over the middle half of each place."""
        if self.eye is None:
            return None
        step = np.linspace(-0.5, 0.5, 5, dtype=np.float32)
        u, v = (m.ravel() for m in np.meshgrid(step, step))
        x = (places.x_px[:, None] + 0.5 * places.diameter_px[:, None] * u).astype(np.float32)
        y = (places.y_px[:, None] + 0.5 * places.diameter_px[:, None] * v).astype(np.float32)
        return np.asarray(cv2.remap(self.eye, x, y, cv2.INTER_LINEAR).reshape(len(x), -1).mean(axis=1), dtype=float)

    def back(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Places of the sheet in the whole picture [px]."""
        return (x + 0.5) * self.step - 0.5 + self.corner[0], (y + 0.5) * self.step - 0.5 + self.corner[1]


def lay_out(
    image: Picture,
    mask: Mask,
    px_per_mm: float,
    *,
    smallest_mm: float = 0.3,
    largest_mm: float = 4.0,
    plate_of: Picture | None = None,
    evidence: Array32 | None = None,
) -> Sheet:
    """Cut to the mask and a margin, and shrink so that the smallest droplet is `SMALLEST_PX` wide; parameters as `detect_particles`."""
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    margin = int(largest_mm * px_per_mm)
    y0, y1 = max(0, rows[0] - margin), min(mask.shape[0], rows[-1] + 1 + margin)
    x0, x1 = max(0, columns[0] - margin), min(mask.shape[1], columns[-1] + 1 + margin)
    shrink = max(1.0, smallest_mm * px_per_mm / SMALLEST_PX)
    size = (max(1, round((x1 - x0) / shrink)), max(1, round((y1 - y0) / shrink)))

    def brought(picture: NDArray[Any], way: int) -> NDArray[Any]:
        cut = picture[y0:y1, x0:x1]
        return cut if shrink == 1.0 else np.asarray(cv2.resize(cut, size, interpolation=way))

    return Sheet(
        np.ascontiguousarray(brought(image, cv2.INTER_AREA)).astype(np.float32),
        brought(mask.astype(np.uint8), cv2.INTER_NEAREST) > 0,
        None if plate_of is None else brought(plate_of, cv2.INTER_NEAREST),
        None if evidence is None else np.ascontiguousarray(brought(evidence, cv2.INTER_AREA)).astype(np.float32),
        max(LEAST_PX, smallest_mm * px_per_mm / shrink),
        largest_mm * px_per_mm / shrink,
        (int(x0), int(y0)),
        (x1 - x0) / size[0] if shrink > 1 else 1.0,
    )
