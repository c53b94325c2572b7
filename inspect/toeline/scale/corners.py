"""Strips found in a photo: markers once in a reduced copy, then every inner corner at full size in a tight window."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.errors import NoScale, StripTooSmall
from toeline.photo.fitness import edge_width_px
from toeline.scale.bundle import Sighting
from toeline.scale.strips import Strip, load_strips, strip_of_marker, used_dictionary

Array = NDArray[np.float64]
Picture = NDArray[np.uint8]

SEARCH_PX: tuple[int, ...] = (1800, 3600)
"""Longer side of the reduced copies in which markers are looked for, one after the other [px]."""
LARGEST_SEARCH_PX = 6000
"""Longer side up to which the photo itself is searched when smaller copies showed nothing [px]."""
SMALLEST_MARKER_PX = 18.0
"""Side of a marker below which its cells, an eighth of it, can't be read surely [px]."""
BLURRED_PX = 7.0
"""Width of a photo's sharpest edges, in a copy of `SEARCH_PX`, from which a marker's cells run into each other (own judgement) [px]."""
FEWEST_MARKERS = 3
FEWEST_CORNERS = 8
EDGE_PX = 3.0
"""Pixels kept free between a corner's window and the photo's border."""
STRIP_SCALE_MM = 30.0
CURL_SLACK = 0.1
"""How little a parabola along a strip is held back: half a pixel of corner noise against 5 px of curl over `STRIP_SCALE_MM`."""
MOST_ROUNDS = 5
"""Rounds in which corners may predict their neighbours."""


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """All strips found in one photo, whether it had to be mirrored to read them, and letters of strips hardly seen."""

    strips: tuple[Sighting, ...]
    mirrored: bool = False
    unread: tuple[str, ...] = ()


def find_strips(pixels: Picture) -> Found:
    """Find the printed strips and their inner corners.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (h, w, 3)
        The upright photo, red first.

    Raises
    ------
    NoScale
        No strip, or too little of one.
    StripTooSmall
        A strip with too few pixels.
    """
    markers, mirrored = _find_markers(pixels)
    by_strip: dict[str, dict[int, Array]] = {}
    for marker_id, quad in markers.items():
        strip = strip_of_marker(marker_id)
        if strip is not None:
            by_strip.setdefault(strip.letter, {})[marker_id] = quad
    known = load_strips()
    whole = {known[letter]: quads for letter, quads in by_strip.items() if len(quads) >= FEWEST_MARKERS}
    if not whole:
        _check_sharp(pixels, markers)
        few = f"Only {len(markers)} markers of a strip could be read" if markers else "No strip was found in the photo"
        raise NoScale(
            f"{few}, so pixels can't be turned into millimetres.",
            advice="Lay printed strips beside the bead, whole, flat, sharp and without glare. On the command line: --rule or --unscaled.",
            evidence={"markers_px": markers},
        )
    sightings = [_refine(pixels, strip, quads) for strip, quads in whole.items()]
    kept = tuple(s for s in sightings if len(s.ids) >= FEWEST_CORNERS)
    if not kept:
        raise NoScale(
            "A strip was found, but hardly any of its squares are clear enough to measure from.",
            advice="Hold the phone still, tap on the strip to focus, and keep dirt and glare off it.",
            evidence={"markers_px": markers},
        )
    unread = tuple(sorted(set(by_strip) - {s.strip.letter for s in kept}))
    return Found(kept, mirrored, unread)


def _check_sharp(pixels: Picture, markers: Mapping[int, Array]) -> None:
    """Say so where the photo is too blurred for any strip to be read."""
    grey = _reduced_grey(pixels, 1.0 / max(1, round(max(pixels.shape[:2]) / SEARCH_PX[0])))
    widest = edge_width_px(grey, np.ones(grey.shape, dtype=bool))
    if widest > BLURRED_PX and np.isfinite(widest):
        raise NoScale(
            f"The photo is blurred: even its sharpest edges are {widest:.0f} pixels wide, so no strip can be read and pixels can't be "
            "turned into millimetres.",
            advice="Wipe the lens, tap on the strip to focus, hold the phone still, and take it again from 25–30 cm.",
            evidence={"markers_px": dict(markers)},
        )


def _find_markers(pixels: Picture) -> tuple[dict[int, Array], bool]:
    """Marker corners by id in the photo's pixels, and whether they could be read in the mirrored photo only."""
    width = pixels.shape[1]
    longer = max(pixels.shape[:2])
    factors = [1.0 / max(1, round(longer / size)) for size in SEARCH_PX]  # whole divisors are reduced fastest
    factors += [1.0] if longer <= LARGEST_SEARCH_PX else []
    factors += [2.0] if longer <= SEARCH_PX[0] else []
    best: dict[int, Array] = {}
    for factor in dict.fromkeys(factors):
        grey = _reduced_grey(pixels, factor)
        for mirrored in (False, True):
            seen = _detect(np.ascontiguousarray(grey[:, ::-1]) if mirrored else grey, factor)
            if mirrored:
                seen = {i: np.column_stack([width - 1 - quad[:, 0], quad[:, 1]]) for i, quad in seen.items()}
            if len(seen) >= 2 * FEWEST_MARKERS:
                _check_size(seen)
                return seen, mirrored
            if not mirrored and len(seen) > len(best):
                best = seen
            if seen:
                break
    if best:
        _check_size(best)
    return best, False


