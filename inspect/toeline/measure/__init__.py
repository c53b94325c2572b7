"""Stations, legs, widths and the bead's shape."""

from toeline.measure.result import BeadSize, Stations
from toeline.measure.shape import add_shape
from toeline.measure.stations import lift_doubt, measure_bead

__all__ = ["BeadSize", "Stations", "add_shape", "lift_doubt", "measure_bead"]
