"""Every page, empty and full, and what stands behind them: choices, shelf, the one limit on work, the gate, serving."""

from __future__ import annotations

import ast
import csv
import io
import os
import socket
import threading
import time
import tomllib
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest
from tests.records import grey_photo, tee_record

from toeline import serve
from toeline.causes import Past, reason
from toeline.coupon import Coupon
from toeline.errors import BadUsage, LogbookTrouble, NoScale
from toeline.logbook import Labels, Logbook, tune
from toeline.logbook.pictures import content_hash
from toeline.pages import entry, work
from toeline.pages.choices import Choices, setting_words
from toeline.pages.gate import MOST_TRIES, TICKET, Gate
from toeline.pages.shelf import Shelf, ShelfTrouble, Shown
from toeline.pages.state import Key
from toeline.pages.work import Asked, inspected
from toeline.report import look
from toeline.report.class_table import class_row, csv_text, mark_words
from toeline.report.summary import headline, no_change, photo_word, share_under_target, unsaid_strips
from toeline.report.tables import cause_lines, flag_lines, measure_rows, outcome_words, spatter_words, title, verdict_lines
from toeline.spatter import Correction

PAGES = Path(entry.__file__).parent
ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(autouse=True)
def _own_logbook(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Each test with its own logbook and shelf."""
    monkeypatch.setenv("TOELINE_LOGBOOK", str(tmp_path / "logbook.sqlite"))
    monkeypatch.delenv(serve.CODE_VARIABLE, raising=False)
    st.cache_resource.clear()
    yield
    st.cache_resource.clear()


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch) -> list[Coupon]:
    """Made-up inspections in place of real ones, so that pages are tested alone; returns the coupons that were asked about."""
    asked: list[Coupon] = []

    def inspect_photo(photo: Any, coupon: Coupon, *, history: tuple[Past, ...] = (), **_: Any) -> Any:
        if "nostrip" in photo.name:
            raise NoScale("No strip was found.", advice="Lay the strips beside the bead.")
        if "breaks" in photo.name:
            raise ZeroDivisionError("a mistake of ours")
        asked.append(coupon)
        record = tee_record(
            name=photo.name,
            refused="refused" in photo.name,
            process=coupon.process,
            target_leg_mm=coupon.target_leg_mm,
            settings=dict(coupon.settings),
            plate_before=coupon.plate_before,
            leg_mm=5 + int(photo.sha256[:2], 16) / 100,
        )
        record["photo"]["sha256"] = photo.sha256
        if history:
            record["after"] = {"record": history[-1].record, "changed": history[-1].change}
            record["advice"]["lessons"] = list(reason(None, surface=None, spatter=None, coupon=coupon, history=history).lessons)
        return SimpleNamespace(photo=photo, as_dict=lambda: record, refused=record["refused"])

    monkeypatch.setattr(work, "_marks", lambda found: None if found.refused else _GRADE)
    monkeypatch.setattr(work, "inspect_photo", inspect_photo)
    monkeypatch.setattr(work, "close_up", lambda found, max_px: np.asarray(found.photo.pixels))
    monkeypatch.setattr(work, "close_up_box", lambda found: (0.0, 0.0, 1200.0, 900.0))
    return asked


def _page(module: str) -> AppTest:
    """One page alone, as its module draws it."""
    script = f"from toeline.pages import look, {module}\nlook.apply()\n{module}.page()\n"
    return AppTest.from_string(script, default_timeout=60)


def _clean(page: AppTest) -> AppTest:
    page.run()
    assert not page.exception and not page.error, [e.value for e in (*page.exception, *page.error)]
    return page


def _words(page: AppTest) -> str:
    """All text that the page shows."""
    kinds = (page.markdown, page.html, page.subheader, page.caption, page.success, page.title)
    return "\n".join(str(getattr(e, "value", None) or getattr(e, "body", "")) for kind in kinds for e in kind)


def _upload(page: AppTest, *photos: tuple[str, bytes]) -> AppTest:
    page.file_uploader[0].set_value([(name, data, "image/jpeg") for name, data in photos])
    page.run()
    assert not page.exception, [e.value for e in page.exception]
    return page


def _fill() -> None:
    with Logbook() as book:
        for n in range(8):
            book.save(
                tee_record(
                    leg_mm=5 + n / 10,
                    n_spatter=20 + 15 * (n % 2),
                    settings={"voltage_v": 17.0 + n % 2},
                    taken_at=f"2026-03-0{n + 1}T10:00:00",
                    name=f"coupon-{n}.jpg",
                ),
                grey_photo(seed=n),
                overlay=grey_photo(seed=20 + n),
                labels=Labels("Ada" if n < 5 else "Ben", f"T-{n}"),
                invented=n == 7,
            )
        book.save(tee_record(refused=True), labels=Labels("Ben", "T-none"))


MODULES = ("inspect_page", "tuning_page", "class_page", "logbook_page", "strips_page")


@pytest.mark.parametrize("module", MODULES)
def test_every_page_runs_empty(module: str) -> None:
    page = _clean(_page(module))
    assert page.title[0].value


@pytest.mark.parametrize("module", MODULES)
def test_every_page_runs_with_a_full_logbook(module: str) -> None:
    _fill()
    page = _clean(_page(module))
    assert page.title[0].value


def test_the_entry_lists_every_page_and_opens_on_inspect() -> None:
    page = AppTest.from_file(str(ROOT / "app.py"), default_timeout=60).run()
    assert not page.exception
    assert page.title[0].value == "Inspect a bead"
    assert [title for _, title, _ in entry.PAGES] == ["Inspect", "Tuning", "Class", "Logbook", "Strips"]


# --- inspect ---


def test_a_photo_is_measured_saved_and_found_again(measured: list[Coupon]) -> None:
    page = _clean(_page("inspect_page"))
    page.button_group(key=Key.PROCESS).set_value("gmaw-s").run()
    page.button_group(key=f"{Key.TARGET}-leg").set_value(6.0).run()
    page.button_group(key=f"{Key.BACKING}-AB").set_value("magnet sheet").run()
    _upload(page, ("t-1.jpg", grey_photo()))
    shown = _words(page)
    assert "Shortest leg (standing)" in shown and "Length under 6 mm" in shown and "Change one thing" in shown
    assert shown.count("no fusion") >= 2, "cautions stand beside both advice and verdict"
    page.text_input(key=Key.LEARNER).input("Ada").run()
    page.button(key=Key.SAVE).click().run()
    assert "Saved as number 1" in page.success[0].value
    assert (measured[0].process, measured[0].target_leg_mm) == ("gmaw-s", 6.0)
    with Logbook() as book:
        (entry_,) = book.entries()
        assert entry_.labels.learner == "Ada" and entry_.kept_photo and entry_.kept_overlay
        told = book.remembered()
    assert told["process"] == "gmaw-s" and told["thickness_mm"] == {"A": 1.0, "B": 1.0} and told["learner"] == "Ada"
    opened = _page("logbook_page")
    opened.session_state[Key.OPEN] = entry_.id
    assert "Shortest leg (standing)" in _words(_clean(opened))


def test_what_only_a_person_knows_goes_with_its_coupon_and_the_next_one_learns(measured: list[Coupon]) -> None:
    with Logbook() as book:
        book.remember(Choices(process="gmaw-s", thickness_mm={"A": 1.0, "B": 1.0}, target_leg_mm=6.0).plain())
        first = tee_record(name="first.jpg", settings={"voltage_v": 17.0})
        first["causes"][0]["key"] = "volts-low"
        first["advice"] |= {"signs": {"spatter-high": 0.9}, "quantities": {"spatter_log": 1.2}}
        saved = book.save(first, labels=Labels("Ada", "T-1"))
    photo = grey_photo(seed=9)
    page = _upload(_clean(_page("inspect_page")), ("second.jpg", photo))
    mark = content_hash(photo)
    page.selectbox(key=f"{Key.AFTER}-{mark}").select_index(0).run()
    page.selectbox(key=f"{Key.CHANGED}-{mark}-{saved.id}").set_value("volts-low").run()
    page.button_group(key=f"{Key.SAW}-{mark}").set_value(["stubbing"]).run()
    page.button_group(key=f"{Key.SAW_NOT}-{mark}").set_value(["soot"]).run()
    page.number_input(key=f"{Key.GAUGE}-convexity_mm-{mark}").set_value(1.5).run()
    page.button_group(key=f"{Key.TEST}-{mark}").set_value("bend").run()
    page.button_group(key=f"{Key.TEST_RESULT}-{mark}").set_value("failed").run()
    assert not page.exception and not page.error
    told = measured[-1]
    assert (told.observed, told.not_observed, told.test, told.test_result) == (("stubbing",), ("soot",), "bend", "failed")
    assert told.gauge["convexity_mm"] == 1.5
    assert "What your change did." in _words(page) and "volts too low" in _words(page)
    page.button(key=Key.SAVE).click().run()
    with Logbook() as book:
        (newest, _) = book.entries()
        assert [past.change for past in book.history(newest.id, None)] == ["volts-low", None]


def test_choices_are_remembered_in_the_next_session(measured: list[Coupon]) -> None:
    with Logbook() as book:
        book.remember(Choices(process="fcaw-s", thickness_mm={"A": 1.0, "B": 0.5}, target_leg_mm=7.0).plain())
    page = _clean(_page("inspect_page"))
    assert "self-shielded" in _words(page) and "target leg 7 mm" in _words(page)
    page.button(key=Key.CHANGE).click().run()
    assert page.button_group(key=Key.PROCESS).value == "fcaw-s"
    assert page.button_group(key=f"{Key.BACKING}-AB").value == "another"
    assert page.number_input(key=f"{Key.THICKNESS}-B").value == 0.5
    assert page.number_input(key=f"{Key.TARGET}-leg-number").value == 7.0


@pytest.mark.parametrize(
    ("name", "data", "words"),
    [
        ("empty.jpg", b"", "0 bytes"),
        ("order.jpg", b"%PDF-1.7 not a picture", "PDF"),
        ("cut.jpg", grey_photo(600, 400)[:9000], "cut.jpg"),
        ("nostrip.jpg", grey_photo(seed=4), "No strip was found. Lay the strips beside the bead."),
        ("refused.jpg", grey_photo(seed=5), "No strip was found. Lay the strips beside the bead."),
        ("breaks.jpg", grey_photo(seed=6), "Something in toeline itself went wrong"),
    ],
)
def test_a_bad_photo_gets_a_sentence_and_no_numbers(measured: list[Coupon], name: str, data: bytes, words: str) -> None:
    page = _upload(_clean(_page("inspect_page")), (name, data))
    assert "Not measured." in _words(page) and words in _words(page)
    assert "Shortest leg" not in _words(page)
    assert not [b for b in page.button if b.key == Key.SAVE]


def test_a_save_that_fails_says_why_and_keeps_the_numbers(measured: list[Coupon], monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: Any, **__: Any) -> None:
        raise LogbookTrouble("The logbook did not take this: the disk is full.", advice="Free some space.")

    page = _upload(_clean(_page("inspect_page")), ("t-1.jpg", grey_photo()))
    monkeypatch.setattr(Logbook, "save", full)
    page.button(key=Key.SAVE).click().run()
    assert "the disk is full" in page.error[0].value and "stay on this page" in page.error[0].value
    assert "Shortest leg" in _words(page)
    monkeypatch.undo()


def test_several_photos_at_once_and_back_to_the_first(measured: list[Coupon]) -> None:
    page = _upload(_clean(_page("inspect_page")), ("a.jpg", grey_photo(seed=1)), ("b.jpg", grey_photo(seed=2)))
    chosen = page.button_group(key=Key.PICKED)
    assert chosen.value[1] == "b.jpg"
    n_measured = len(measured)
    chosen.set_value(page.session_state[Key.TRAY][0]).run()
    assert not page.exception and len(measured) == n_measured + 1
    page.button_group(key=Key.PICKED).set_value(page.session_state[Key.TRAY][1]).run()
    assert len(measured) == n_measured + 1, "what was measured before comes from the shelf"
    page.button(key="inspect-clear").click().run()
    assert page.session_state[Key.TRAY] == []


def test_several_photos_of_one_coupon_give_one_result(measured: list[Coupon], monkeypatch: pytest.MonkeyPatch) -> None:
    def inspect_coupon(photos: Any, coupon: Coupon, **_: Any) -> Any:
        each = [work.inspect_photo(photo, coupon) for photo in photos]
        own = [
            {"name": one.photo.name, "used": k > 0, "refused": None, "measures": {"width_mean_mm": {"value": 8.0, "u": 0.1}}}
            for k, one in enumerate(each)
        ]
        record = {**each[1].as_dict(), "same_coupon": {"together": False, "photos": own}}
        return SimpleNamespace(joint=each[1], photos=each, as_dict=lambda: record)

    monkeypatch.setattr(work, "inspect_coupon", inspect_coupon)
    page = _upload(_clean(_page("inspect_page")), ("a.jpg", grey_photo(seed=1)), ("b.jpg", grey_photo(seed=2)))
    page.toggle(key=Key.ONE_COUPON).set_value(True).run()
    assert not page.exception, [e.value for e in page.exception]
    assert "a.jpg" in _words(page) and "Not in the result: a.jpg" in _words(page) and "do not lie alike" in _words(page)
    assert not [b for b in page.button_group if b.key == Key.PICKED]
    page.button(key=Key.SAVE).click().run()
    with Logbook() as book:
        (entry,) = book.entries()
        assert entry.photo_name == "b.jpg" and book.result(entry.id)["same_coupon"]["photos"]
    page.toggle(key=Key.ONE_COUPON).set_value(False).run()
    assert [b for b in page.button_group if b.key == Key.PICKED], "each photo by itself again"


def test_inspect_works_without_a_logbook(measured: list[Coupon], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_text("in the way")
    monkeypatch.setenv("TOELINE_LOGBOOK", str(tmp_path / "file" / "logbook.sqlite"))
    page = _page("inspect_page").run()
    assert "did not take this" in page.error[0].value
    _upload(page, ("t-1.jpg", grey_photo()))
    assert "Shortest leg" in _words(page) and "can't be saved" in _words(page)


def test_a_setting_that_can_not_be_is_said_so() -> None:
    with Logbook() as book:
        book.remember(Choices(settings={"voltage_v": 900.0}).plain())
    page = _page("inspect_page").run()
    assert "voltage_v" in page.error[0].value


# --- class, tuning, logbook, strips ---


def test_a_class_of_six_and_one_bad_file(measured: list[Coupon]) -> None:
    page = _clean(_page("class_page"))
    photos = [(f"learner-{n}.jpg", grey_photo(seed=n)) for n in range(6)]
    _upload(page, *photos, ("order.jpg", b"%PDF-1.7"))
    (table,) = page.dataframe
    assert list(table.value["coupon"]) == [*(name for name, _ in photos), "order.jpg"]
    assert table.value["shortest leg [mm]"].notna().sum() == 6
    assert list(table.value["mark"].dropna()) == [71.4] * 6
    assert "PDF" in _words(page)
    page.selectbox(key=Key.CLASS_OPEN).set_value(2).run()
    assert "Shortest leg (standing)" in _words(page)
    page.button(key="class-save").click().run()
    assert page.success[0].value == "6 coupons saved."
    with Logbook() as book:
        assert sorted(e.labels.learner for e in book.entries()) == [f"learner-{n}" for n in range(6)]


def test_tuning_shows_the_setting_and_says_what_it_does() -> None:
    _fill()
    page = _clean(_page("tuning_page"))
    axis = next(g for g in page.button_group if g.label == "Against")
    assert axis.value == "voltage_v"
    assert "18 against 17" in _words(page)
    axis.set_value("time").run()
    assert not page.exception and "against" in _words(page)


def test_a_learner_sees_progress_and_can_open_and_take_out_a_coupon() -> None:
    _fill()
    page = _clean(_page("logbook_page"))
    page.button_group(key=Key.WHOSE).set_value("Ada").run()
    assert not page.exception and "Gone up over 5 coupons" in _words(page)
    page.button(key="open-1").click().run()
    assert "T-0" in _words(page) and "Ada" in _words(page)
    page.text_input(key="withdraw-why-1").input("not hers").run()
    page.button(key="withdraw-1").click().run()
    with Logbook() as book:
        assert 1 not in {e.id for e in book.entries()}


def test_strips_come_for_both_papers() -> None:
    page = _clean(_page("strips_page"))
    labels = [button.label for button in page.get("download_button")]
    assert any("A4" in label for label in labels) and any("Letter" in label for label in labels)
    assert "100 %" in _words(page) and "never quench" in _words(page)


# --- behind the pages ---


def test_pages_compute_nothing_and_only_pages_know_streamlit() -> None:
    for path in (ROOT / "inspect" / "toeline").rglob("*.py"):
        names = {
            name.split(".")[0]
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            for name in (
                [alias.name for alias in node.names]
                if isinstance(node, ast.Import)
                else [node.module or ""]
                if isinstance(node, ast.ImportFrom)
                else []
            )
        }
        if path.parent == PAGES:
            assert not names & {"numpy", "scipy", "cv2", "skimage", "math", "statistics", "sqlalchemy", "matplotlib"}, path.name
        else:
            assert "streamlit" not in names, path.name


def test_the_theme_is_the_house_look() -> None:
    theme = tomllib.loads((PAGES / "theme.toml").read_text(encoding="utf-8"))["theme"]
    assert (theme["primaryColor"], theme["backgroundColor"], theme["textColor"]) == (look.ACCENT, look.PAPER, look.INK)
    config = tomllib.loads((ROOT / ".streamlit" / "config.toml").read_text(encoding="utf-8"))
    assert (ROOT / config["theme"]["base"]).samefile(PAGES / "theme.toml")
    assert config["browser"]["gatherUsageStats"] is False and config["server"]["address"] == "127.0.0.1"


def _contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, WCAG 2.2 (relative luminance by IEC 61966-2-1 sRGB; formula from memory)."""

    def luminance(colour: str) -> float:
        parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_text_and_marks_stand_out_from_the_paper() -> None:
    """WCAG 2.2: at least 4.5 : 1 for text (1.4.3), 3 : 1 for large text and for lines of charts (1.4.3, 1.4.11)."""
    assert _contrast("#000000", "#ffffff") == pytest.approx(21)
    for colour in (look.INK, look.ACCENT, look.GOOD):
        assert _contrast(colour, look.PAPER) >= 4.5, colour
    for colour in (*look.LINE_COLOURS, look.WARN):
        assert _contrast(colour, look.PAPER) >= 3.0, colour
    assert _contrast("#ffffff", look.ACCENT) >= 4.5


def test_choices_make_a_coupon_and_a_scaling() -> None:
    choices = Choices(
        process="gmaw-s",
        thickness_mm={"A": 1.0, "C": 0.1},
        target_leg_mm=6.0,
        target_width_mm=9.0,
        plate_clean=True,
        check_across_mm=80.4,
        check_down_mm=79.6,
        settings={"wire_feed_m_per_min": 5.0},
    )
    asked = choices.asked()
    assert (asked.coupon.target_leg_mm, asked.coupon.target_width_mm, asked.coupon.plate_before) == (6.0, None, "clean")
    assert asked.scaling.strip_thickness_mm == {"A": 1.0, "C": 0.1}
    assert asked.scaling.print_factor == (pytest.approx(1.005), pytest.approx(0.995))
    assert asked.coupon.settings["wire_feed_mm_per_min"] == 5000.0
    assert Choices.read({**choices.plain(), "no longer known": 1}) == choices
    assert "1 mm and ?" in choices.in_words() and "target leg 6 mm" in choices.in_words()
    assert Choices().asked().scaling.strip_thickness_mm is None
    flat = Choices(joint="plate", target_leg_mm=6.0, target_width_mm=9.0).asked().coupon
    assert (flat.target_leg_mm, flat.target_width_mm) == (None, 9.0)
    with pytest.raises(BadUsage):
        Choices(settings={"voltage_v": 900.0}).asked()
    assert setting_words("voltage_v") == "volts [V]" and setting_words("argon_percent") == "argon percent"


def _asked() -> Asked:
    return Choices().asked()


def test_one_limit_holds_for_the_whole_server(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    under_way, most = [0], [0]

    def slow(photo: Any, coupon: Coupon, **_: Any) -> Any:
        under_way[0] += 1
        most[0] = max(most[0], under_way[0])
        time.sleep(0.05)
        under_way[0] -= 1
        return SimpleNamespace(photo=photo, as_dict=lambda: tee_record(name=photo.name), refused=True)

    monkeypatch.setattr(work, "inspect_photo", slow)
    monkeypatch.setattr(work, "close_up", lambda found, max_px: np.asarray(found.photo.pixels))
    monkeypatch.setattr(work, "close_up_box", lambda found: (0.0, 0.0, 1200.0, 900.0))
    shelf, turn = Shelf(tmp_path), threading.Semaphore(1)
    photos = [shelf.put(grey_photo(seed=n)) for n in range(5)]
    threads = [threading.Thread(target=inspected, args=(shelf, turn, sha, "p.jpg", _asked())) for sha in photos]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert most == [1]


def test_the_shelf_forgets_the_oldest_and_says_so(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path, limit_bytes=2500)
    first = shelf.put(b"a" * 1000)
    os.utime(next(tmp_path.rglob(f"{first}*")), (1, 1))
    shelf.put(b"b" * 1000)
    last = shelf.put(b"c" * 1000)
    assert shelf.photo(last) == b"c" * 1000
    with pytest.raises(ShelfTrouble, match="no longer at hand"):
        shelf.photo(first)
    shelf.clear()
    assert not tmp_path.exists()


def test_a_shelf_that_takes_no_more_says_so(tmp_path: Path) -> None:
    (tmp_path / "shelf").write_text("in the way")
    with pytest.raises(ShelfTrouble, match="could not be kept"):
        Shelf(tmp_path / "shelf").put(b"photo")
    Shelf(tmp_path / "shelf").finish("key", Shown("a", "b"))


# --- summary and class table ---


def test_the_share_under_target_is_counted_by_hand() -> None:
    """Twenty steady stations, 10 to 29 mm; the shorter leg is 5 mm at the first five and 7 mm at the rest; target 6 mm."""
    record = tee_record(target_leg_mm=6.0)
    along = [float(x) for x in range(41)]
    legs = [5.0 if 10 <= x < 15 else 7.0 for x in along]
    record["stations"].update(along_mm=along, leg_base_mm=[8.0] * 41, leg_standing_mm=[None, *legs[1:]])
    record["bead"]["parts"] = [
        {"kind": "steady", "from_mm": 10.0, "to_mm": 29.5},
        {"kind": "crater", "from_mm": 29.5, "to_mm": 40.0},
    ]
    share = share_under_target(record)
    assert share == (pytest.approx(0.25), pytest.approx(0.0))
    assert headline(record)[1] == ("Length under 6 mm", "25 %", "bad")
    assert share_under_target(tee_record(target_leg_mm=None)) is None
    record["verdicts"] = [{"measure": "undersize_share_ratio", "value": 0.4, "u": 0.1}]
    assert share_under_target(record) == (0.4, 0.1)


def test_strips_of_unsaid_thickness_are_named() -> None:
    record = tee_record()
    assert unsaid_strips(record, None) == ("A", "B")
    assert unsaid_strips(record, {"A": 1.0, "C": 1.0}) == ("B",)
    assert unsaid_strips(record, {"A": 1.0, "B": 0.1}) == unsaid_strips(record, 0.5) == ()


def test_the_word_on_the_photo() -> None:
    record = tee_record()
    assert photo_word(record)[0] == "open" and "not sharp" in photo_word(record)[1]
    assert photo_word(record | {"flags": []}) == ("good", "<b>The photo will do.</b>")
    assert photo_word(tee_record(refused=True))[0] == "bad"


def test_what_is_beyond_a_limit_comes_first() -> None:
    record = tee_record()
    (verdict,) = record["verdicts"]
    within = verdict | {"outcome": "within", "measure": "leg_base_min_mm"}
    record["verdicts"] = [
        within,
        verdict | {"outcome": "beyond"},
        verdict | {"title": "no crack", "outcome": "not measurable from a photo"},
    ]
    lines = verdict_lines(record)
    assert [line[0] for line in lines] == ["too short", "within", "not measurable from a photo"]
    assert lines[0][1].endswith("(standing leg, shortest)") and lines[2][1] == "no crack"
    record["verdicts"] = [
        verdict | {"title": "no pores", "measure": "pore_max_mm", "value": 0.0, "u": 0.0, "limit": 0.0, "length_share": None}
    ]
    assert verdict_lines(record)[0][2] == "", "none seen is not a length of nought"
    assert lines[0][2] == "5.6 ± 0.2 mm against 6 mm, 35 % of the length too short"


def test_what_waits_for_an_answer_says_so_and_shares_are_in_per_cent() -> None:
    (verdict,) = tee_record()["verdicts"]
    wide = verdict | {"measure": "width_mean_mm", "value": 9.0, "limit": 8.0, "outcome": "beyond"}
    assert outcome_words(wide) == "too wide" and outcome_words(wide | {"value": 7.0}) == "too narrow"
    assert outcome_words(verdict | {"measure": "leg_difference_mm", "outcome": "beyond"}) == "beyond"
    close = verdict | {"value": 6.1, "limit": 6.0, "margin": 0.1, "length_share": 0.39, "outcome": "too close to call"}
    assert verdict_lines(tee_record() | {"verdicts": [close]})[0][2].endswith("39 % of the length too short")
    waits = verdict | {"value": None, "outcome": "not measurable from a photo", "missing": "a scale"}
    assert outcome_words(waits) == "not told without a scale"
    drift = verdict | {
        "measure": "width_drift_ratio",
        "value": 0.01,
        "u": 0.02,
        "limit": 0.2,
        "length_share": None,
        "outcome": "within",
    }
    assert verdict_lines(tee_record() | {"verdicts": [drift]})[0][2] == "1 ± 4 % against 20 %"


def test_a_lower_bound_of_spatter_is_told_as_one() -> None:
    spatter = tee_record()["spatter"] | {"n_on_plate": None, "density_per_cm2": None, "at_least": "not sharp"}
    assert spatter_words(spatter).startswith(f"at least {spatter['n']} on ") and "(not sharp)" in spatter_words(spatter)
    assert spatter_words(spatter | {"n": 0}).startswith("none seen on ")


def test_what_comes_first_is_told_instead_of_a_change() -> None:
    record = tee_record()
    record["advice"] |= {"first": "Chip the slag off.", "next_change": None}
    assert "Do this first: Chip the slag off." in cause_lines(record)
    assert not any(line.startswith(("Change one thing", "Nothing stands out")) for line in cause_lines(record | {"causes": []}))
    assert no_change(record, likely=True) == "<b>Do this first.</b> Chip the slag off."


def test_a_measure_is_named_alike_in_every_unit() -> None:
    assert title("width_mean_px") == title("width_mean_mm")
    assert title("wander_ratio") == f"{title('wander_mm')}, over the width"
    record = tee_record() | {"spatter": None}
    record["measures"] = {
        "wander_ratio": {"value": 0.02, "u": 0.01},
        "width_mean_px": {"value": 136.0, "u": 2.0},
        "length_px": {"value": 1584.0, "u": 1.0},
    }
    assert [row[0] for row in measure_rows(record)] == [title(k) for k in ("width_mean_px", "length_px", "wander_ratio")]


def test_a_doubt_is_told_in_words_with_all_it_is_about() -> None:
    flags = [{"name": "toe-unsure", "where": w, "advice": ""} for w in ("base toe, 3–9 mm", "standing toe, 34–41 mm")]
    (line,) = flag_lines({"flags": flags})
    assert (
        line.startswith("The toe line is doubtful here (base toe, 3–9 mm; standing toe, 34–41 mm). ") and "toe-unsure" not in line
    )


_GRADE = {
    "total": 71.42,
    "total_u": 4.0,
    "marked_share_ratio": 0.9,
    "source": "a rubric",
    "rows": [
        {"criterion": "Straight", "marks": 4.0, "of": 10.0, "why": "2 mm"},
        {"criterion": "Spatter", "marks": None, "of": 10.0, "why": "not measured, so not counted"},
    ],
}


def test_a_mark_says_how_much_of_the_rubric_it_covers() -> None:
    assert mark_words(_GRADE) == "71 ± 8 of 100 (on 90 % of the rubric; the rest was not measured)"
    assert mark_words(_GRADE | {"total": None}) == "nothing could be marked"


def test_the_class_table_survives_a_spreadsheet() -> None:
    rows = [
        class_row("=cmd|'/c calc'!A1.jpg", tee_record(), grade=_GRADE),
        class_row("b, «ö».jpg", tee_record(refused=True)),
        class_row("c.jpg", None, trouble="empty"),
    ]
    text = csv_text(rows)
    back = list(csv.DictReader(io.StringIO(text.removeprefix("\ufeff"))))
    assert (
        back[0]["coupon"].startswith("'=")
        and back[0]["mark"] == "71.4"
        and back[0]["Straight (of 10)"] == "4.0"
        and back[0]["shortest leg [mm]"] == "5.6"
    )
    assert back[1]["coupon"] == "b, «ö».jpg" and "No strip was found." in back[1]["remark"]
    assert back[2]["remark"] == "empty"


# --- the gate ---


def test_the_gate_lets_one_person_in_once() -> None:
    gate = Gate("1234 5678", pause_s=0.0)
    assert gate.try_code("0000")[0] is None
    assert not gate.knows("")
    ticket, why = gate.try_code("1234-5678")
    assert ticket and why == "" and gate.knows(ticket) and not gate.knows(ticket + "x")
    assert gate.try_code("1234 5678") == (None, "This code has been used. Start toeline with --phone again for a new one.")


def test_the_gate_slows_down_and_shuts() -> None:
    gate = Gate("12345678", pause_s=30.0)
    assert "not the code" in gate.try_code("1")[1]
    assert "Wait" in gate.try_code("12345678")[1]
    gate = Gate("12345678", pause_s=0.0)
    for _ in range(MOST_TRIES):
        gate.try_code("1")
    assert "Too many wrong codes" in gate.try_code("12345678")[1]


def test_the_pages_stay_shut_without_the_code(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(serve.CODE_VARIABLE, "1234 5678")
    page = AppTest.from_file(str(ROOT / "app.py"), default_timeout=60).run()
    assert [t.value for t in page.title] == ["toeline"] and not page.file_uploader
    page.query_params[TICKET] = "guessed"
    assert [t.value for t in page.run().title] == ["toeline"]
    page.text_input(key=Key.CODE).input("12345678")
    page.button[0].click().run()
    assert [t.value for t in page.title] == ["Inspect a bead"] and not page.exception
    ticket = page.query_params[TICKET]
    again = AppTest.from_file(str(ROOT / "app.py"), default_timeout=60)
    again.query_params[TICKET] = ticket[0] if isinstance(ticket, list) else ticket
    assert [t.value for t in again.run().title] == ["Inspect a bead"], "a reload on the same phone stays in"
    other = AppTest.from_file(str(ROOT / "app.py"), default_timeout=60).run()
    other.text_input(key=Key.CODE).input("12345678")
    other.button[0].click().run()
    assert "has been used" in other.error[0].value


# --- serving ---


class _Started:
    """Stands in for the server's process and remembers how it was started."""

    seen: dict[str, Any] = {}

    def __init__(self, command: list[str], env: dict[str, str]) -> None:
        self.seen.update(command=command, env=env)

    def wait(self) -> int:
        return 0


def test_serving_stays_on_this_machine_and_tells_nobody(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(serve.subprocess, "Popen", _Started)
    lines: list[str] = []
    assert serve.serve_app(port=_free_port(), logbook=tmp_path / "l.sqlite", tell=lines.append) == 0
    command, env = _Started.seen["command"], _Started.seen["env"]
    assert "--server.address=127.0.0.1" in command and "--browser.gatherUsageStats=false" in command
    assert serve.CODE_VARIABLE not in env and env["TOELINE_LOGBOOK"] == str(tmp_path / "l.sqlite")
    assert "http://127.0.0.1:" in lines[0]
    assert Path(command[4]).name == "entry.py" and Path(command[4]).exists()


def test_a_phone_gets_an_address_a_picture_and_a_code(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serve.subprocess, "Popen", _Started)
    monkeypatch.setattr(serve, "lan_address", lambda: "127.0.0.2")
    lines: list[str] = []
    serve.serve_app(phone=True, port=_free_port(), tell=lines.append)
    code = _Started.seen["env"][serve.CODE_VARIABLE]
    assert "--server.address=127.0.0.2" in _Started.seen["command"]
    assert not any(code.split()[0] in part for part in _Started.seen["command"]), "a command line is seen by every user"
    assert len(code.replace(" ", "")) == 8 and any(code in line for line in lines)
    assert any("http://127.0.0.2:" in line for line in lines) and "█" in lines[0]
    assert serve.one_time_code() != serve.one_time_code()


def test_the_picture_is_read_back_by_opencv() -> None:
    """The QR code as printed, read by OpenCV's detector."""
    import cv2

    picture = serve.phone_lines("192.168.1.20", 8501, "0000 0000")[0].splitlines()
    top = {" ": (1, 1), "▀": (0, 1), "▄": (1, 0), "█": (0, 0), "\xa0": (1, 1)}
    rows = [[top[c][half] for c in line.ljust(len(picture[0]))] for line in picture for half in (0, 1)]
    dark = np.kron(np.asarray(rows), np.ones((8, 8)))
    for image in (dark * 255, 255 - dark * 255):
        padded = np.pad(image.astype(np.uint8), 40, constant_values=255)
        text, *_ = cv2.QRCodeDetector().detectAndDecode(padded)
        if text:
            break
    assert text == "http://192.168.1.20:8501"


def test_a_taken_port_is_said_so() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(BadUsage, match="can't be used"):
            serve.serve_app(port=taken.getsockname()[1], tell=lambda _: None)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def test_a_doubtful_particle_is_answered_with_one_tap_and_stays_answered(
    measured: list[Coupon], monkeypatch: pytest.MonkeyPatch
) -> None:
    heard: list[tuple[Correction, ...]] = []

    def correct_spatter(found: Any, corrections: tuple[Correction, ...], **_: Any) -> Any:
        if not corrections:
            return found
        heard.append(tuple(corrections))
        record = dict(found.as_dict())
        record["spatter"] = record["spatter"] | {
            "corrections": [{"x_px": c.x_px, "y_px": c.y_px, "droplet": c.droplet} for c in corrections]
        }
        return SimpleNamespace(photo=found.photo, as_dict=lambda: record, refused=None)

    monkeypatch.setattr(work, "correct_spatter", correct_spatter)
    page = _upload(_clean(_page("inspect_page")), ("t-1.jpg", grey_photo()))
    (tap,) = [b for b in page.button_group if "35 %" in b.label]
    tap.set_value("droplet").run()
    assert not page.exception
    assert heard and heard[-1] == (Correction(420.0, 300.0, True),)
    assert "1 corrected by hand" in _words(page).lower()
    again = _upload(_clean(_page("inspect_page")), ("t-1.jpg", grey_photo()))  # another visit, the same photo
    assert "1 corrected by hand" in _words(again).lower()
    again.button(key=Key.SAVE).click().run()
    with Logbook() as book:
        assert book.result(book.entries()[0].id)["spatter"]["corrections"] == [{"x_px": 420.0, "y_px": 300.0, "droplet": True}]


def test_only_plate_treated_alike_is_compared() -> None:
    """Brushing decides what stays: a brushed coupon says nothing of coupons that were not brushed."""
    with Logbook() as book:
        for n in range(6):
            record = tee_record(
                n_spatter=20 + 30 * (n % 2), settings={"voltage_v": 17.0 + n % 2}, taken_at=f"2026-03-0{n + 1}T10:00:00"
            )
            record["photo"]["sha256"] = f"{n:064d}"
            record["coupon"]["plate_now"] = "brushed" if n == 0 else "as welded"
            record["coupon"]["plate_before"] = "photographed" if n == 1 else "clean"
            book.save(record)
        tuning = tune(book.entries(), "voltage_v")
    assert (len(tuning.spots), tuning.n_unlike, tuning.plate_now) == (5, 1, "as welded")
    assert "Four times in five" in tuning.smallest_in_words
    words = _words(_clean(_page("tuning_page")))
    assert "left out: 1" in words and "Four times in five" in words