def _reduced_grey(pixels: Picture, factor: float) -> Picture:
    """The photo in grey, reduced by a whole divisor or doubled."""
    height, width = pixels.shape[:2]
    if factor < 1.0:
        parts = round(1.0 / factor)
        size = (width // parts, height // parts)
        pixels = np.asarray(
            cv2.resize(pixels[: size[1] * parts, : size[0] * parts], size, interpolation=cv2.INTER_AREA), dtype=np.uint8
        )
    elif factor > 1.0:
        size = (round(width * factor), round(height * factor))
        pixels = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_CUBIC), dtype=np.uint8)
    return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), dtype=np.uint8)


def _detect(grey: Picture, factor: float) -> dict[int, Array]:
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin = 9
    parameters.adaptiveThreshWinSizeMax = 29
    parameters.adaptiveThreshWinSizeStep = 20
    parameters.minMarkerPerimeterRate = 0.02
    parameters.errorCorrectionRate = 0.4
    quads, ids, _ = cv2.aruco.ArucoDetector(used_dictionary(), parameters).detectMarkers(grey)
    if ids is None:
        return {}
    return {
        int(i): (quad.reshape(4, 2).astype(np.float64) + 0.5) / factor - 0.5 for i, quad in zip(ids.ravel(), quads, strict=True)
    }


def _check_size(markers: Mapping[int, Array]) -> None:
    side = float(np.median([np.sqrt(abs(cv2.contourArea(quad.astype(np.float32)))) for quad in markers.values()]))
    if side < SMALLEST_MARKER_PX:
        raise StripTooSmall(
            f"The strip is there, but its markers are only {side:.0f} pixels wide, too few to measure from.",
            advice="Go closer (25–30 cm), or send the original photo instead of a shrunken copy.",
            evidence={"markers_px": dict(markers)},
        )


def _refine(pixels: Picture, strip: Strip, quads: Mapping[int, Array]) -> Sighting:
    """Inner corners of a strip: predicted from its markers, then found to a fraction of a pixel in the full photo.

    Where markers could not be read, or a strip is curled, the corners found so far predict their neighbours, round after round.
    """
    numbers = [marker_id - strip.first_id for marker_id in quads]
    printed, seen = strip.markers_mm[numbers].reshape(-1, 2), np.concatenate(list(quads.values()))
    nothing = Sighting(strip, np.zeros(0, dtype=np.int64), np.zeros((0, 2)))
    guess = _predict(strip, printed, seen)
    if guess is None:
        return nothing
    whole = np.concatenate([guess.corners_px, seen])
    margin = 2.0 * float(guess.reach_px.max() + EDGE_PX)
    size = np.array(pixels.shape[1::-1])
    low = np.clip(np.floor(whole.min(axis=0) - margin).astype(int), 0, size - 1)
    high = np.clip(np.ceil(whole.max(axis=0) + margin).astype(int) + 1, low + 1, size)
    grey = np.asarray(
        cv2.cvtColor(np.ascontiguousarray(pixels[low[1] : high[1], low[0] : high[0]]), cv2.COLOR_RGB2GRAY), dtype=np.uint8
    )
    found: dict[int, Array] = {}
    for _ in range(MOST_ROUNDS):
        more = _corners(grey, guess, strip, low, known=found)
        found |= more
        if not more or len(found) == len(strip.corners_mm):
            break
        at = sorted(found)
        grown = _predict(
            strip, np.concatenate([printed, strip.corners_mm[at]]), np.concatenate([seen, [found[number] for number in at]])
        )
        if grown is None:
            break
        guess = grown
    markers, markers_px = _refine_markers(grey, low, strip, numbers, quads, guess.px_per_mm)
    at = sorted(found)
    corners_px = np.array([found[number] for number in at], dtype=float).reshape(-1, 2)
    return Sighting(strip, np.array(at, dtype=np.int64), corners_px, markers=markers, markers_px=markers_px)


@dataclass(frozen=True, slots=True, eq=False)
class _Guess:
    """Where a strip's inner corners should be: by a plane, by a plane and what is bent off it, and how far they may be off [px]."""

    plane: Array
    middles_px: Array
    corners_px: Array
    reach_px: Array
    px_per_mm: float


def _predict(strip: Strip, printed: Array, seen: Array) -> _Guess | None:
    """A plane through what was seen of a strip, bent to follow it; None where no plane fits."""
    fitted, _ = cv2.findHomography(printed, seen, cv2.RANSAC, 4.0 + 0.003 * float(np.ptp(seen)))
    if fitted is None:
        return None
    plane, corners_mm = np.asarray(fitted, dtype=np.float64), strip.corners_mm
    middles = _mapped(plane, corners_mm)
    predicted = middles + _bend(printed, seen - _mapped(plane, printed), corners_mm, strip.square_mm)
    grown = _mapped(plane, np.concatenate([corners_mm + d for d in ([0.5, 0], [0, 0.5], [-0.5, 0], [0, -0.5])]))
    grown = grown.reshape(4, -1, 2)
    px_per_mm = np.minimum(np.hypot(*(grown[0] - grown[2]).T), np.hypot(*(grown[1] - grown[3]).T))
    inset = 0.5 * (strip.square_mm - strip.marker_mm)
    return _Guess(plane, middles, predicted, np.clip(0.85 * inset * px_per_mm, 2.0, 40.0), float(np.median(px_per_mm)))


