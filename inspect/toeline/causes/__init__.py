"""Causes room."""
