"""Class: many photos at once, one table against one rubric, any coupon opened, CSV out."""

from __future__ import annotations

from html import escape
from pathlib import PurePath

import streamlit as st

from toeline.errors import LogbookTrouble
from toeline.logbook import Labels, Logbook
from toeline.pages import ask, server, show
from toeline.pages.shelf import Shelf, Shown
from toeline.pages.state import Key
from toeline.pages.uploads import Taken, forget, tray
from toeline.pages.work import Asked, inspected
from toeline.report.class_table import Row, class_row, columns, csv_text
from toeline.report.summary import unsaid_strips


def page() -> None:
    """Draw the page."""
    st.title("Class")
    book = server.logbook()
    asked = ask.coupon_and_scale(book)
    shelf = server.shelf()
    taken = tray(shelf, Key.CLASS_TRAY, "One photo of every coupon, all welded to the same task")
    if not taken:
        st.markdown("Every coupon is judged against the same rubric. Name each photo after its learner, such as `anna-2.jpg`.")
        return
    if asked is None:
        return
    shown = _all(shelf, taken, asked)
    rows = [_row(one) for one in shown]
    said = asked.scaling.strip_thickness_mm
    show.strips(tuple(sorted({letter for one in shown if one.record for letter in unsaid_strips(one.record, said)})))
    st.dataframe(rows, hide_index=True, column_order=columns(rows), placeholder="", key=Key.CLASS_TABLE)
    for row in rows:
        if row.get("remark"):
            show.word("bad", f"<b>{escape(str(row['coupon']))}</b>: {escape(str(row['remark']))}")
    st.download_button("Table as CSV", csv_text(rows), "class.csv", "text/csv", width="stretch", key="class-csv")
    show.caution()
    if book is not None and st.button("Save all that were measured", width="stretch", key="class-save"):
        _save(book, shelf, shown)
    st.subheader("Open a coupon")
    chosen = st.selectbox("Coupon", range(len(shown)), format_func=lambda n: shown[n].name, index=None, key=Key.CLASS_OPEN)
    if chosen is not None:
        show.marks(shown[chosen].grade)
        show.whole(shown[chosen])
    if st.button("Put these photos away", width="stretch", key="class-clear"):
        forget(Key.CLASS_TRAY)
        st.rerun()


def _all(shelf: Shelf, taken: list[Taken], asked: Asked) -> list[Shown]:
    """Every photo in turn, with progress; those done before come from the shelf at once."""
    bar = st.progress(0.0, "Measuring …")
    shown = []
    for n, (photo, name) in enumerate(taken):
        bar.progress(n / len(taken), f"Measuring {n + 1} of {len(taken)}: {name}")
        shown.append(inspected(shelf, server.turn(), photo, name, asked))
    bar.empty()
    return shown


def _row(one: Shown) -> Row:
    return class_row(one.name, one.record, grade=one.grade, trouble=" ".join(one.trouble or ()))


def _save(book: Logbook, shelf: Shelf, shown: list[Shown]) -> None:
    """Save what was measured, each under its photo's name."""
    n_saved = 0
    try:
        for one in shown:
            if one.record is None or one.record["refused"]:
                continue
            name = PurePath(one.name).stem
            book.save(one.record, shelf.photo(one.photo), overlay=one.overlay, labels=Labels(name))
            n_saved += 1
    except LogbookTrouble as trouble:
        st.error(f"{trouble.message} {trouble.advice} {n_saved} of {len(shown)} were saved; the table stays here.")
        return
    st.success(f"{n_saved} coupon{'s' * (n_saved != 1)} saved.")
