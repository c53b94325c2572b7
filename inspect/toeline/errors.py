"""What can go wrong, as one small tree. Every error is a sentence for a person.

ToelineError            seen, why it matters, what to do; `reason` is the word in the JSON result
├── BadUsage            the request contradicts itself or names something unknown
├── PhotoUnreadable     not a picture, broken, empty, too large
├── PhotoUnfit          a picture, but nobody could measure in it (black, blurred, …)
├── NoScale             no strip, or not enough of one
│   ├── StripTooSmall   strips there, but too few pixels across a square
│   └── PlatesUnsolved  strips found, but no pose explains them
├── NoBead              no bead found, or not surely enough
├── PhotosDisagree      photos that are said to show one coupon contradict each other
├── CannotMeasure       a bead, but nothing that can be measured at its length, joint or view
└── LogbookTrouble      the logbook can't be opened or written
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType


class ToelineError(Exception):
    """An error with a sentence for a person.

    Parameters
    ----------
    message : str
        What was seen and why it matters.
    advice : str
        What to do about it.
    evidence : mapping, optional
        What was found anyway, for drawing (for instance ``corners_px``).
    """

    reason = "error"

    def __init__(self, message: str, *, advice: str, evidence: Mapping[str, object] | None = None) -> None:
        super().__init__(message)
        self.message = message
        self.advice = advice
        self.evidence: Mapping[str, object] = MappingProxyType(dict(evidence or {}))

    def __str__(self) -> str:
        return f"{self.message} {self.advice}".strip()


class BadUsage(ToelineError):
    """The request contradicts itself or names something unknown."""

    reason = "bad usage"


def cant_write(what: str, where: object, error: OSError) -> BadUsage:
    """The error for a place that was named to write to and does not let itself be written to."""
    why = "there is a file of that name" if isinstance(error, FileExistsError) else error.strerror or error
    return BadUsage(
        f"{what} can't be written to {where} ({why}).", advice="Name another place, or check its folder and its permissions."
    )


class PhotoUnreadable(ToelineError):
    """The file is not a picture that can be read."""

    reason = "photo unreadable"


class PhotoUnfit(ToelineError):
    """The picture can be read, but nothing in it can be measured."""

    reason = "photo unfit"


class NoScale(ToelineError):
    """No strip found, or not enough of one."""

    reason = "no scale"


class StripTooSmall(NoScale):
    """A strip is there, but spans too few pixels."""

    reason = "strip too small"


class PlatesUnsolved(NoScale):
    """Strips were found, but no pose of the plates explains them."""

    reason = "plates unsolved"


class NoBead(ToelineError):
    """No bead found, or not surely enough."""

    reason = "no bead"


class CannotMeasure(ToelineError):
    """There is a bead, but nothing on it can be measured."""

    reason = "cannot measure"


class PhotosDisagree(ToelineError):
    """Photos that are said to show one coupon contradict each other."""

    reason = "photos disagree"


class LogbookTrouble(ToelineError):
    """The logbook can't be opened, read or written."""

    reason = "logbook trouble"
