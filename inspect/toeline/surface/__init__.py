"""Signs on the surface that a person should check by eye."""

from toeline.surface.learned import read_straight
from toeline.surface.places import breaks
from toeline.surface.result import SurfaceSign
from toeline.surface.signs import find_signs

__all__ = ["SurfaceSign", "breaks", "find_signs", "read_straight"]
