"""Grading room: marks for practice by a rubric that is data."""

from toeline.grading.rubric import Criterion, GradeSheet, Mark, Rubric, grade, load_rubric, read_rubric

__all__ = ["Criterion", "GradeSheet", "Mark", "Rubric", "grade", "load_rubric", "read_rubric"]
