"""Scale room: strips, plates and lens, and how surely pixels turn into millimetres."""

from toeline.scale.find import find_scale
from toeline.scale.solution import Scale

__all__ = ["Scale", "find_scale"]
