"""What the whole server shares: the shelf, the one limit on work under way, the logbook."""

from __future__ import annotations

import atexit
import os
import tempfile
from pathlib import Path
from threading import Semaphore

import streamlit as st

from toeline.errors import LogbookTrouble
from toeline.logbook import Logbook
from toeline.pages.shelf import Shelf


@st.cache_resource(on_release=Shelf.clear)
def shelf() -> Shelf:
    """Photos on disk for this run of the server."""
    made = Shelf(Path(tempfile.mkdtemp(prefix="toeline-")))
    atexit.register(made.clear)
    return made


@st.cache_resource
def turn() -> Semaphore:
    """One inspection for every two cores at the same time: each uses more than one, and a large photo takes a gigabyte."""
    return Semaphore(max(1, (os.cpu_count() or 1) // 2))


@st.cache_resource(on_release=Logbook.close)
def _open_logbook() -> Logbook:
    return Logbook()


def logbook() -> Logbook | None:
    """The logbook; where it can't be opened, None and one sentence on the page."""
    try:
        return _open_logbook()
    except LogbookTrouble as trouble:
        st.error(f"{trouble.message} {trouble.advice}")
        return None
