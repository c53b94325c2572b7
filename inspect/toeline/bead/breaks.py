"""Tacks and restarts that were seen on the face, taken out of a bead's steady part."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from toeline.bead.doubts import short_doubt
from toeline.bead.parts import between, hump_and_dip
from toeline.bead.result import Bead, Part

__all__ = ["with_breaks"]


def with_breaks(bead: Bead, seen: tuple[Part, ...]) -> Bead:
    """A bead whose steady part leaves these stretches out.

    Parameters
    ----------
    bead : Bead
        With millimetres.
    seen : tuple of Part
        Tacks and restarts along the bead; what lies in its start or crater stays theirs, and what touches a restart that the lines
        told already goes with it.
    """
    along = bead.along_mm
    steady = [part for part in bead.parts if part.kind == "steady"]
    if not steady or not seen:
        return bead
    low, high = min(part.from_mm for part in steady), max(part.to_mm for part in steady)
    inner = [part for part in bead.parts if part.kind != "steady" and part.from_mm >= low and part.to_mm <= high]
    rest = [part for part in bead.parts if part.kind != "steady" and part not in inner]
    fresh: list[Part] = []
    for part in seen:
        a, b = max(part.from_mm, low), min(part.to_mm, high)
        touched = [hole for hole in inner if hole.from_mm <= b and hole.to_mm >= a]
        if b <= a:
            continue
        if touched:
            inner.remove(touched[0])
            inner.append(replace(touched[0], from_mm=min(a, touched[0].from_mm), to_mm=max(b, touched[0].to_mm)))
        else:
            fresh.append(replace(part, from_mm=a, to_mm=b))
    across = [toe.across_mm for toe in bead.toes.values()]
    folded = len({toe.plate for toe in bead.toes.values()}) > 1
    width = np.abs(across[0]) + np.abs(across[1]) if folded else np.abs(across[1] - across[0])
    holes = [*inner, *(hump_and_dip(part, along, width, (), [*inner, *fresh]) for part in fresh)]
    left = [Part("steady", *span) for span in between(low, high, sorted((part.from_mm, part.to_mm) for part in holes))]
    parts = tuple(sorted((*rest, *holes, *left), key=lambda part: part.from_mm))
    flags = tuple(flag for flag in bead.flags if flag.name != "short-bead")
    return replace(bead, parts=parts, flags=(*flags, *short_doubt(parts)))
