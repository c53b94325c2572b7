"""What is believed before a photo is looked at: the priors of the solve, each with its standard uncertainty.

Every entry becomes a named, independent source in the budget of each length. Values without a source are common
practice or this project's own judgement, and say so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import hypot

from toeline.coupon import Scaling

DIAGONAL_35MM_MM = hypot(36.0, 24.0)
"""Diagonal of the 36 × 24 mm film frame, to which 35 mm equivalent focal lengths refer (CIPA DCG-001, from memory) [mm]."""


@dataclass(frozen=True, slots=True)
class LensPrior:
    """What is believed of the lens: means and standard uncertainties.

    Attributes
    ----------
    focal_px, focal_u_ratio, focal_dof : float
        Focal length [px], its relative uncertainty [ratio], and the degrees of freedom of its Student distribution:
        low is heavy-tailed, for cropped photos, zooms that the camera did not write, and makers who round.
    centre_px, centre_u_px : (float, float)
        Principal point [px].
    distortion, distortion_u : (float, float, float, float)
        k1, k2, p1, p2 [ratio].
    known : bool
        False when nothing but the kind of camera (a phone) is known.
    """

    focal_px: float
    focal_u_ratio: float
    centre_px: tuple[float, float]
    centre_u_px: tuple[float, float]
    distortion: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    distortion_u: tuple[float, float, float, float] = (0.02, 0.02, 2e-4, 2e-4)
    focal_dof: float = 4.0
    known: bool = True


def lens_prior(width_px: int, height_px: int, focal_35mm: float | None) -> LensPrior:
    """What the photo's size and its 35 mm equivalent focal length say of the lens; without that, any phone's lens.

    Makers round to whole millimetres (up to 2 %), and some refer to the frame's long side (4 % off for 4:3 photos):
    2.5 % with heavy tails. The centre within 0.5 % of the diagonal, and the distortion that phones leave after their own
    correction: own judgement.
    """
    diagonal = hypot(width_px, height_px)
    known = focal_35mm is not None and 10.0 <= focal_35mm <= 400.0
    equivalent = focal_35mm if known and focal_35mm is not None else 35.0
    wide = min(1.0, 26.0 / equivalent)
    return LensPrior(
        focal_px=equivalent / DIAGONAL_35MM_MM * diagonal,
        focal_u_ratio=0.025 if known else 0.5,
        centre_px=((width_px - 1) / 2, (height_px - 1) / 2),
        centre_u_px=(0.005 * diagonal, 0.005 * diagonal),
        distortion_u=(0.025 * wide, 0.025 * wide, 2.5e-4, 2.5e-4),
        known=known,
    )


@dataclass(frozen=True, slots=True)
class StripPrior:
    """How one strip lies on its plate: means are zero but for the thickness [mm].

    Attributes
    ----------
    thickness_mm, thickness_u_mm : float
        Printed face above the strip's underside.
    stand_off_u_mm : float
        Underside above the plate's face; a stiff strip that rides on droplets stays flat, so the photo can't show it.
    rocking_u_mm : float
        One edge higher than the other, from the middle to the chessboard's edge, along and across.
    curl_u_mm : float
        Both ends above the middle of the chessboard.
    """

    thickness_mm: float
    thickness_u_mm: float
    stand_off_u_mm: float
    rocking_u_mm: float
    curl_u_mm: float


@dataclass(frozen=True, slots=True)
class Budget:
    """All priors of one photo.

    Attributes
    ----------
    corner_u_px : float
        Expected noise of a corner; the corners' own residuals correct it [px].
    corner_dof : float
        How firmly that is believed, in degrees of freedom.
    """

    lens: LensPrior
    strips: Mapping[str, StripPrior]
    print_factor: tuple[float, float]
    print_factor_u: tuple[float, float]
    plate_angle_deg: float = 90.0
    plate_angle_u_deg: float = 3.0
    corner_u_px: float = 0.1
    corner_dof: float = 8.0


THICKNESS_U_MM = 0.03
"""Of a strip measured with a calliper reading to 0.05 mm (own judgement) [mm]."""
THICKNESS_ASSUMED_MM, THICKNESS_ASSUMED_U_MM = 0.1, 0.3
"""Plain paper where nobody said, and that it might as well be magnet sheet (own judgement) [mm]."""


def thickness_said(letter: str, scaling: Scaling) -> float | None:
    """The thickness that a person gave for that strip; None where nobody said [mm]."""
    said = scaling.strip_thickness_mm
    return said.get(letter) if isinstance(said, Mapping) else said


def strip_prior(letter: str, scaling: Scaling) -> StripPrior:
    """How that strip is believed to lie, from what a person said of thickness and plate. Stand-off: own judgement."""
    thickness = thickness_said(letter, scaling)
    scraped = scaling.plate_scraped
    return StripPrior(
        thickness_mm=THICKNESS_ASSUMED_MM if thickness is None else thickness,
        thickness_u_mm=THICKNESS_ASSUMED_U_MM if thickness is None else THICKNESS_U_MM,
        stand_off_u_mm=0.04 if scraped else 0.12,
        rocking_u_mm=0.01 if scraped else 0.02,
        curl_u_mm=0.1,
    )
