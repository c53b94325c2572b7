"""Spatter room."""
