"""What only a person can know of one coupon: what was changed before it, what was seen or heard, a gauge, a test. One expander."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from types import MappingProxyType

import streamlit as st

from toeline.causes.signs import Sign, all_signs
from toeline.coupon import TEST_RESULTS, TESTS, Coupon
from toeline.errors import LogbookTrouble
from toeline.logbook import Entry, Logbook
from toeline.pages.choices import kind_of
from toeline.pages.state import Key
from toeline.pages.work import Asked
from toeline.processes import load_process

#: Coupons offered as the one before.
N_BEFORE = 12
NOTHING = "nothing"
#: Gauge readings by joint: key of :data:`toeline.coupon.GAUGE` → words.
TEE_GAUGE = {
    "throat_mm": "throat [mm]",
    "convexity_mm": "convexity, minus for hollow [mm]",
    "size_mm": "size (leg) by a fillet gauge [mm]",
}
FLAT_GAUGE = {"reinforcement_mm": "height above the plate [mm]"}
ANY_GAUGE = {"undercut_mm": "undercut depth [mm]", "crater_mm": "crater depth [mm]"}


def more(book: Logbook | None, photo: str, asked: Asked) -> Asked:
    """The same asking with all that is told of this coupon alone; nothing of it is remembered for the next."""
    with st.expander("Know more of this coupon? What you changed, saw, gauged or tested"):
        changed, seen, gauged, tested = st.tabs(["Changed", "Saw or heard", "Gauged", "Tested"])
        with changed:
            asked = _changed(book, photo, asked)
        with seen:
            coupon = _seen(photo, asked.coupon)
        with gauged:
            coupon = _gauged(photo, coupon)
        with tested:
            coupon = _tested(photo, coupon)
    return replace(asked, coupon=coupon)


def _changed(book: Logbook | None, photo: str, asked: Asked) -> Asked:
    """Link to the coupon before, and to the change that was made after it."""
    before = {entry.id: entry for entry in _before(book, photo, asked.coupon)}
    if book is None or not before:
        st.caption("Save coupons of this process and joint, and the next one can say what a change did.")
        return asked
    number = st.selectbox(
        "It follows",
        tuple(before),
        index=None,
        format_func=lambda n: _named(before[n]),
        placeholder="no earlier coupon",
        key=f"{Key.AFTER}-{photo}",
    )
    if number is None:
        return asked
    entry = before[number]
    titles = _causes(book, entry)
    change = st.selectbox(
        "What you changed after it, as the cause you had in mind",
        (NOTHING, *titles),
        format_func=lambda key: titles.get(key, "nothing, the same again"),
        key=f"{Key.CHANGED}-{photo}-{entry.id}",
    )
    try:
        return replace(asked, history=book.history(entry.id, None if change == NOTHING else change))
    except LogbookTrouble as trouble:
        st.error(f"{trouble.message} {trouble.advice}")
        return asked


def _before(book: Logbook | None, photo: str, coupon: Coupon) -> list[Entry]:
    if book is None or coupon.process is None:
        return []
    try:
        alike = [e for e in book.entries(process=coupon.process) if kind_of(e) == (coupon.process, coupon.joint)]
    except LogbookTrouble:
        return []
    return [e for e in alike if e.refused is None and e.photo_sha256 != photo][:N_BEFORE]


def _named(entry: Entry) -> str:
    label = entry.labels.coupon or entry.photo_name
    whose = f", {entry.labels.learner}" if entry.labels.learner else ""
    return f"{entry.id}: {label}{whose}, {entry.when:%d %b}"


def _causes(book: Logbook, entry: Entry) -> dict[str, str]:
    """Causes by key, in the order in which that coupon's result named them."""
    assert entry.coupon.process is not None
    table = load_process(entry.coupon.process).causes
    named = [str(cause["key"]) for cause in book.result(entry.id)["causes"] if cause.get("key") in table]
    order = [*named, *(key for key, cause in table.items() if key not in named and _fits(cause.joints, entry.coupon.joint))]
    return {key: table[key].title for key in order}


def _fits(joints: Iterable[str], joint: str) -> bool:
    return not joints or joint in joints


def _seen(photo: str, coupon: Coupon) -> Coupon:
    """Yes, no, or unsaid for every sign that a person can settle."""
    listed = _askable(coupon)
    if not listed:
        st.caption("Say which process you used; then the signs that matter to it are listed here.")
        return coupon
    names = {sign.key: sign.key.replace("-", " ") for sign in listed}
    meant = "\n".join(f"- {names[sign.key]}: {sign.ask}" for sign in listed)
    yes = st.pills(
        "I saw or heard it",
        tuple(names),
        selection_mode="multi",
        format_func=names.__getitem__,
        help=meant,
        key=f"{Key.SAW}-{photo}",
    )
    left = tuple(key for key in names if key not in yes)
    no = st.pills(
        "I looked, and it is not there", left, selection_mode="multi", format_func=names.__getitem__, key=f"{Key.SAW_NOT}-{photo}"
    )
    return replace(coupon, observed=tuple(yes), not_observed=tuple(key for key in no if key not in yes))


def _askable(coupon: Coupon) -> list[Sign]:
    """Signs that no photo measures, that a person can look for, and that some cause of this process makes."""
    if coupon.process is None:
        return []
    causes = load_process(coupon.process).causes.values()
    linked = {sign for cause in causes if _fits(cause.joints, coupon.joint) for sign in cause.links}
    return [s for s in all_signs().values() if s.ask and s.surface and s.key in linked and s.key != "poor-fusion"]


def _gauged(photo: str, coupon: Coupon) -> Coupon:
    words = {**(TEE_GAUGE if coupon.joint == "tee" else FLAT_GAUGE), **ANY_GAUGE}
    told = {}
    boxes = st.container(horizontal=True)
    for name, label in words.items():
        lowest = -10.0 if name == "convexity_mm" else 0.0
        with boxes:
            value = _number(label, f"{Key.GAUGE}-{name}-{photo}", lowest)
        if value is not None:
            told[name] = value
    gap = _number("gap at the root [mm]", f"{Key.GAUGE}-gap-{photo}", 0.0) if coupon.joint != "plate" else None
    st.caption("A photo of the face shows no height or depth: a gauge or a section does.")
    return replace(coupon, gauge=MappingProxyType(told), root_gap_mm=gap)


def _number(label: str, key: str, lowest: float) -> float | None:
    return st.number_input(label, lowest, 50.0, None, step=0.1, format="%g", placeholder="not gauged", width=230, key=key)


def _tested(photo: str, coupon: Coupon) -> Coupon:
    test = st.pills("Test", TESTS, key=f"{Key.TEST}-{photo}")
    result = st.pills("It", TEST_RESULTS, key=f"{Key.TEST_RESULT}-{photo}")
    st.caption("The result of a test outranks what the face looks like.")
    return replace(coupon, test=test, test_result=result) if test and result else coupon
