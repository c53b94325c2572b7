"""The scale of one photo: lens, plates, and how surely rays turn into millimetres.

Frames. Photo [px]: x right, y down, origin at the centre of the top-left pixel. Camera [mm]: x right, y down, z away from
the phone. Plate [mm]: ``along`` the weld, ``across`` the distance from the root on that plate (tee) or a direction square
to ``along`` (flat), ``height`` above the plate's face. On a tee both plates share ``along`` and its origin; seen from the
front of the joint ``along`` grows to the right. So a base plate's frame is left-handed (``across`` points down in the
view), the others are right-handed. The bead room moves the origin of ``along`` (and, on flat plates, the whole frame) to
the bead.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from toeline.flags import Flag
from toeline.quantity import Measured

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Lens:
    """A pinhole with distortion, in OpenCV's convention (opencv.org, calib3d documentation).

    Attributes
    ----------
    focal_px, centre_x_px, centre_y_px : float
        Focal length and principal point [px].
    k1, k2 : float
        Radial distortion [ratio].
    p1, p2 : float
        Tangential distortion [ratio].
    mirrored : bool
        The photo was mirrored left to right: camera x then grows to the left in it.
    """

    focal_px: float
    centre_x_px: float
    centre_y_px: float
    k1: float = 0.0
    k2: float = 0.0
    p1: float = 0.0
    p2: float = 0.0
    mirrored: bool = False

    @property
    def matrix(self) -> Array:
        """The 3 × 3 camera matrix; its first entry is negative for a mirrored photo."""
        focal_x = -self.focal_px if self.mirrored else self.focal_px
        return np.array([[focal_x, 0, self.centre_x_px], [0, self.focal_px, self.centre_y_px], [0, 0, 1.0]])

    @property
    def distortion(self) -> Array:
        """(k1, k2, p1, p2), in OpenCV's order."""
        return np.array([self.k1, self.k2, self.p1, self.p2])


@dataclass(frozen=True, slots=True, eq=False)
class PlateFit:
    """One plate as solved.

    Attributes
    ----------
    name : str
        ``base``, ``standing`` or ``plate``.
    rotation : ndarray, shape (3, 3)
        Columns are the plate's along, across and height axes in the camera frame.
    translation_mm : ndarray, shape (3,)
        The plate frame's origin in the camera frame [mm].
    strips : tuple of str
        Letters of the strips on it.
    strip_outlines_mm : mapping of letter to ndarray, shape (4, 2)
        Where the corners of each strip's paper are seen on the plate, which the paper's height moves a little [mm].
    n_corners : int
        Chessboard corners used.
    residual_px : float
        Root mean square distance of corners from their projection [px].
    """

    name: str
    rotation: Array
    translation_mm: Array
    strips: tuple[str, ...]
    strip_outlines_mm: Mapping[str, Array]
    n_corners: int
    residual_px: float


@dataclass(frozen=True, slots=True, eq=False)
class Scale:
    """How pixels turn into millimetres, and how surely.

    Attributes
    ----------
    source : str
        ``strips``, ``rule``, ``given`` or ``none`` (then 1 px counts as 1 mm and nothing may be told in mm).
    lens : Lens
    plates : tuple of PlateFit
        Base and standing plate of a tee, else one.
    px_per_mm : Measured
        Along the weld in the middle of the photo's plates [px/mm]; the bead room states it at mid-bead.
    plate_angle_deg : Measured or None
        Angle between the plates of a tee [deg].
    effects : mapping of source name to mapping of plate name to ndarray, shape (6,)
        What one standard deviation of each named source does to each plate's pose, as a small motion in the camera
        frame: rotation vector [rad] about the plate's origin, then translation [mm]. Sources are independent of each other.
    lens_effects : mapping of source name to ndarray, shape (7,)
        Change of (focal_px, centre_x_px, centre_y_px, k1, k2, p1, p2) by one standard deviation of the same sources.
    flags : tuple of Flag
    joint_line_px : ndarray, shape (2, 2), or None
        Points beyond both ends of a tee's bead where the line between the plates was seen and entered the solve [px].
    """

    source: str
    lens: Lens
    plates: tuple[PlateFit, ...]
    px_per_mm: Measured
    plate_angle_deg: Measured | None = None
    effects: Mapping[str, Mapping[str, Array]] = field(default_factory=lambda: MappingProxyType({}))
    lens_effects: Mapping[str, Array] = field(default_factory=lambda: MappingProxyType({}))
    flags: tuple[Flag, ...] = ()
    joint_line_px: Array | None = None

    def plate(self, name: str) -> PlateFit:
        """The plate of that name."""
        for plate in self.plates:
            if plate.name == name:
                return plate
        raise KeyError(f"no plate {name!r}; there are {', '.join(p.name for p in self.plates)}")
