"""Put it right by hand: points on a toe line, a box round the bead, another of several beads. Taps and number fields, no dragging."""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import Any

import streamlit as st

from toeline.coupon import Hints
from toeline.pages.shelf import Shown
from toeline.pages.state import Key
from toeline.pages.work import Asked
from toeline.report.tables import moved_words

CORNER = "corner of a box round the bead"
COLUMNS = ("what", "x_px", "y_px")


@dataclass(frozen=True, slots=True)
class Touches:
    """What a hand said of one photo so far: rows of (what, x, y) in the photo's px, and which bead is meant."""

    rows: tuple[tuple[str, float, float], ...] = ()
    bead_px: tuple[float, float] | None = None

    def hints(self) -> Hints:
        """The same for the finder; a box needs two corners, of more the last two count."""
        corners = [(x, y) for what, x, y in self.rows if what == CORNER][-2:]
        box = None
        if len(corners) == 2:
            (x0, y0), (x1, y1) = corners
            box = (min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1))
        through = tuple((what, x, y) for what, x, y in self.rows if what != CORNER)
        return Hints(through, box, self.bead_px)


def asked_with(asked: Asked, photo: str) -> Asked:
    """What was asked of the coupon, with what a hand said of this photo."""
    return replace(asked, hints=st.session_state.get(_key(Key.HAND, photo), Touches()).hints())


def correct(shown: Shown, photo: str, asked: Asked) -> None:
    """The place to put a trace right, below its picture."""
    told = shown.record
    if told is None and _key(Key.HAND, photo) in st.session_state:
        _clear(photo)  # a point that can't be right leaves nothing to draw it on
    if told is None or shown.overlay is None or shown.frame_px is None:
        return
    bead = told["bead"]
    if bead is None and told["refused"] and told["refused"]["reason"] != "no bead":
        return  # no point on a toe helps a photo that can't be scaled
    if bead:
        _which_bead(bead, photo)
        moved(told)
    needed = bool(told["refused"] and told["refused"]["reason"] == "no bead") or _doubted(told)
    with st.expander("A toe line is wrong? Put it right by hand", expanded=needed):
        _touch(shown, photo, asked)


def moved(told: Mapping[str, Any]) -> None:
    """By how much a hand moved the numbers."""
    if words := moved_words(told):
        st.markdown(f"**{words.split('; ', 1)[0]}**; {words.split('; ', 1)[1]}")


def _which_bead(bead: Mapping[str, Any], photo: str) -> None:
    """Several beads in view: which one was meant, with one tap."""
    touches: Touches = st.session_state.get(_key(Key.HAND, photo), Touches())
    others = bead.get("others_px") or []
    if touches.bead_px is not None and st.button(
        "Back to the bead that the tool chose", key=_key(Key.HAND_BACK, photo), width="stretch"
    ):
        _set(photo, replace(touches, bead_px=None))
    if not others:
        return
    chosen = st.pills(
        f"{len(others) + 1} beads are in view. The one with the toe lines was chosen; tap another if you mean that",
        range(2, len(others) + 2),
        format_func=lambda number: f"bead {number}",
        key=_key(Key.HAND_BEAD, photo),
    )
    if chosen is not None:
        line = others[chosen - 2]
        x, y = line[len(line) // 2]
        _set(photo, Touches(bead_px=(x, y)))


def _touch(shown: Shown, photo: str, asked: Asked) -> None:
    assert shown.frame_px is not None and shown.overlay is not None
    kinds = (*_toes(asked), CORNER)
    rows: list[tuple[str, float, float]] = st.session_state.setdefault(_key(Key.HAND_ROWS, photo), [])
    what = st.pills(
        "Tap the picture to come closer, tap again to set a", kinds, default=kinds[0], required=True, format_func=_words,
        key=_key(Key.HAND_WHAT, photo),
    )  # fmt: skip
    left, top, right, bottom = shown.frame_px
    wide, high = right - left, bottom - top
    tapped = _picture()(
        data={
            "picture": f"data:image/jpeg;base64,{base64.b64encode(shown.overlay).decode()}",
            "points": [((x - left) / wide, (y - top) / high) for _, x, y in rows],
        },
        key=_key(Key.HAND_PICTURE, photo),
        on_tapped_change=lambda: None,
    ).tapped
    if tapped:
        rows.append((str(what or kinds[0]), left + tapped[0] * wide, top + tapped[1] * high))
        _renew(photo)
    table: list[dict[str, Any]] = st.data_editor(
        [dict(zip(COLUMNS, row, strict=True)) for row in rows] or [dict.fromkeys(COLUMNS)],
        num_rows="dynamic",
        column_config={
            "what": st.column_config.SelectboxColumn("point on", options=list(kinds), required=True),
            "x_px": st.column_config.NumberColumn("x [px]", min_value=0.0, format="%.0f"),
            "y_px": st.column_config.NumberColumn("y [px]", min_value=0.0, format="%.0f"),
        },
        key=f"{_key(Key.HAND_TABLE, photo)}-{st.session_state.get(_key(Key.HAND_TURN, photo), 0)}",
        width="stretch",
    )
    made = tuple((str(row["what"]), float(row["x_px"]), float(row["y_px"])) for row in table if None not in row.values())
    st.caption("Pixels of the upright photo. Two or three points where the line is wrong are enough; a box needs two corners.")
    if st.button("Trace again", type="primary", width="stretch", disabled=not made, key=_key(Key.HAND_GO, photo)):
        st.session_state[_key(Key.HAND_ROWS, photo)] = list(made)
        _set(photo, Touches(made, st.session_state.get(_key(Key.HAND, photo), Touches()).bead_px))
    if rows:
        _clear(photo)


def _clear(photo: str) -> None:
    if st.button("Take all points away", width="stretch", key=_key(Key.HAND_CLEAR, photo)):
        st.session_state[_key(Key.HAND_ROWS, photo)] = []
        _set(photo, Touches())


def _set(photo: str, touches: Touches) -> None:
    st.session_state[_key(Key.HAND, photo)] = touches
    _renew(photo)


def _renew(photo: str) -> None:
    """Draw the page again, with the table and the choice of beads anew."""
    turn = _key(Key.HAND_TURN, photo)
    st.session_state[turn] = st.session_state.get(turn, 0) + 1
    st.session_state.pop(_key(Key.HAND_BEAD, photo), None)
    st.rerun()


def _key(key: Key, photo: str) -> str:
    return f"{key}-{photo[:16]}"


def _toes(asked: Asked) -> tuple[str, str]:
    return ("standing", "base") if asked.coupon.joint == "tee" else ("left", "right")


def _words(what: str) -> str:
    return what if what == CORNER else f"point on the {what} toe"


def _doubted(told: Mapping[str, Any]) -> bool:
    return any(flag["name"] == "bead-unsure" for flag in told["flags"])


@cache
def _picture() -> Callable[..., Any]:
    """The picture that tells where it was tapped."""
    page = files("toeline").joinpath("pages")
    return st.components.v2.component(
        "toeline_tap",
        html='<div class="frame"><div class="sheet"><img alt="the photo with what was found"></div></div>',
        css=page.joinpath("tap.css").read_text(encoding="utf-8"),
        js=page.joinpath("tap.js").read_text(encoding="utf-8"),
    )
