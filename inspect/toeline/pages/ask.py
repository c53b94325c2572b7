"""The questions before a photo: few, large, and asked once; afterwards one line says what was chosen."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import streamlit as st

from toeline.coupon import JOINTS, PLATE_NOW, POSITIONS
from toeline.errors import BadUsage, LogbookTrouble
from toeline.limits import load_limit_sets
from toeline.logbook import Logbook
from toeline.pages.choices import BACKINGS, JOINT_WORDS, PAIRS, SETTINGS, Choices
from toeline.pages.state import Key
from toeline.pages.work import Asked
from toeline.processes import load_process, process_names

#: Sizes to tap [mm].
TARGET_LEGS_MM = (4.0, 5.0, 6.0, 8.0, 10.0)
TARGET_WIDTHS_MM = (6.0, 8.0, 10.0, 12.0)
_ANOTHER = "another"


def choices(book: Logbook | None) -> Choices:
    """What was chosen so far: in this session, else what the logbook remembers."""
    if Key.CHOICES not in st.session_state:
        try:
            told = book.remembered() if book else {}
        except LogbookTrouble:
            told = {}
        st.session_state[Key.CHOICES] = Choices.read(told)
        st.session_state[Key.ASKING] = not told
    kept: Choices = st.session_state[Key.CHOICES]
    return kept


def coupon_and_scale(book: Logbook | None) -> Asked | None:
    """Show the questions, or the one line; None while the answers can't be right."""
    now = choices(book)
    if st.session_state[Key.ASKING]:
        with st.container(border=True):
            now = _questions(now)
            if st.button("Done", type="primary", width="stretch", key=Key.DONE):
                st.session_state[Key.ASKING] = False
                keep(book, now)
                st.rerun()
    else:
        with st.container(border=True, horizontal=True, wrap=False, vertical_alignment="center"):
            st.markdown(now.in_words(), width="stretch")
            if st.button("Change", key=Key.CHANGE):
                st.session_state[Key.ASKING] = True
                st.rerun()
    keep(book, now)
    try:
        return now.asked()
    except BadUsage as wrong:
        st.error(f"{wrong.message} {wrong.advice}")
        return None


def keep(book: Logbook | None, now: Choices) -> None:
    """Remember what was chosen; a logbook that will not have it loses no more than this."""
    if st.session_state.get(Key.CHOICES) == now:
        return
    st.session_state[Key.CHOICES] = now
    try:
        if book is not None:
            book.remember(now.plain())
    except LogbookTrouble:
        return


def _questions(now: Choices) -> Choices:
    joint = _pick("Joint", JOINTS, now.joint, Key.JOINT, words=JOINT_WORDS.__getitem__)
    names = process_names()
    process = st.pills(
        "Process",
        names,
        default=now.process if now.process in names else None,
        format_func=lambda name: load_process(name).title,
        key=Key.PROCESS,
    )
    pair = _pick("Strips", tuple(PAIRS), now.pair, Key.PAIR, words=PAIRS.__getitem__)
    now = replace(now, joint=joint, process=process, pair=pair)
    now = replace(now, thickness_mm={**now.thickness_mm, **_thickness(now)})
    if now.legs:
        now = replace(now, target_leg_mm=_target("Target leg", TARGET_LEGS_MM, now.target_leg_mm, f"{Key.TARGET}-leg"))
    else:
        now = replace(now, target_width_mm=_target("Target width", TARGET_WIDTHS_MM, now.target_width_mm, f"{Key.TARGET}-width"))
    clean = st.toggle(
        "The plate was clean before this bead, so all spatter on it is from it", value=now.plate_clean, key=Key.CLEAN
    )
    now = replace(now, plate_clean=clean)
    with st.expander("More: position, plate, machine settings, limits"):
        return _more(now)


def _target(words: str, usual: tuple[float, ...], before: float | None, key: str) -> float | None:
    """One of the usual sizes with one tap, or another; None while nobody said."""
    options = (*usual, _ANOTHER)
    known = None if before is None else before if before in usual else _ANOTHER
    chosen = st.pills(words, options, default=known, format_func=lambda t: t if t == _ANOTHER else f"{t:g} mm", key=key)
    if chosen != _ANOTHER:
        return None if chosen is None else float(str(chosen))
    return _number(f"{words} [mm]", before, f"{key}-number", step=0.5)


