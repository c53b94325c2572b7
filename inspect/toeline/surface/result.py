"""Signs on the surface, each 'looks like, check by eye'."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SurfaceSign:
    """Something on bead or plate that looks like an imperfection.

    Attributes
    ----------
    sign : str
        ``pores``, ``crater unfilled``, ``slag left on``, ``undercut``, ``overlap``, ``cold start``, ``melt-through``, ``wire left``,
        ``arc strike``, ``ripple pointed``, ``dull face``, ``soot``, ``convex face``, ``flat face``, ``heat tint``.
    probability : float
    along_mm, length_mm : float
        Where it begins along the bead and how far it runs [mm].
    toe : str
        The toe it lies at, or empty.
    x_px, y_px : float
        Its middle in the upright photo [px].
    size_mm : float
        Its size where it has one (pore diameter, tint width), else 0 [mm].
    """

    sign: str
    probability: float
    along_mm: float
    length_mm: float
    toe: str = ""
    x_px: float = 0.0
    y_px: float = 0.0
    size_mm: float = 0.0
