"""Tuning: does a setting change the spatter? Saved coupons side by side."""

from __future__ import annotations

import streamlit as st

from toeline.logbook import setting_names, tune
from toeline.logbook.tuning import TIME, counted
from toeline.pages import server, show
from toeline.pages.choices import kind_of, kind_words, setting_words
from toeline.pages.state import Key
from toeline.report.charts import png, tuning_chart

#: What spatter is most often tuned by, first.
_TUNED_BY = ("voltage_v", "trim", "tap", "voltage_dial", "inductance", "wire_feed_mm_per_min")
_EMPTY = (
    "<b>No saved coupon has counted spatter yet.</b> On the Inspect page say that the plate was clean before the bead, fill in "
    "the machine settings, and save; two coupons at each setting make a start."
)


def page() -> None:
    """Draw the page."""
    st.title("Tuning")
    st.markdown("Spatter per cm² of plate in view, coupon by coupon, against time or against one setting.")
    book = server.logbook()
    entries = counted(book.entries()) if book else []
    if not entries:
        show.word("open", _EMPTY)
        return
    kinds = {kind_words(kind): kind for kind in sorted({kind_of(e) for e in entries})}
    most = max(kinds, key=lambda words: sum(kind_of(e) == kinds[words] for e in entries))
    words = st.pills("Process and joint", list(kinds), default=most, required=True, key=Key.TUNE_KIND) or most
    alike = [e for e in entries if kind_of(e) == kinds[words]]
    axes = (TIME, *setting_names(alike))
    first = next((axis for axis in _TUNED_BY if axis in axes), axes[-1])
    axis = (
        st.pills("Against", axes, default=first, required=True, format_func=_axis_words, key=f"{Key.TUNE_AXIS}-{words}") or TIME
    )
    tuning = tune(alike, axis)
    if any(e.invented for e in alike):
        st.caption("Invented demo data is among these coupons.")
    st.markdown(f"**{tuning.sentence}**")
    if tuning.smallest_in_words:
        st.markdown(tuning.smallest_in_words)
    if tuning.n_unlike:
        st.caption(
            f"Only plate {tuning.plate_now} is compared here, like the newest coupon's; left out: {tuning.n_unlike} whose plate was "
            "treated otherwise before the photo."
        )
    if tuning.groups:
        st.image(png(tuning_chart(tuning, axis_title=_axis_words(axis))), width=show.CHART_PX)
        st.caption(
            "Rings: single coupons. Squares: coupons of one setting together, with a 95 % interval that allows for bursts."
        )
        show.caution()
        with st.expander(f"The {len(tuning.spots)} coupons"):
            st.dataframe(
                [
                    {_axis_words(axis): s.at, "coupon": s.label, "particles": s.n, "cm²": round(s.area_cm2, 1)}
                    for s in tuning.spots
                ],
                hide_index=True,
            )


def _axis_words(axis: str) -> str:
    return "day" if axis == TIME else setting_words(axis)
