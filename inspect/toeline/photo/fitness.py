"""Is this photo fit to measure, and if not, what would help?

Two looks: :func:`check_photo` at the whole picture before anything is found (black, white, hopelessly blurred: refused), and
:func:`check_bead` at the region that matters once it is known (flags with advice).

All measures are own definitions; the thresholds were set on photos spoilt on purpose (blur, darkness, glare of known size) and are
deliberately mild: a flag must mean something.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.errors import PhotoUnfit
from toeline.flags import Flag
from toeline.photo.result import Photo

Grey = NDArray[np.uint8]
Mask = NDArray[np.bool_]
Levels = NDArray[np.float64]

#: A picture whose brightest percent stays below this is black [grey level].
BLACK = 20
#: A picture whose darkest percent stays above this is white [grey level].
WHITE = 245
#: Burnt out from this level on [grey level].
BURNT = 252


def check_photo(photo: Photo) -> tuple[Flag, ...]:
    """Whole-picture check, before anything is found.

    Raises
    ------
    PhotoUnfit
        Black, white, or without any detail.
    """
    small = _small_grey(photo)
    low, high = np.percentile(small, (1, 99))
    if high < BLACK:
        raise PhotoUnfit("The photo is black: nothing can be seen in it.", advice="Take it again with light from the side.")
    if low > WHITE:
        raise PhotoUnfit("The photo is burnt out to white.", advice="Take it again with less light or a lower exposure.")
    if high - low < 8:
        raise PhotoUnfit(
            "The photo shows one even grey: no bead and no strip can be told apart.", advice="Point the camera at the coupon."
        )
    flags = []
    if not photo.has_exif:
        flags.append(Flag("no-exif"))
    if _banding_ratio(small) > 0.6:
        flags.append(Flag("lamp-banding"))
    if _falloff_ratio(small) < 0.25:
        flags.append(Flag("corner-shadow"))
    return tuple(flags)


def check_bead(grey: Grey, bead: Mask, *, px_per_mm: float) -> tuple[Flag, ...]:
    """Check of the region that matters, in the coupon view or the photo.

    Parameters
    ----------
    grey : ndarray of uint8, shape (h, w)
    bead : ndarray of bool, shape (h, w)
        The bead and a margin of plate around it.
    px_per_mm : float
        Pixels of the *photo* to the millimetre there [px/mm].
    """
    inside = grey[bead]
    if inside.size < 100:
        return ()
    flags = []
    if float(np.percentile(inside, 90)) < 50:
        flags.append(Flag("too-dark"))
    burnt = float(np.mean(inside >= BURNT))
    if burnt > 0.06:
        flags.append(Flag("too-bright", f"{100 * burnt:.0f} % of the bead's surroundings"))
    if edge_width_px(grey, bead) > 6.0:
        flags.append(Flag("blurred"))
    if px_per_mm < 6:
        flags.append(Flag("low-resolution", f"{px_per_mm:.1f} px per mm"))
    return tuple(flags)


def check_strips(black: Levels, white: Levels) -> tuple[Flag, ...]:
    """Check of the printed strips, whose black and white are known.

    Parameters
    ----------
    black, white : ndarray, shape (n,), (m,)
        Grey levels where the print is black and where the paper is bare.

    Notes
    -----
    Print and matt paper reflect about 5 % and 80 % of the light, so in sRGB black stands near a quarter of white (0.06 ** (1 / 2.2) = 0.28).
    Stray light from a smeared lens lifts black towards white (own definition, own threshold).
    """
    if len(black) < 8 or len(white) < 8:
        return ()
    flags = []
    dark, bright = float(np.median(black)), float(np.median(white))
    if bright > 60 and dark / bright > 0.62:
        flags.append(Flag("smeared-lens", f"black print at {100 * dark / bright:.0f} % of white paper"))
    if float(np.mean(white >= BURNT)) > 0.3:
        flags.append(Flag("too-bright", "the strip's paper"))
    if bright < 45:
        flags.append(Flag("too-dark", "the strip"))
    return tuple(flags)


def edge_width_px(grey: Grey, region: Mask) -> float:
    """Width of the sharpest edges in a region: grey-level step over steepest slope, the median of the strongest fiftieth [px].

    An ideal step reads about 2 px with the 3 × 3 derivative used here; a Gaussian blur of standard deviation s about 2.5 s.
    """
    smooth = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), 0.7)
    dx = cv2.Scharr(smooth, cv2.CV_32F, 1, 0) / 32
    dy = cv2.Scharr(smooth, cv2.CV_32F, 0, 1) / 32
    slope = np.hypot(dx, dy)
    step = (cv2.dilate(smooth, np.ones((13, 13))) - cv2.erode(smooth, np.ones((13, 13)))).astype(np.float32)
    strong = region & (slope >= np.quantile(slope[region], 0.98)) & (step > 12)
    if np.count_nonzero(strong) < 20:
        return float("inf")
    return float(np.median(step[strong] / np.maximum(slope[strong], 1e-6)))


def _small_grey(photo: Photo, side: int = 400) -> Grey:
    shrink = min(1.0, side / max(photo.width_px, photo.height_px))
    small = cv2.resize(photo.pixels, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), dtype=np.uint8)


def _banding_ratio(small: Grey) -> float:
    """Share of the row (or column) medians' variation in one regular wave of 5 to 60 periods and at least 3 grey levels' amplitude."""
    best = 0.0
    for axis in (0, 1):
        profile = np.median(small, axis=axis).astype(np.float64)
        trend = cv2.GaussianBlur(profile.reshape(1, -1), (0, 0), len(profile) / 12).ravel()
        window = np.hanning(len(profile))
        power = np.abs(np.fft.rfft((profile - trend) * window)) ** 2
        peak = 5 + int(np.argmax(power[5:61]))
        wave = float(power[peak - 1 : peak + 2].sum())
        amplitude = 2 * np.sqrt(wave) / float(window.sum())
        if amplitude >= 3:
            best = max(best, wave / float(power[2:].sum()))
    return best


def _falloff_ratio(small: Grey) -> float:
    """Brightness of the darkest corner over that of the middle."""
    h, w = small.shape
    ch, cw = h // 6, w // 6
    corners = [small[:ch, :cw], small[:ch, -cw:], small[-ch:, :cw], small[-ch:, -cw:]]
    middle = float(np.median(small[h // 3 : 2 * h // 3, w // 3 : 2 * w // 3]))
    return min(float(np.median(c)) for c in corners) / max(middle, 1.0)
