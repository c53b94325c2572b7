"""Inspect: photos in; at once a word on each, then the picture, the numbers, the causes, and Save."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import streamlit as st

from toeline.logbook import Logbook
from toeline.pages import ask, droplets, hand, save, server, show, tell
from toeline.pages.shelf import Shelf
from toeline.pages.state import Key
from toeline.pages.uploads import Taken, forget, tray
from toeline.pages.work import Asked, inspected, inspected_together
from toeline.report.summary import unsaid_strips


def page() -> None:
    """Draw the page."""
    st.title("Inspect a bead")
    book = server.logbook()
    asked = ask.coupon_and_scale(book)
    shelf = server.shelf()
    taken = tray(shelf, Key.TRAY, "Photos of finished beads, each beside its strips")
    if not taken:
        st.markdown(
            "Let the coupon cool by itself, slag off. Lay the strips beside the bead, tip a tee so that both plates face you, "
            "25–30 cm away, light from the side. The **Strips** page has the strips to print and shows how."
        )
        return
    if asked is None:
        return
    if _one_coupon(taken):
        _together(book, shelf, taken, asked)
    else:
        _alone(book, shelf, taken, asked)
    if st.button("Put these photos away", width="stretch", key="inspect-clear"):
        forget(Key.TRAY)
        st.rerun()


def _one_coupon(taken: list[Taken]) -> bool:
    """Whether a person said that all photos of the tray show one coupon."""
    if len(taken) < 2:
        return False
    return st.toggle(
        f"These {len(taken)} photos show one coupon",
        help="Then they are solved together and give one result: taken from different sides, strips left where they lie, they make "
        "the numbers surer and show more plate.",
        key=Key.ONE_COUPON,
    )


def _together(book: Logbook | None, shelf: Shelf, taken: list[Taken], asked: Asked) -> None:
    """One result from all photos."""
    asked = tell.more(book, taken[0][0], asked)
    with st.spinner("Measuring …", show_time=True):
        shown = inspected_together(shelf, server.turn(), taken, asked)
    if shown.record is not None:
        show.strips(unsaid_strips(shown.record, asked.scaling.strip_thickness_mm))
    show.whole(shown, below_picture=None if shown.record is None else partial(show.each_photo, shown.record))
    if shown.record is not None and not shown.record["refused"]:
        save.form(book, shown, shelf.photo(shown.photo))


def _alone(book: Logbook | None, shelf: Shelf, taken: list[Taken], asked: Asked) -> None:
    """One photo, the newest or the one tapped."""
    photo, name = _picked(taken)
    asked = hand.asked_with(tell.more(book, photo, asked), photo)
    asked = replace(asked, plate_photo=_before(shelf))
    with st.spinner("Measuring …", show_time=True):
        first = inspected(shelf, server.turn(), photo, name, asked)
        said = shelf.corrections(photo)
        shown = inspected(shelf, server.turn(), photo, name, replace(asked, corrections=said)) if said else first
    if shown.record is not None:
        show.strips(unsaid_strips(shown.record, asked.scaling.strip_thickness_mm))
    show.whole(shown, below_picture=partial(hand.correct, shown, photo, asked))
    if first.record is not None and shown.record is not None and not shown.record["refused"]:
        droplets.sheet(shelf, photo, name, first.record)
        save.form(book, shown, shelf.photo(photo))


def _before(shelf: Shelf) -> str | None:
    """The photo of the plates before this bead, if there is one."""
    with st.expander("A photo of the plates before this bead: its spatter is taken off"):
        st.caption("Best with the strips left where they are. It goes for all photos above.")
        taken = tray(shelf, Key.BEFORE, "Photo of the plates before this bead")
        if not taken:
            return None
        st.text(f"{taken[-1][1]} is taken off the count.")
        if st.button("Leave it out", key="inspect-before-clear"):
            forget(Key.BEFORE)
            st.rerun()
        return taken[-1][0]


def _picked(taken: list[Taken]) -> Taken:
    """The photo to show: the newest, or the one tapped."""
    newest = st.session_state.pop(f"{Key.TRAY}-newest", None)
    if newest in taken:
        st.session_state[Key.PICKED] = newest
    if len(taken) == 1:
        return taken[0]
    if st.session_state.get(Key.PICKED) not in taken:
        st.session_state[Key.PICKED] = taken[-1]
    return st.pills("Photos", taken, required=True, format_func=lambda photo: photo[1], key=Key.PICKED) or taken[-1]