def _corners(
    grey: Picture, guess: _Guess, strip: Strip, low: NDArray[np.int64], *, known: Mapping[int, Array]
) -> dict[int, Array]:
    """Corners not known yet that are found where they should be, by number, in the photo's pixels."""
    height, width = grey.shape
    found: dict[int, Array] = {}
    for number, (start, reach) in enumerate(zip(guess.corners_px - low, guess.reach_px, strict=True)):
        edge = reach + EDGE_PX
        if number in known or (start <= edge).any() or (start >= np.array([width - 1, height - 1]) - edge).any():
            continue
        corner = _saddle(grey, start, float(reach))
        if corner is None:
            continue
        in_photo = corner + low
        if _checkered(grey, guess.plane, low, strip.corners_mm[number], in_photo - guess.middles_px[number], strip):
            found[number] = in_photo
    return found


def _refine_markers(
    grey: Picture, low: NDArray[np.int64], strip: Strip, numbers: list[int], quads: Mapping[int, Array], px_per_mm: float
) -> tuple[NDArray[np.int64], Array]:
    """Middles of whole markers in the full photo; a corner's window stays inside the black border and the white about it."""
    half = int(np.clip(0.65 * strip.marker_mm / 8 * px_per_mm, 2, 25))
    kept, found = [], []
    for number, quad in zip(numbers, quads.values(), strict=True):
        start = quad - low
        if (start < half + 3).any() or (start > np.array(grey.shape[::-1]) - half - 4).any():
            continue
        refined = _sub_pixel(grey, start, half)
        if np.hypot(*(refined - start).T).max() <= max(1.5, 0.8 * half):
            kept.append(number)
            found.append(refined.mean(axis=0) + low)
    return np.array(kept, dtype=np.int64), np.array(found, dtype=float).reshape(-1, 2)


def _mapped(plane: Array, points: Array) -> Array:
    mapped = cv2.perspectiveTransform(points.reshape(-1, 1, 2).astype(float), plane)
    return np.asarray(mapped, dtype=np.float64).reshape(-1, 2)


def _bend(printed: Array, misses: Array, at: Array, square_mm: float) -> Array:
    """What a plane misses, at other places of the strip: a parabola along it for curl, and near what was seen what is left of it [px]."""
    x, there = printed[:, 0] / STRIP_SCALE_MM, at[:, 0] / STRIP_SCALE_MM
    terms, wanted = (np.stack([np.ones_like(v), v, v * v], axis=1) for v in (x, there))
    slack = np.diag([0.0, 0.0, CURL_SLACK])
    curl = np.linalg.lstsq(np.concatenate([terms, slack]), np.concatenate([misses, np.zeros((3, 2))]), rcond=None)[0]
    left = misses - terms @ curl
    distance = np.linalg.norm(printed[None] - at[:, None], axis=2) / square_mm
    weight = np.exp(-0.5 * distance**2) + 1e-9
    bend: Array = wanted @ curl + weight @ left / weight.sum(axis=1, keepdims=True)
    return bend


def _saddle(grey: Picture, start: Array, reach: float) -> Array | None:
    """The corner near a start, where every edge in the window points to (OpenCV's cornerSubPix); None when it runs away."""
    found = _sub_pixel(grey, start[None], int(round(reach)))[0]
    return found if float(np.hypot(*(found - start))) <= max(1.5, 0.6 * reach) else None


def _sub_pixel(grey: Picture, starts: Array, half: int) -> Array:
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.003)
    points = np.ascontiguousarray(starts, dtype=np.float32).reshape(-1, 1, 2)
    return np.asarray(cv2.cornerSubPix(grey, points, (half, half), (-1, -1), criteria), dtype=float).reshape(-1, 2)


def _checkered(grey: Picture, plane: Array, low: NDArray[np.int64], corner_mm: Array, moved: Array, strip: Strip) -> bool:
    """Whether the four squares about a corner are light and dark by turns, as printed: hidden corners are not."""
    offset = 0.4 * (strip.square_mm - strip.marker_mm) / 2
    about = corner_mm + offset * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    x, y = np.round(_mapped(plane, about) + moved - low).astype(int).T
    if x.min() < 0 or y.min() < 0 or x.max() >= grey.shape[1] or y.max() >= grey.shape[0]:
        return False
    values = grey[y, x].astype(float)
    column, row = np.round(corner_mm / strip.square_mm).astype(int)
    dark_first = (column + row) % 2 == 0  # the square up and to the left of it is black
    dark, light = (values[::2], values[1::2]) if dark_first else (values[1::2], values[::2])
    return bool(light.min() - dark.max() > 12.0)
