"""Bead room: the plates laid flat, and the bead with its two toe lines."""

from toeline.bead.breaks import with_breaks
from toeline.bead.evidence import Evidence, classical_evidence
from toeline.bead.finding import find_bead, find_readings
from toeline.bead.learned import look
from toeline.bead.view import CouponView, unfold

__all__ = ["CouponView", "Evidence", "classical_evidence", "find_bead", "find_readings", "look", "unfold", "with_breaks"]