def _thickness(now: Choices) -> dict[str, float]:
    """How high the printed face of this pair lies above the plate [mm], by letter; empty while nobody said."""
    told = [now.thickness_mm.get(letter) for letter in now.pair]
    known = next((name for name, mm in BACKINGS.items() if mm is not None and told == [mm, mm]), None)
    backing = st.pills(
        "These strips lie on the plate as",
        tuple(BACKINGS),
        default=known or ("another" if any(told) else None),
        format_func=lambda name: f"{name}, {BACKINGS[name]:g} mm" if BACKINGS[name] else f"{name} thickness",
        key=f"{Key.BACKING}-{now.pair}",
    )
    if backing is None:
        st.caption("Measure the strip with its backing: 1 mm of magnet sheet that nobody mentions shifts a leg by about as much.")
        return {}
    if (height := BACKINGS[backing]) is not None:
        return dict.fromkeys(now.pair, height)
    boxes = st.container(horizontal=True)
    made = {}
    for letter, before in zip(now.pair, told, strict=True):
        with boxes:
            height = _number(f"Strip {letter} [mm]", before, f"{Key.THICKNESS}-{letter}", step=0.1, high=10.0)
        if height is not None:
            made[letter] = height
    return made


def _more(now: Choices) -> Choices:
    position = st.pills("Position", POSITIONS, default=now.position if now.position in POSITIONS else None, key=Key.POSITION)
    travel = st.pills(
        "The torch travelled, as the photo shows the bead, to the", ("right", "left"), default=now.travel, key=Key.TRAVEL
    )
    plate_now = _pick("The plate in the photo is", PLATE_NOW, now.plate_now, Key.PLATE_NOW)
    scraped = st.toggle("The plate under the strips was scraped", value=now.plate_scraped, key=Key.SCRAPED)
    thick = _number("Plate thickness [mm]", now.plate_thickness_mm, Key.PLATE_THICKNESS, step=1.0)
    lines = [
        _number(f"The 80 mm line {way} the printed sheet [mm]", before, f"{Key.CHECK_LINE}-{way}", step=0.1, low=70.0, high=90.0)
        for way, before in (("across", now.check_across_mm), ("down", now.check_down_mm))
    ]
    sets = load_limit_sets()
    limit_set = st.selectbox(
        "Limits",
        tuple(sets),
        index=list(sets).index(now.limit_set) if now.limit_set in sets else 0,
        format_func=lambda name: sets[name].title,
        key=Key.LIMITS,
    )
    settings = _settings(now)
    return replace(
        now,
        position=position,
        travel=travel,
        plate_now=plate_now,
        plate_scraped=scraped,
        plate_thickness_mm=thick,
        check_across_mm=lines[0] or 80.0,
        check_down_mm=lines[1] or 80.0,
        limit_set=limit_set,
        settings=settings,
    )


def _settings(now: Choices) -> dict[str, float | str]:
    """Only the controls that this machine has get a box."""
    known = st.pills(
        "Machine settings that you know",
        tuple(SETTINGS),
        selection_mode="multi",
        default=[key for key in SETTINGS if key in now.settings],
        format_func=lambda key: SETTINGS[key].split(" [")[0].split(",")[0],
        key=f"{Key.SETTING}-known",
    )
    told: dict[str, float | str] = {}
    boxes = st.container(horizontal=True)
    for key in known:
        with boxes:
            value = _setting(key, SETTINGS[key], now.settings.get(key))
        if value not in (None, ""):
            told[key] = value
    return told


def _setting(key: str, words: str, before: float | str | None) -> Any:
    if key in ("gas", "polarity"):
        return st.text_input(words, value=str(before or ""), key=f"{Key.SETTING}-{key}", width=200)
    return _number(words, float(before) if before is not None else None, f"{Key.SETTING}-{key}", step=0.1, high=5000.0, width=200)


def _number(
    words: str, before: float | None, key: str, *, step: float, low: float = 0.0, high: float = 200.0, width: Any = "stretch"
) -> float | None:
    """A number with large − and + beside it; empty while nobody said."""
    return st.number_input(words, low, high, before, step=step, format="%g", key=key, placeholder="not said", width=width)


def _pick(label: str, options: tuple[str, ...], before: str, key: str, *, words: Any = str) -> str:
    """One of a few, always one."""
    first = before if before in options else options[0]
    return str(st.pills(label, options, default=first, required=True, format_func=words, key=key))
