"""How the pages look: the theme's own file, the house colours as CSS variables, and ``look.css``."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

import streamlit as st

from toeline.report.look import ACCENT, GOOD, INK, QUIET, WARN


@cache
def _style() -> str:
    colours = {"accent": ACCENT, "good": GOOD, "ink": INK, "quiet": QUIET, "warn": WARN}
    named = "".join(f"--{name}: {colour};" for name, colour in colours.items())
    return f"<style>:root {{{named}}}\n{files('toeline').joinpath('pages/look.css').read_text(encoding='utf-8')}</style>"


def apply() -> None:
    """Once a page run."""
    st.html(_style())
