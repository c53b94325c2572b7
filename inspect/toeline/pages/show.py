"""A result drawn on a page: a word on the photo, the picture, numbers, causes, verdicts. Takes records, keeps nothing."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from html import escape
from typing import Any

import streamlit as st

from toeline.pages.shelf import Shown
from toeline.report.charts import png, spatter_chart, speed_chart, width_chart
from toeline.report.class_table import mark_words
from toeline.report.summary import CAUTION, headline, no_change, photo_word, rest
from toeline.report.tables import BEYOND, flag_lines, photo_rows, spatter_rates, spatter_spread, spatter_words, verdict_lines

Record = Mapping[str, Any]

#: Charts fill a phone and stay at a readable size on a wide screen [px].
CHART_PX = 560

#: Outcome in words → mark and colour class; the mark alone says it.
MARKS = {
    "within": ("✓", "good"),
    "too close to call": ("≈", "open"),
    "not measurable from a photo": ("–", "quiet"),
    **dict.fromkeys(BEYOND, ("✗", "bad")),
}


def whole(shown: Shown, *, overlay: bytes | None = None, below_picture: Callable[[], None] | None = None) -> None:
    """Everything about one photo, what a welder looks at first on top; `below_picture` draws what belongs right under it."""
    if shown.record is None:
        message, advice = shown.trouble or ("Nothing is known of this photo.", "Add it again.")
        word("bad", f"<b>Not measured.</b> {escape(message)} {escape(advice)}")
        if below_picture is not None:
            below_picture()
        return
    record(shown.record, overlay=overlay or shown.overlay, below_picture=below_picture)


def record(told: Record, *, overlay: bytes | None, below_picture: Callable[[], None] | None = None) -> None:
    """A record, fresh or from the logbook."""
    kind, sentence = photo_word(told)
    word(kind, sentence)
    if overlay:
        st.image(overlay, width="stretch")
    if below_picture is not None:
        below_picture()
    if told["refused"]:
        return
    numbers(told)
    charts(told)
    causes(told)
    verdicts(told)
    doubts(told)


def each_photo(told: Record) -> None:
    """What each of several photos of one coupon says by itself."""
    rows = photo_rows(told)
    with st.expander(f"What each of the {len(rows)} photos says by itself"):
        lines = [_row(name, own, "" if used == "yes" else "bad") for name, own, used in rows]
        st.html(f'<div class="ledger">{"".join(lines)}</div>')
        left_out = [name for name, _, used in rows if used == "no"]
        if left_out:
            st.markdown(f"Not in the result: {', '.join(left_out)}.")
        moved = (
            ""
            if told["same_coupon"]["together"]
            else " The strips do not lie alike in them, so only thickness and angle are common."
        )
        st.caption("The picture above is that of the photo that shows the toes best." + moved)


def word(kind: str, html: str) -> None:
    """One sentence on a coloured ground; its first words say what the colour says."""
    st.html(f'<div class="word {kind}">{html}</div>')


def strips(unsaid: tuple[str, ...]) -> None:
    """A word where strips were read whose thickness nobody gave."""
    if unsaid:
        many = len(unsaid) > 1
        word(
            "open",
            f"<b>How thick {'are strips' if many else 'is strip'} {', '.join(unsaid)} with {'their' if many else 'its'} backing?</b> "
            "Nobody said, so 0.1 mm was assumed; on magnet sheet the numbers are off by as much as the sheet is thick. "
            "Tap <b>Change</b>, choose this pair of strips and say it.",
        )


def numbers(told: Record) -> None:
    """The ledger: shortest leg and share under target large, the means after; the rest a level deeper."""
    means, others = rest(told)
    first = [_row(name, value, kind, "first") for name, value, kind in headline(told)]
    st.html(f'<div class="ledger">{"".join(first)}{"".join(_row(name, value) for name, value in means)}</div>')
    st.caption(
        "± is twice the standard uncertainty (k = 2). Shortest, narrowest and widest are means over a few millimetres: "
        "the line along the bead may dip a little deeper."
    )
    if others:
        with st.expander(f"All measures ({len(others)} more)"):
            st.html(f'<div class="ledger">{"".join(_row(name, value) for name, value in others)}</div>')


def _row(name: str, value: str, kind: str = "", size: str = "") -> str:
    return f'<div class="{size}"><span>{escape(name)}</span><b class="{kind}">{escape(value)}</b></div>'


def charts(told: Record) -> None:
    """Along the bead, then spatter."""
    if told["stations"]:
        st.subheader("Along the bead")
        st.image(png(width_chart(told)), width=CHART_PX)
    if told.get("travel"):
        with st.expander("Where did the hand slow down?"):
            st.image(png(speed_chart(told)), width=CHART_PX)
            st.caption("From the local size of the legs, as if wire feed and the shape of the face stayed the same all along.")
    spatter = told["spatter"]
    if spatter is None:
        return
    st.subheader("Spatter")
    st.markdown(spatter_words(spatter).capitalize() + ".")
    for name, words in spatter_spread(spatter):
        st.markdown(f"{name.capitalize()}: {words}.")
    if rates := spatter_rates(spatter):
        st.html(f'<div class="ledger">{"".join(_row(name.capitalize(), value) for name, value in rates)}</div>')
    if any(band["density_per_cm2"] for band in spatter["bands"]):
        with st.expander("By distance from the toe"):
            st.image(png(spatter_chart(told)), width=CHART_PX)


def marks(grade: Mapping[str, Any] | None) -> None:
    """The rubric's marks, criterion by criterion, each with its reason."""
    if grade is None:
        return
    rows = [_row("Mark", mark_words(grade), size="first")]
    for line in grade["rows"]:
        earned = "–" if line["marks"] is None else f"{line['marks']:.1f}"
        rows.append(_row(f"{line['criterion']} ({line['why']})", f"{earned} of {line['of']:g}"))
    st.html(f'<div class="ledger">{"".join(rows)}</div>')
    st.caption(f"Rubric: {grade['source']}. Marks are for practice; they accept or reject nothing.")


