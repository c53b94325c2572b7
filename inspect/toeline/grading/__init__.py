"""Grading room."""
