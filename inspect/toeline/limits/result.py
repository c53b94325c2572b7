"""A verdict that keeps its reason."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Outcome = Literal["within", "beyond", "too close to call", "not measurable from a photo"]


@dataclass(frozen=True, slots=True)
class Verdict:
    """One limit applied to one measure.

    Attributes
    ----------
    measure : str
        Key of the measure, with its unit at the end.
    title : str
        The limit in a few words for a person.
    value, u, limit, margin : float or None
        In the measure's unit; ``margin`` is positive on the good side.
    length_share : float or None
        Share of the steady part's length beyond the limit [ratio].
    outcome : str
    source : str
        Limit set, clause, edition and status (seen / from memory / house rule).
    note : str
        What a person must know beside it; may be empty.
    missing : str
        What has to be told or shown before there can be an answer, where that is all that is missing; else empty.
    """

    measure: str
    title: str
    value: float | None
    u: float | None
    limit: float | None
    margin: float | None
    length_share: float | None
    outcome: Outcome
    source: str
    note: str = ""
    missing: str = ""
