"""Limits room."""
