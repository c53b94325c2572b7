"""The logbook: what was kept, how a learner gets on, and what a setting does to the spatter."""

from toeline.logbook.store import Entry, Labels, Logbook, default_path
from toeline.logbook.trends import Progress, progress
from toeline.logbook.tuning import Tuning, setting_names, tune

__all__ = ["Entry", "Labels", "Logbook", "Progress", "Tuning", "default_path", "progress", "setting_names", "tune"]
