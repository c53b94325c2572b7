"""One coupon after another: what was changed, what came of it, what that says of the cause; through the logbook and the command line."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from tests.records import tee_record
from tests.test_commands import TEE, run

from toeline.causes import Diagnosis, Past, reason
from toeline.coupon import Coupon
from toeline.errors import BadUsage, LogbookTrouble
from toeline.logbook import Logbook
from toeline.measure.result import BeadSize, Stations
from toeline.quantity import Measured
from toeline.record import check_record
from toeline.spatter.result import Interval, Spatter

COUPON = Coupon(process="gmaw-s", target_leg_mm=6.0, settings={"voltage_v": 17.0})


def diagnosed(leg_mm: float, density: float, coupon: Coupon, history: tuple[Past, ...] = ()) -> Diagnosis:
    measures = {name: Measured(leg_mm, 0.1) for name in ("leg_base_mean_mm", "leg_standing_mean_mm")}
    measures["width_mean_mm"] = Measured(leg_mm * 2**0.5, 0.1)
    size = BeadSize(Stations(*([np.empty(0)] * 7)), measures, np.empty(0, dtype=bool))
    spatter = Spatter((), 80.0, Interval(density, 0.8 * density, 1.2 * density), ())
    return reason(size, surface=(), spatter=spatter, coupon=coupon, history=history)


def past(of: Diagnosis, coupon: Coupon, change: str) -> Past:
    return Past(of.signs, change, of.quantities, coupon.settings)


def test_an_outcome_is_told_with_its_numbers_and_moves_the_belief() -> None:
    """Volts too low make spatter and a narrow, ropey bead (machine makers' bead-reading articles): up they go, and both are gone."""
    before = diagnosed(5.0, 0.9, COUPON)
    raised = replace(COUPON, settings={"voltage_v": 18.0})
    better = diagnosed(6.0, 0.05, raised, (past(before, COUPON, "volts-low"),))
    assert len(better.lessons) == 1
    for words in (
        "voltage 17 → 18 V",
        "spatter fell from 0.90 to 0.05 per cm²",
        "the mean leg rose from 83 to 100 %",
        "supports it",
    ):
        assert words in better.lessons[0], better.lessons
    gauged = {"convexity_mm": 2.2}  # as ropey as before
    ropey = diagnosed(5.0, 0.9, replace(COUPON, gauge=gauged))
    same = diagnosed(5.0, 0.9, replace(raised, gauge=gauged), (past(ropey, COUPON, "volts-low"),))
    assert "supports" not in same.lessons[0] and "Nothing that belongs to it has clearly moved" in same.lessons[0]
    belief = {c.key: c.probability for c in same.causes}
    assert belief["volts-low"] < next(c.probability for c in ropey.causes if c.key == "volts-low") and belief["travel-fast"] > 0.3
    two = replace(COUPON, settings={"voltage_v": 18.0, "ctwd_mm": 10.0})
    first = replace(COUPON, settings={"voltage_v": 17.0, "ctwd_mm": 15.0})
    assert "More than one setting was changed" in diagnosed(6.0, 0.05, two, (past(before, first, "volts-low"),)).lessons[0]


def test_a_change_that_no_cause_has_is_an_error_with_the_valid_ones() -> None:
    before = diagnosed(5.0, 0.9, COUPON)
    with pytest.raises(BadUsage, match=r"volts-low"):
        diagnosed(5.0, 0.9, COUPON, (past(before, COUPON, "volts-lo"),))


def saved(book: Logbook, of: Diagnosis, name: str, after: Past | None) -> int:
    record = tee_record(name=name, settings={"voltage_v": 17.0})
    record["advice"] |= {"signs": dict(of.signs), "quantities": dict(of.quantities), "lessons": list(of.lessons)}
    record["after"] = None if after is None else {"record": after.record, "changed": after.change}
    check_record(record)
    return book.save(record).id


def test_the_logbook_keeps_the_chain(tmp_path: Path) -> None:
    with Logbook(tmp_path / "book.sqlite") as book:
        first = diagnosed(5.0, 0.9, COUPON)
        a = saved(book, first, "a.jpg", None)
        history = book.history(a, "volts-low")
        second = diagnosed(5.4, 0.5, COUPON, history)
        b = saved(book, second, "b.jpg", history[-1])
        chain = book.history(b, "travel-fast")
        assert [(p.record, p.change) for p in chain] == [(a, "volts-low"), (b, "travel-fast")]
        assert dict(chain[0].signs) == pytest.approx(dict(first.signs)) and chain[0].settings["voltage_v"] == 17.0
        third = diagnosed(6.0, 0.05, COUPON, chain)
        assert len(third.lessons) == 2 and "travel speed too fast" in third.lessons[1]
        with pytest.raises(LogbookTrouble):
            book.history(99, None)


def test_the_command_line_links_a_coupon_to_the_last(tmp_path: Path) -> None:
    book = tmp_path / "book.sqlite"
    said = ("inspect", TEE, "--process", "gmaw-s", "--strip-thickness-mm", "0.1", "--plate-before", "clean", "--logbook", book)
    first = run(*said)
    assert first.returncode == 0, first.stderr
    second = run(*said, "--after", "1", "--changed", "volts-low", "--saw", "no-stubbing", "--json", "-")
    assert second.returncode == 0, second.stderr
    record = json.loads(second.stdout)
    check_record(record)
    assert record["after"] == {"record": 1, "changed": "volts-low"}
    assert "volts too low" in record["advice"]["lessons"][0] and record["coupon"]["not_observed"] == ["stubbing"]
    assert record["advice"]["signs"]["stubbing"] < 0.1
    with Logbook(book) as opened:
        assert [p.record for p in opened.history(2, None)] == [1, 2]


def test_after_needs_a_logbook_and_a_coupon_in_it(tmp_path: Path) -> None:
    for words, told in (
        (("--after", "1"), "--logbook"),
        (("--changed", "volts-low"), "--after"),
        (("--after", "7", "--logbook", tmp_path / "new.sqlite"), "no record 7"),
    ):
        done = run("inspect", TEE, "--process", "gmaw-s", *words)
        assert done.returncode in (2, 3) and told in done.stderr + done.stdout


def test_several_workers_give_every_photo_its_sentence(tmp_path: Path) -> None:
    for name in ("a.jpg", "b.jpg"):
        (tmp_path / name).write_bytes(b"no picture")
    done = run("inspect", tmp_path, "--workers", "2")
    assert done.returncode == 3 and "a.jpg" in done.stdout and "b.jpg" in done.stdout, done.stderr
