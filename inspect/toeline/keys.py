"""Tables that people write by hand: a key that nobody reads is an error, not a silence."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from toeline.errors import BadUsage


def check_keys(table: Mapping[str, Any], needed: Iterable[str], optional: Iterable[str], where: str) -> None:
    """Raise ``BadUsage`` where a key is missing or nobody reads it, naming the valid ones.

    Parameters
    ----------
    where : str
        What the table is, to begin the sentence with.
    """
    need, may = tuple(needed), tuple(optional)
    unknown = [key for key in table if key not in need and key not in may]
    if unknown:
        raise BadUsage(
            f"{where} has the key {unknown[0]!r}, which nobody reads.", advice=f"Valid keys: {', '.join((*need, *may))}."
        )
    missing = [key for key in need if key not in table]
    if missing:
        raise BadUsage(f"{where} lacks the key {missing[0]!r}.", advice=f"Needed keys: {', '.join(need)}.")
