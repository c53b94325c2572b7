"""Signs on the surface that a person should check by eye."""

from toeline.surface.result import SurfaceSign
from toeline.surface.signs import find_signs

__all__ = ["SurfaceSign", "find_signs"]
