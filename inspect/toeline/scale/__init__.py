"""Scale room: strips, plates and lens, and how surely pixels turn into millimetres."""

from toeline.scale.find import find_scale

__all__ = ["find_scale"]
