"""Handing photos in: straight onto the shelf, so that the browser's copy can be let go of."""

from __future__ import annotations

import streamlit as st

from toeline.errors import ToelineError
from toeline.pages.shelf import Shelf
from toeline.pages.state import Key

#: One photo of a tray: hash of its bytes, and its file's name.
Taken = tuple[str, str]


def tray(shelf: Shelf, key: Key, label: str) -> list[Taken]:
    """The photos handed in so far, with the button for more.

    The uploader is made anew after each delivery: it is empty and ready for the next photo, and holds no photo in memory.
    """
    taken: list[Taken] = st.session_state.setdefault(key, [])
    n_deliveries = st.session_state.setdefault(Key.UPLOADS, 0)
    files = st.file_uploader(label, "image", accept_multiple_files=True, key=f"{key}-{n_deliveries}")
    if files:
        try:
            for file in files:
                photo = (shelf.put(file.getvalue()), file.name)
                if photo not in taken:
                    taken.append(photo)
        except ToelineError as trouble:
            st.error(f"{trouble.message} {trouble.advice}")
            return taken
        st.session_state[Key.UPLOADS] = n_deliveries + 1
        st.session_state[f"{key}-newest"] = taken[-1]
        st.session_state[Key.ASKING] = False
        st.rerun()
    return taken


def forget(key: Key) -> None:
    """Empty a tray."""
    st.session_state[key] = []
