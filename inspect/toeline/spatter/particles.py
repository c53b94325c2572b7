"""Find solidified droplets on a picture of plate, size them, and tell them from what is flat.

A droplet stands up: light falls on one side and leaves the other dark, its rim is sharp and closes all round. Rust, stains and paint are
flat, pits are lit from the wrong side, scratches do not close. So candidates are taken wherever, at some size, the picture is brighter,
darker or busier inside a disc than around it; each is read on rings about its middle, turned so that its bright side is up, and a small
network (weights from generated pictures and marked photos) says how likely it is a droplet, how wide, and by how much the middle is off.
What the light does on the plate is learned from the surest droplets and tells the doubtful ones from pits.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from math import ceil, log2, sqrt
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]
Mask = NDArray[np.bool_]
Picture = NDArray[np.uint8]

SMALLEST_PX = 5.0
"""Diameter to which the smallest droplet is brought before looking; finer pictures are shrunk [px]."""
LEAST_PX = 3.5
"""Droplets narrower than this can't be told from noise [px]."""
N_ANGLES = 16
RINGS = np.array([0.15, 0.4, 0.65, 0.85, 1.05, 1.3, 1.6, 2.0])
"""Radii at which a candidate is read, over its radius [ratio]."""
GLANCE_RINGS = np.array([0.3, 0.75, 1.15, 1.7])
N_GLANCE_ANGLES = 8
N_PER_MPX = 800
"""Most candidates a million pixels of plate at one size and kind: the strongest are glanced at."""
N_READ_PER_MPX = 1500
"""Most candidates a million pixels of plate that are read closely: those that the glance likes best."""
N_MORE_LOOKS = 2
"""How often each place is looked at again, moved and sized anew."""
HOPELESS = -3.0
"""Log odds below which a candidate is dropped at the first look."""
LEAST_RESPONSE = 0.4
"""A weaker blob response is noise [grey levels of 255]."""
STANDS_OUT = 1.4
"""A candidate's blob response over the mean response around it [ratio]."""

EVIDENCE_WEIGHT = 0.5
"""Share of the learned eye's log odds that is added to the candidate's own: the two see the same picture [ratio]."""

__all__ = ["Found", "Seen", "candidates", "detect_particles", "read_rings"]


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


def _pyramid(picture: Array32, n_levels: int) -> list[Array32]:
    levels = [picture]
    for _ in range(n_levels - 1):
        if min(levels[-1].shape[:2]) < 8:
            break
        levels.append(np.asarray(cv2.pyrDown(levels[-1]), dtype=np.float32))
    return levels


def _sample(levels: list[Array32], seen: Seen, rings: Array, n_angles: int) -> Array32:
    """Read the picture on rings, at the pyramid level that fits each candidate's size, shape (n, rings, angles, channels)."""
    n = len(seen.x_px)
    angle = np.arange(n_angles) * (2 * np.pi / n_angles)
    ring_x = (rings[:, None] * np.cos(angle)).astype(np.float32)
    ring_y = (rings[:, None] * np.sin(angle)).astype(np.float32)
    n_channels = 1 if levels[0].ndim == 2 else levels[0].shape[2]
    values = np.empty((n, len(rings), n_angles, n_channels), dtype=np.float32)
    which = np.clip(np.floor(np.log2(np.maximum(seen.diameter_px, 1.0) / 8.0)), 0, len(levels) - 1).astype(int)
    for number, level in enumerate(levels):
        mine = np.flatnonzero(which == number)
        for part in np.array_split(mine, max(1, ceil(len(mine) / 8000))):
            if len(part) == 0:
                continue
            radius = seen.diameter_px[part, None, None] / 2
            scale = np.float32(2.0**number)
            x = (seen.x_px[part, None, None] + radius * ring_x) / scale
            y = (seen.y_px[part, None, None] + radius * ring_y) / scale
            read = cv2.remap(
                level,
                x.reshape(len(part), -1),
                y.reshape(len(part), -1),
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REPLICATE,
            )
            values[part] = read.reshape(len(part), len(rings), n_angles, -1)
    return values


def _levels_for(picture: Array32, seen: Seen) -> list[Array32]:
    largest = max(8.0, float(seen.diameter_px.max())) if len(seen.diameter_px) else 8.0
    return _pyramid(picture, 1 + ceil(log2(largest / 8.0)))


