"""Likely causes, with the evidence for and against and the one thing to change."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from toeline.quantity import Measured


@dataclass(frozen=True, slots=True)
class Cause:
    """One possible cause.

    Attributes
    ----------
    cause : str
        Short name, for instance ``travel speed too fast``.
    probability : float
    evidence_for, evidence_against : tuple of str
        Reasons in plain words with the numbers, strongest first.
    change, expect, otherwise : str
        What to change, what to expect next time if that was it, what to suspect if not.
    caution : str
        The caution that belongs to the change; may be empty.
    source : str
        Where the links come from.
    key : str
        Its name in the process's table, by which a change can be linked to the next coupon.
    kind : str
        ``technique``, ``settings`` or ``condition``.
    check : str
        What would settle it at the bench.
    gain : float
        Expected faults cured by trying its change, less the cost of trying [faults].
    """

    cause: str
    probability: float
    evidence_for: tuple[str, ...]
    evidence_against: tuple[str, ...]
    change: str
    expect: str
    otherwise: str = ""
    caution: str = ""
    source: str = ""
    key: str = ""
    kind: str = ""
    check: str = ""
    gain: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Travel:
    """How fast the hand moved, as the fillet's local size tells it.

    Attributes
    ----------
    along_mm, speed_ratio : ndarray, shape (n,)
        Place on the steady part [mm], and speed there over its mean [ratio].
    mean_mm_per_min : Measured or None
        The mean, where wire and feed are known [mm/min].
    """

    along_mm: NDArray[np.float64]
    speed_ratio: NDArray[np.float64]
    mean_mm_per_min: Measured | None


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """All causes, most likely first, and what would tell the first two apart.

    ``next_change`` names the cause whose change has the best expected gain (None: change nothing). ``signs`` keeps, by name, how
    surely each sign was there by its reading alone, and ``quantities`` the numbers behind them: what the next coupon needs of this one
    (see :class:`toeline.causes.Past`). ``lessons`` says what the outcome of earlier changes taught; ``travel`` where the hand was slow.
    ``first`` is what has to be done or told before any change in the weld is worth naming; empty where nothing stands in the way.
    """

    causes: tuple[Cause, ...]
    next_change: str | None = None
    tell_apart: str = ""
    notes: tuple[str, ...] = ()
    signs: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    quantities: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    lessons: tuple[str, ...] = ()
    travel: Travel | None = None
    first: str = ""
