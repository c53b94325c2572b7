"""Limits room: within or beyond, by how much, and by which source."""

from toeline.limits.result import Outcome, Verdict
from toeline.limits.rules import LimitRule, LimitSet, load_limit_sets
from toeline.limits.verdict import ABOUT, judge, outcome

__all__ = ["ABOUT", "LimitRule", "LimitSet", "Outcome", "Verdict", "judge", "load_limit_sets", "outcome"]
