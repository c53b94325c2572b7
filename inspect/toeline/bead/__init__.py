"""Bead room."""