def glance(light: Array32, seen: Seen) -> Array32:
    """A few numbers on each candidate, the same however it is turned, shape (n, n_numbers): enough to drop most of them."""
    values = _sample(_levels_for(light, seen), seen, GLANCE_RINGS, N_GLANCE_ANGLES)[..., 0]
    outer = values[:, 2:]
    base = outer.mean(axis=(1, 2), keepdims=True)
    rough = outer.std(axis=(1, 2))
    centred = values - base
    spread = np.sqrt((centred**2).mean(axis=(1, 2))) + 1.0
    waves = np.fft.rfft(centred / spread[:, None, None], axis=2) / N_GLANCE_ANGLES
    size = np.abs(waves)
    same_way = np.real(waves[:, 0, 1] * np.conj(waves[:, 1, 1]))
    against = np.real(waves[:, 1, 1] * np.conj(waves[:, 2, 1]))
    numbers = [
        np.real(waves[:, :, 0]),
        size[:, :, 1],
        size[:, :, 2],
        np.stack([same_way, against, np.log(spread), np.log(spread / (rough + 1.0)), np.log(seen.stands_out)], axis=1),
        np.log(seen.diameter_px / 8.0)[:, None],
    ]
    return np.concatenate(numbers, axis=1).astype(np.float32)


def chosen(seen: Seen, keep: NDArray[np.intp]) -> Seen:
    """Some of the candidates."""
    return Seen(seen.x_px[keep], seen.y_px[keep], seen.diameter_px[keep], seen.stands_out[keep])


def worth_reading(light: Array32, seen: Seen, net: _Net, n_most: int) -> Seen:
    """The candidates that a glance likes best."""
    if len(seen.x_px) <= n_most:
        return seen
    liked = _forward(net.glance, (glance(light, seen) - net.glance_centre) / net.glance_spread)[:, 0]
    return chosen(seen, np.argpartition(-liked, n_most)[:n_most])


def colour_levels(picture: Array32, largest_px: float) -> list[Array32]:
    """Pyramid of brightness, red less blue, and green less both, for reading rings of discs up to a diameter [px]."""
    to_channels = np.array([[0.3, 0.5, 0.2], [1.0, 0.0, -1.0], [-0.5, 1.0, -0.5]], dtype=np.float32)
    channels = np.asarray(cv2.transform(picture, to_channels), dtype=np.float32)
    return _pyramid(channels, 1 + ceil(log2(max(8.0, largest_px) / 8.0)))


