"""Putting a trace right by hand: what is tapped or typed becomes hints, and the page says by how much that moved the numbers."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest
from tests.records import grey_photo, tee_record

from toeline.coupon import Coupon, Hints
from toeline.errors import BadUsage
from toeline.pages import work
from toeline.pages.hand import CORNER, Touches
from toeline.pages.state import Key


def test_touches_become_hints() -> None:
    rows = (("base", 10.0, 20.0), (CORNER, 300.0, 200.0), (CORNER, 100.0, 400.0), ("standing", 5.0, 6.0))
    assert Touches(rows).hints() == Hints((("base", 10.0, 20.0), ("standing", 5.0, 6.0)), (100.0, 200.0, 300.0, 400.0))
    assert Touches(rows[:2]).hints().box_px is None, "a box needs two corners"
    assert Touches(bead_px=(7.0, 8.0)).hints() == Hints(bead_px=(7.0, 8.0))
    assert Touches().hints() == Hints()


@pytest.fixture
def hints(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[list[Hints]]:
    """Made-up inspections that answer to hints; returns the hints asked for so far."""
    monkeypatch.setenv("TOELINE_LOGBOOK", str(tmp_path / "logbook.sqlite"))
    st.cache_resource.clear()
    asked: list[Hints] = []

    def inspect_photo(photo: Any, coupon: Coupon, *, hints: Hints, **_: Any) -> Any:
        asked.append(hints)
        record = tee_record(name=photo.name, refused="refused" in photo.name)
        if record["refused"]:
            record["refused"]["reason"] = "plates unsolved" if "no scale" in photo.name else "no bead"
        record["photo"]["sha256"] = photo.sha256
        if record["bead"] is not None:
            record["bead"]["others_px"] = [] if hints.bead_px else [[[100.0, 700.0], [600.0, 710.0], [1100.0, 720.0]]]
            if hints != Hints():
                record["bead"]["moved_mm"] = {"standing": 0.31, "base": 0.02, "width": -0.24}
        return SimpleNamespace(photo=photo, as_dict=lambda: record, refused=record["refused"])

    monkeypatch.setattr(work, "_marks", lambda found: None)
    monkeypatch.setattr(work, "inspect_photo", inspect_photo)
    monkeypatch.setattr(work, "close_up", lambda found, max_px: np.asarray(found.photo.pixels))
    monkeypatch.setattr(work, "close_up_box", lambda found: (0.0, 0.0, 1200.0, 900.0))
    yield asked
    st.cache_resource.clear()


def page_with(name: str) -> AppTest:
    page = AppTest.from_string("from toeline.pages import inspect_page\ninspect_page.page()\n", default_timeout=60).run()
    page.button(key=Key.DONE).click().run()
    page.file_uploader[0].set_value([(name, grey_photo(seed=3), "image/jpeg")])
    page.run()
    assert not page.exception, [e.value for e in page.exception]
    return page


def words(page: AppTest) -> str:
    return "\n".join(str(e.value) for kind in (page.markdown, page.caption) for e in kind)


def test_another_bead_is_chosen_with_one_tap_and_given_back(hints: list[Hints]) -> None:
    page = page_with("two.jpg")
    pills = next(p for p in page.button_group if "2 beads are in view" in p.label)
    pills.set_value(2).run()
    assert not page.exception, [e.value for e in page.exception]
    assert hints[-1] == Hints(bead_px=(600.0, 710.0)), "a point in the middle of its line"
    assert "moved the standing toe by 0.31 mm, the base toe by 0.02 mm, the mean width by -0.24 mm" in words(page)
    next(b for b in page.button if b.label.startswith("Back to the bead")).click().run()
    assert "Corrected by hand" not in words(page)


def test_points_are_traced_through(hints: list[Hints]) -> None:
    page = page_with("one.jpg")
    photo = page.session_state[f"{Key.TRAY}"][0][0]
    page.session_state[f"{Key.HAND_ROWS}-{photo[:16]}"] = [("standing", 400.0, 430.0)]
    page.run()
    next(b for b in page.button if b.label == "Trace again").click().run()
    assert not page.exception, [e.value for e in page.exception]
    assert hints[-1] == Hints((("standing", 400.0, 430.0),))
    next(b for b in page.button if b.label == "Take all points away").click().run()
    assert "Corrected by hand" not in words(page)


def test_no_hand_is_asked_for_where_no_trace_can_help(hints: list[Hints]) -> None:
    page = page_with("refused, no scale.jpg")
    assert not any("Put it right by hand" in e.label for e in page.expander)


def test_a_refused_bead_asks_for_a_hand(hints: list[Hints]) -> None:
    page = page_with("refused.jpg")
    assert any("Put it right by hand" in e.label for e in page.expander)


def test_a_point_that_cannot_be_right_can_be_taken_away(hints: list[Hints], monkeypatch: pytest.MonkeyPatch) -> None:
    page = page_with("one.jpg")
    good = work.inspect_photo

    def refuses(photo: Any, coupon: Coupon, *, hints: Hints, **more: Any) -> Any:
        if hints.through:
            raise BadUsage("The point 1, 2 lies 40 mm off the base toe.", advice="Give points on the toe.")
        return good(photo, coupon, hints=hints, **more)

    monkeypatch.setattr(work, "inspect_photo", refuses)
    photo = page.session_state[f"{Key.TRAY}"][0][0]
    page.session_state[f"{Key.HAND_ROWS}-{photo[:16]}"] = [("base", 1.0, 2.0)]
    page.run()
    next(b for b in page.button if b.label == "Trace again").click().run()
    assert not page.exception and any("40 mm off the base toe" in str(e.value) for e in page.html)
    next(b for b in page.button if b.label == "Take all points away").click().run()
    assert not page.exception and not any("40 mm off" in str(e.value) for e in page.html)
