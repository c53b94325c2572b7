"""Logbook room."""