def read_rings(levels: list[Array32], seen: Seen) -> tuple[Array32, Array32]:
    """What the network is shown of each candidate, and its bright side.

    Parameters
    ----------
    levels : list of ndarray
        From `colour_levels`.
    seen : Seen

    Returns
    -------
    ndarray, shape (n, n_features)
        Brightness on rings, turned so that the bright side comes first and divided by its own spread; colour on rings; how strong,
        how wide.
    ndarray, shape (n, 2)
        Direction of the bright side (x, y), its length the dipole's share of the spread.
    """
    values = _sample(levels, seen, RINGS, N_ANGLES)
    bright = values[..., 0]
    outside = RINGS > 1.2
    base = bright[:, outside].mean(axis=(1, 2))
    rough = bright[:, outside].std(axis=(1, 2))
    centred = bright - base[:, None, None]
    spread = np.sqrt((centred**2).mean(axis=(1, 2)))
    area = np.where(RINGS <= 1.0, RINGS, 0.0).astype(np.float32)
    first = np.fft.rfft(bright, axis=2)[..., 1]
    wave = (first * area).sum(axis=1) / area.sum() * (2.0 / N_ANGLES)
    phase = -np.angle(wave)
    turn = np.round(phase / (2 * np.pi / N_ANGLES)).astype(int) % N_ANGLES
    order = (np.arange(N_ANGLES)[None] + turn[:, None]) % N_ANGLES
    turned = np.take_along_axis(centred, order[:, None, :], axis=2) / (spread[:, None, None] + 1.0)
    hue = values[..., 1:].mean(axis=2)
    hue_base = hue[:, outside].mean(axis=1)
    hue = (hue - hue_base[:, None]) / (spread[:, None, None] + 4.0)
    dipole = np.stack([np.cos(phase), np.sin(phase)], axis=1) * (np.abs(wave) / (spread + 1.0))[:, None]
    features = np.concatenate(
        [
            turned.reshape(len(turned), -1),
            hue.reshape(len(hue), -1),
            np.stack(
                [
                    np.log(spread + 1.0),
                    np.log((spread + 1.0) / (rough + 1.0)),
                    np.log(base + 10.0),
                    hue_base[:, 0] / 20.0,
                    hue_base[:, 1] / 20.0,
                    np.log(seen.diameter_px / 8.0),
                ],
                axis=1,
            ),
        ],
        axis=1,
    )
    return features.astype(np.float32), dipole.astype(np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class _Net:
    """Three small fully connected networks, as layers of weights and biases, and the two straight lines behind them."""

    glance_centre: Array32
    glance_spread: Array32
    glance: tuple[tuple[Array32, Array32], ...]
    centre: Array32
    spread: Array32
    droplet: tuple[tuple[Array32, Array32], ...]
    fit: tuple[tuple[Array32, Array32], ...]
    last: Array
    size: Array
    log_diameter_u: float


@cache
def _net() -> _Net:
    return net_from(json.loads(files("toeline.spatter").joinpath("particles.json").read_text(encoding="utf-8")))


def net_from(told: dict[str, Any]) -> _Net:
    """The network from the numbers that training wrote."""

    def layers(rows: list[dict[str, Any]]) -> tuple[tuple[Array32, Array32], ...]:
        return tuple((np.array(r["weights"], np.float32), np.array(r["biases"], np.float32)) for r in rows)

    return _Net(
        np.array(told["glance_centre"], np.float32),
        np.array(told["glance_spread"], np.float32),
        layers(told["glance"]),
        np.array(told["centre"], np.float32),
        np.array(told["spread"], np.float32),
        layers(told["droplet"]),
        layers(told["fit"]),
        np.array(told["last"], np.float64),
        np.array(told["size"], np.float64),
        float(told["log_diameter_u"]),
    )


def _forward(layers: tuple[tuple[Array32, Array32], ...], values: Array32) -> Array32:
    for weights, biases in layers[:-1]:
        values = np.maximum(values @ weights + biases, 0)
    weights, biases = layers[-1]
    return values @ weights + biases


@dataclass(frozen=True, slots=True, eq=False)
class Sifted:
    """Candidates that may be droplets, one for each place, with what the last judgement needs; arrays of shape (n,)."""

    x_px: Array
    y_px: Array
    diameter_px: Array
    diameter_u_px: Array
    elongation_ratio: Array
    clues: Array


def sift(picture: Array32, seen: Seen, net: _Net, *, plate_of: Picture | None = None) -> Sifted:
    """Score candidates, move and size them, and leave one for each place.

    Parameters
    ----------
    picture : ndarray of float32, shape (h, w, 3)
        Red first, 0 to 255.
    seen : Seen
    net : _Net
    plate_of : ndarray of uint8, shape (h, w), optional
        Which plate a pixel lies on: light falls on each in its own way.
    """
    levels = colour_levels(picture, float(seen.diameter_px.max(initial=8.0)))
    score, dipole, x, y, diameter = _look(levels, seen, net)
    owner = _one_for_each_place(x, y, diameter)
    weight = 1.0 / (1.0 + np.exp(-score))
    first = np.unique(owner, return_index=True)[1]
    n = len(first)
    votes = np.bincount(owner, weight, minlength=n)

    def pooled(values: Array, share: Array) -> Array:
        return np.bincount(owner, share * values, minlength=n) / np.bincount(owner, share, minlength=n)

    x, y, log_d = pooled(x, weight), pooled(y, weight), pooled(np.log(diameter), weight**2)
    diameter = np.exp(log_d)
    second, dipole = score[first], dipole[first]
    for _ in range(N_MORE_LOOKS):
        again = Seen(*(np.asarray(v, dtype=np.float32) for v in (x, y, diameter, votes)))
        second, dipole, x, y, diameter = _look(levels, again, net, every=True)
    diameter = np.exp(net.size[0] + net.size[1] * np.log(diameter))
    light = _light_clue(x, y, dipole, second, plate_of)
    elongation = _elongation(levels[0][..., 0], x, y, diameter)
    share = np.log((1.0 + np.sum(1.0 / (1.0 + np.exp(1.0 - 2.0 * second)))) / (20.0 + n))  # how common droplets seem to be here
    clues = np.column_stack([score[first], np.log(votes), light, np.log(diameter), second, np.full(n, share)])
    return Sifted(x, y, diameter, diameter * net.log_diameter_u, elongation, clues)


def _look(levels: list[Array32], seen: Seen, net: _Net, *, every: bool = False) -> tuple[Array, Array, Array, Array, Array]:
    """Scores (log odds), bright sides, moved middles and diameters of candidates; the hopeless dropped and the best first unless `every`."""
    features, dipole = read_rings(levels, seen)
    shown = np.clip((features - net.centre) / net.spread, -6, 6)
    score = _forward(net.droplet, shown)[:, 0].astype(float)
    keep = np.arange(len(score)) if every else np.flatnonzero(score > HOPELESS)
    keep = keep if every else keep[np.argsort(-score[keep], kind="stable")]
    fit = _forward(net.fit, shown[keep]).astype(float)
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
        near = np.array(reach[best])
        near = near[owner[near] < 0]
        gap = np.hypot(x[near] - x[best], y[near] - y[best])
        wider = np.maximum(diameter[near], diameter[best])
        same = gap < np.maximum(0.5 * wider, 0.36 * (diameter[near] + diameter[best]))
        owner[near[same]] = n_places
        owner[best] = n_places
        n_places += 1
    return owner


def _light_clue(x: Array, y: Array, dipole: Array, score: Array, plate_of: Picture | None) -> Array:
    """How well a candidate's bright side agrees with that of the surest droplets on its plate, −1 to 1, 0 where they are few."""
    plate = np.zeros(len(x), dtype=int)
    if plate_of is not None:
        rows = np.clip(np.round(y), 0, plate_of.shape[0] - 1).astype(int)
        plate = plate_of[rows, np.clip(np.round(x), 0, plate_of.shape[1] - 1).astype(int)].astype(int)
    way = dipole / (np.linalg.norm(dipole, axis=1, keepdims=True) + 1e-9)
    weight = 1.0 / (1.0 + np.exp(-score)) * np.linalg.norm(dipole, axis=1)
    clue = np.zeros(len(x))
    for number in np.unique(plate):
        mine = plate == number
        others = (weight[mine, None] * way[mine]).sum(axis=0) - weight[mine, None] * way[mine]
        n_others = weight[mine].sum() - weight[mine] + 1.5
        clue[mine] = np.sum(way[mine] * others, axis=1) / n_others * np.minimum(1.0, np.linalg.norm(dipole[mine], axis=1) * 2)
    return clue


def _elongation(light: Array32, x: Array, y: Array, diameter: Array) -> Array:
    """Long over short axis of what differs from the plate around, from its second moments, at least 1."""
    if len(x) == 0:
        return np.empty(0)
    step = np.linspace(-1.3, 1.3, 17, dtype=np.float32)
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
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    margin = int(largest_mm * px_per_mm)
    y0, y1 = max(0, rows[0] - margin), min(mask.shape[0], rows[-1] + 1 + margin)
    x0, x1 = max(0, columns[0] - margin), min(mask.shape[1], columns[-1] + 1 + margin)
    cut = (slice(y0, y1), slice(x0, x1))
    shrink = max(1.0, smallest_mm * px_per_mm / SMALLEST_PX)
    size = (max(1, round((x1 - x0) / shrink)), max(1, round((y1 - y0) / shrink)))

    def brought(picture: NDArray[Any], way: int) -> NDArray[Any]:
        return picture[cut] if shrink == 1.0 else np.asarray(cv2.resize(picture[cut], size, interpolation=way))

    small = np.ascontiguousarray(brought(image, cv2.INTER_AREA)).astype(np.float32)
    small_mask = brought(mask.astype(np.uint8), cv2.INTER_NEAREST) > 0
    plates = None if plate_of is None else brought(plate_of, cv2.INTER_NEAREST)
    smallest_px = max(LEAST_PX, smallest_mm * px_per_mm / shrink)
    light = np.asarray(cv2.transform(small, np.array([[0.3, 0.5, 0.2]], dtype=np.float32)), dtype=np.float32)
    seen = candidates(light, small_mask, smallest_px=0.9 * smallest_px, largest_px=largest_mm * px_per_mm / shrink)
    net = _net()
    n_read = max(500, int(N_READ_PER_MPX * np.count_nonzero(small_mask) / 1e6))
    sifted = sift(small, worth_reading(light, seen, net, n_read), net, plate_of=plates)
    logit = net.last[0] + sifted.clues @ net.last[1:]
    if evidence is not None and len(logit):
        inside = _evidence_inside(np.ascontiguousarray(brought(evidence, cv2.INTER_AREA)), sifted)
        logit = logit + EVIDENCE_WEIGHT * np.log((inside + 0.02) / (1.02 - inside))
    probability = 1.0 / (1.0 + np.exp(-logit))
    told = np.flatnonzero((probability > 0.05) & (sifted.diameter_px >= 0.85 * smallest_px))
    told = told[np.argsort(-probability[told], kind="stable")]
    step = (x1 - x0) / size[0] if shrink > 1 else 1.0
    return Found(
        (sifted.x_px[told] + 0.5) * step - 0.5 + x0,
        (sifted.y_px[told] + 0.5) * step - 0.5 + y0,
        sifted.diameter_px[told] * step,
        sifted.diameter_u_px[told] * step,
        sifted.elongation_ratio[told],
        probability[told],
    )


def _evidence_inside(evidence: Array32, sifted: Sifted) -> Array:
    """Mean of the learned eye's probability over the middle half of each candidate."""
    step = np.linspace(-0.5, 0.5, 5, dtype=np.float32)
    u, v = (m.ravel() for m in np.meshgrid(step, step))
    x = (sifted.x_px[:, None] + 0.5 * sifted.diameter_px[:, None] * u).astype(np.float32)
    y = (sifted.y_px[:, None] + 0.5 * sifted.diameter_px[:, None] * v).astype(np.float32)
    return np.asarray(cv2.remap(evidence.astype(np.float32), x, y, cv2.INTER_LINEAR).mean(axis=1), dtype=float)
