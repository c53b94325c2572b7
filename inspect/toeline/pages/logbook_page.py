"""Logbook: what was saved, a learner's progress, and any coupon opened again."""

from __future__ import annotations

import streamlit as st

from toeline.logbook import Entry, Logbook, progress
from toeline.logbook.trends import change_in_words
from toeline.pages import server, show
from toeline.pages.choices import kind_of, kind_words
from toeline.pages.state import Key
from toeline.report.charts import png, progress_chart
from toeline.report.summary import TREND_KEYS, one_line
from toeline.report.tables import title

_EVERYONE = "everyone"
_A_PAGE = 20


def page() -> None:
    """Draw the page."""
    st.title("Logbook")
    book = server.logbook()
    if book is None:
        return
    if (opened := st.session_state.get(Key.OPEN)) is not None:
        _one(book, opened)
        return
    entries = book.entries()
    if not entries:
        show.word("open", "<b>Nothing is saved yet.</b> Inspect a photo and press Save under its numbers.")
        return
    learners = book.learners()
    if learners:
        whose = st.pills(
            "Whose", (_EVERYONE, *learners), default=_EVERYONE, required=True, key=Key.WHOSE, persist_state="session"
        )
        if whose != _EVERYONE:
            entries = book.entries(learner=whose)
            _progress(entries)
    st.subheader(f"{len(entries)} coupon{'s' * (len(entries) != 1)}")
    n_shown = st.session_state.setdefault(Key.SHOWN, _A_PAGE)
    for entry in entries[:n_shown]:
        if st.button(_line(entry), width="stretch", key=f"open-{entry.id}"):
            st.session_state[Key.OPEN] = entry.id
            st.rerun()
    if len(entries) > n_shown and st.button("Show more", width="stretch", key="logbook-more"):
        st.session_state[Key.SHOWN] = n_shown + _A_PAGE
        st.rerun()


def _line(entry: Entry) -> str:
    head = " · ".join(part for part in (entry.labels.coupon, entry.labels.learner) if part) or entry.photo_name
    invented = " · invented" if entry.invented else ""
    return f"**{head}**{invented}  \n{entry.when:%d %b %Y} · {one_line(entry)}"


def _progress(entries: tuple[Entry, ...]) -> None:
    """One measure of one learner's coupons of one kind against time."""
    kinds = {kind_words(kind): kind for kind in sorted({kind_of(e) for e in entries if e.measures})}
    if not kinds:
        return
    st.subheader("Progress")
    words = next(iter(kinds))
    if len(kinds) > 1:
        words = st.pills("Of", list(kinds), default=words, required=True, key=Key.PROGRESS_KIND) or words
    alike = [e for e in entries if kind_of(e) == kinds[words] and e.measures]
    keys = [key for key in TREND_KEYS if any(key in e.measures for e in alike)]
    key = st.pills("Measure", keys, default=keys[0], required=True, format_func=title, key=f"{Key.PROGRESS}-{words}") or keys[0]
    trend = progress(alike, key)
    target = alike[0].coupon.target_leg_mm if key.startswith("leg_") and "mean" in key else None
    st.image(png(progress_chart(trend, target=target)), width=show.CHART_PX)
    st.markdown(change_in_words(trend.change, better=TREND_KEYS[key]))


def _one(book: Logbook, opened: int) -> None:
    """One coupon, as it was saved."""
    if st.button("← Back to the list", width="stretch", key="logbook-back"):
        del st.session_state[Key.OPEN]
        st.rerun()
    entry = book.entry(opened)
    st.subheader(entry.labels.coupon or entry.photo_name)
    told = [entry.labels.learner, f"{entry.when:%d %b %Y %H:%M}", f"number {entry.id}", entry.labels.note]
    st.markdown(" · ".join(part for part in told if part))
    if entry.invented:
        st.caption("Invented demo data.")
    show.record(book.result(entry.id), overlay=book.picture(entry.kept_overlay) or book.picture(entry.kept_photo))
    with st.expander("Take this coupon out of the list"):
        st.markdown("The record stays in the file with your reason; lists and trends no longer count it.")
        why = st.text_input("Why", key=f"withdraw-why-{entry.id}")
        if st.button("Take it out", disabled=not why, key=f"withdraw-{entry.id}"):
            book.withdraw(entry.id, why)
            del st.session_state[Key.OPEN]
            st.rerun()
