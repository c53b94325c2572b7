"""Causes room: why the bead looks like this, and the one thing to change."""

from toeline.causes.diagnosis import reason, reason_from_signs
from toeline.causes.reasoning import Past
from toeline.causes.result import Cause, Diagnosis
from toeline.causes.settings import read_settings
from toeline.causes.signs import Reading, implied_travel, read_signs

__all__ = [
    "Cause",
    "Diagnosis",
    "Past",
    "Reading",
    "implied_travel",
    "read_settings",
    "read_signs",
    "reason",
    "reason_from_signs",
]
