"""Likely causes, with the evidence for and against and the one thing to change."""

from __future__ import annotations

from dataclasses import dataclass


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


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """All causes, most likely first, and what would tell the first two apart.

    ``next_change`` names the cause whose change has the best expected gain (None: change nothing).
    """

    causes: tuple[Cause, ...]
    next_change: str | None = None
    tell_apart: str = ""
    notes: tuple[str, ...] = ()
