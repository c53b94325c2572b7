"""A photo as read: upright, sRGB, with what its camera said of itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class CameraTag:
    """What the file says of the camera; empty or None where it says nothing.

    Attributes
    ----------
    focal_35mm : float or None
        Focal length in 35 mm film terms [mm]; with the photo's long side it gives the focal length in px.
    zoom : float or None
        Digital zoom [ratio].
    """

    maker: str = ""
    model: str = ""
    lens: str = ""
    focal_35mm: float | None = None
    zoom: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """An upright photo.

    Attributes
    ----------
    name : str
        The file's name, without its folder.
    sha256 : str
        Of the file's bytes.
    pixels : ndarray of uint8, shape (height, width, 3)
        sRGB, red first, EXIF orientation applied, read-only.
    taken_at : str or None
        Local time the camera wrote, ISO 8601.
    camera : CameraTag
    has_exif : bool
    """

    name: str
    sha256: str
    pixels: NDArray[np.uint8]
    taken_at: str | None = None
    camera: CameraTag = CameraTag()
    has_exif: bool = False

    def __post_init__(self) -> None:
        if self.pixels.ndim != 3 or self.pixels.shape[2] != 3 or self.pixels.dtype != np.uint8:
            raise ValueError(f"pixels must be uint8 of shape (h, w, 3), got {self.pixels.dtype} {self.pixels.shape}")
        self.pixels.setflags(write=False)

    @property
    def width_px(self) -> int:
        return int(self.pixels.shape[1])

    @property
    def height_px(self) -> int:
        return int(self.pixels.shape[0])
