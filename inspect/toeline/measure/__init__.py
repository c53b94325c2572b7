"""Measure room."""
