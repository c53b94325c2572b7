"""Measure a weld bead from one photo taken beside a printed scale strip."""

__version__ = "0.1.0"
