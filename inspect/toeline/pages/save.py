"""Save: whose coupon, which one, and one large button."""

from __future__ import annotations

from dataclasses import replace

import streamlit as st

from toeline.errors import LogbookTrouble
from toeline.logbook import Labels, Logbook
from toeline.pages import ask
from toeline.pages.shelf import Shown
from toeline.pages.state import Key


def form(book: Logbook | None, shown: Shown, photo: bytes) -> None:
    """The form under a measured photo; nothing typed is lost when saving fails."""
    st.subheader("Save to the logbook")
    if book is None or shown.record is None:
        st.caption("No logbook is open, so this can't be saved.")
        return
    now = ask.choices(book)
    learner = st.text_input(
        "Learner", value=now.learner, key=Key.LEARNER, persist_state="session", placeholder="a name or a number"
    )
    coupon = st.text_input("Coupon", key=f"{Key.COUPON}-{shown.photo}", placeholder="its mark, such as T-07")
    note = st.text_input("Note", key=f"{Key.NOTE}-{shown.photo}", placeholder="what was tried")
    if not st.button("Save", type="primary", width="stretch", key=Key.SAVE):
        return
    ask.keep(book, replace(now, learner=learner))
    try:
        entry = book.save(shown.record, photo, overlay=shown.overlay, labels=Labels(learner, coupon, "", note))
    except LogbookTrouble as trouble:
        st.error(f"{trouble.message} {trouble.advice} The numbers stay on this page.")
        return
    st.success(f"Saved as number {entry.id}. It is in the logbook now.")
