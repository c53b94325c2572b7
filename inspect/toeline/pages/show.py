"""A result drawn on a page: a word on the photo, the picture, numbers, causes, verdicts. Takes records, keeps nothing."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import Any

import streamlit as st

from toeline.pages.shelf import Shown
from toeline.report.charts import png, spatter_chart, width_chart
from toeline.report.summary import CAUTION, flag_lines, headline, photo_word, rest
from toeline.report.tables import spatter_words, verdict_rows

Record = Mapping[str, Any]

#: Charts fill a phone and stay at a readable size on a wide screen [px].
CHART_PX = 560

#: Outcome → mark and colour class; the mark alone says it.
MARKS = {
    "within": ("✓", "good"),
    "beyond": ("✗", "bad"),
    "too close to call": ("≈", "open"),
    "not measurable from a photo": ("–", "quiet"),
}


def whole(shown: Shown, *, overlay: bytes | None = None) -> None:
    """Everything about one photo, what a welder looks at first on top."""
    if shown.record is None:
        message, advice = shown.trouble or ("Nothing is known of this photo.", "Add it again.")
        word("bad", f"<b>Not measured.</b> {escape(message)} {escape(advice)}")
        return
    record(shown.record, overlay=overlay or shown.overlay)


def record(told: Record, *, overlay: bytes | None) -> None:
    """A record, fresh or from the logbook."""
    kind, sentence = photo_word(told)
    word(kind, sentence)
    if overlay:
        st.image(overlay, width="stretch")
    if told["refused"]:
        return
    numbers(told)
    charts(told)
    causes(told)
    verdicts(told)
    doubts(told)


def word(kind: str, html: str) -> None:
    """One sentence on a coloured ground; its first words say what the colour says."""
    st.html(f'<div class="word {kind}">{html}</div>')


def numbers(told: Record) -> None:
    """The ledger: shortest leg and share under target large, the rest after."""
    first = [
        f'<div class="first"><span>{escape(name)}</span><b class="{kind}">{escape(value)}</b></div>'
        for name, value, kind in headline(told)
    ]
    rows = [f"<div><span>{escape(name)}</span><b>{escape(value)}</b></div>" for name, value in rest(told)]
    st.html(f'<div class="ledger">{"".join(first)}{"".join(rows)}</div>')
    st.caption("± is twice the standard uncertainty (k = 2).")


def _row(name: str, value: str, kind: str = "", size: str = "") -> str:
    return f'<div class="{size}"><span>{escape(name)}</span><b class="{kind}">{escape(value)}</b></div>'


def charts(told: Record) -> None:
    """Along the bead, then spatter."""
    if told["stations"]:
        st.subheader("Along the bead")
        st.image(png(width_chart(told)), width=CHART_PX)
    spatter = told["spatter"]
    if spatter is None:
        return
    st.subheader("Spatter")
    st.markdown(spatter_words(spatter).capitalize() + ".")
    if any(band["density_per_cm2"] for band in spatter["bands"]):
        with st.expander("By distance from the toe"):
            st.image(png(spatter_chart(told)), width=CHART_PX)


def causes(told: Record) -> None:
    """The one change first; the likely causes under it, each with its reasons a level deeper."""
    likely = [cause for cause in told["causes"] if cause["probability"] >= 0.1][:4]
    advice = told["advice"] or {}
    if not likely and not advice.get("notes"):
        return
    st.subheader("What most likely made it so")
    chosen = next((cause for cause in told["causes"] if cause["cause"] == advice.get("next_change")), None)
    if chosen:
        st.html(
            f'<div class="change">Change one thing: <b>{escape(chosen["change"])}</b><br>'
            f"If that was it: {escape(chosen['expect'])}</div>"
        )
    elif likely:
        st.html('<div class="change"><b>Change nothing yet.</b> No single change is worth trying on this alone.</div>')
    caution(chosen["caution"] if chosen else "")
    for cause in likely:
        with st.expander(f"{cause['cause'].capitalize()} · {cause['probability']:.0%}"):
            _reasons(cause)
    for line in (advice.get("tell_apart"), *(advice.get("notes") or ())):
        if line:
            st.markdown(f"{line}")


def _reasons(cause: Mapping[str, Any]) -> None:
    if cause["evidence_for"]:
        st.markdown("**For it:** " + "; ".join(cause["evidence_for"]) + ".")
    if cause["evidence_against"]:
        st.markdown("**Against it:** " + "; ".join(cause["evidence_against"]) + ".")
    for title, key in (("Change", "change"), ("Expect", "expect"), ("If it does not help", "otherwise"), ("Settle it", "check")):
        if cause.get(key):
            st.markdown(f"**{title}:** {cause[key]}")
    if cause.get("source"):
        st.caption(f"Source: {cause['source']}")


def verdicts(told: Record) -> None:
    """Each limit with its mark, outcome, numbers and source."""
    if not told["verdicts"]:
        return
    st.subheader("Against the limits")
    parts = []
    for title, outcome, why in verdict_rows(told):
        mark, kind = MARKS[outcome]
        parts.append(
            f'<div class="verdict"><span class="mark {kind}">{mark}</span>{escape(title)}: <b>{escape(outcome)}</b>'
            f"<small>{escape(why)}</small></div>"
        )
    st.html("".join(parts))
    caution()


def caution(special: str = "") -> None:
    """The cautions that stand beside every verdict and every piece of advice."""
    st.html(f'<div class="caution">{escape(special + " " if special else "")}{escape(CAUTION)}</div>')


def doubts(told: Record) -> None:
    """What the result itself is unsure of."""
    lines = flag_lines(told)
    if lines:
        with st.expander(f"What to know about this photo ({len(lines)})"):
            for line in lines:
                st.markdown(f"- {line}")