def causes(told: Record) -> None:
    """The one change first; the likely causes under it, each with its reasons a level deeper."""
    likely = [cause for cause in told["causes"] if cause["probability"] >= 0.1][:4]
    advice = told["advice"] or {}
    st.subheader("What may have made it so")
    for lesson in advice.get("lessons") or ():
        word("open", f"<b>What your change did.</b> {escape(lesson)}")
    chosen = next((cause for cause in told["causes"] if cause["cause"] == advice.get("next_change")), None)
    said = (
        f"Change one thing: <b>{escape(chosen['change'])}</b><br>If that was it: {escape(chosen['expect'])}"
        if chosen
        else no_change(told, likely=bool(likely))
    )
    unsettled = f"<br>{escape(advice['tell_apart'])}" if advice.get("tell_apart") else ""
    st.html(f'<div class="change">{said}{unsettled}</div>')
    caution(chosen["caution"] if chosen else "")
    for cause in likely:
        with st.expander(f"{cause['cause'].capitalize()} · {100 * cause['probability']:.0f} %"):
            _reasons(cause)
    if advice.get("notes"):
        with st.expander("Good to know"):
            st.markdown("\n".join(f"- {note}" for note in advice["notes"]))


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
    """What is beyond or too close to call on the page; what is within, and what no photo shows, a level deeper, with all sources."""
    lines = verdict_lines(told)
    if not lines:
        return
    st.subheader("Against the limits")
    open_ones = [line for line in lines if line[0] in BEYOND or line[0] == "too close to call"]
    st.html(
        "".join(_verdict(*line[:3]) for line in open_ones)
        or '<div class="verdict">Nothing that a photo shows is beyond a limit.</div>'
    )
    caution()
    with st.expander(f"All {len(lines)} limits, with their sources"):
        above = ("", *(line[3] for line in lines))  # a source is said once for all rows under it
        st.html(
            "".join(_verdict(*line[:3], "" if line[3] == before else line[3]) for line, before in zip(lines, above, strict=False))
        )


def _verdict(outcome: str, what: str, numbers: str, source: str = "") -> str:
    mark, kind = MARKS.get(outcome, ("–", "quiet"))
    small = "<br>".join(escape(part) for part in (numbers, source) if part)
    return (
        f'<div class="verdict"><span class="mark {kind}">{mark}</span>'
        f"<span>{escape(what)}: <b>{escape(outcome)}</b><small>{small}</small></span></div>"
    )


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
