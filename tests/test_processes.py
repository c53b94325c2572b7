"""What is known of each process: trade knowledge (common practice, no source), and that a process is one file and no code."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import toeline
from toeline.causes import reason
from toeline.coupon import PROCESSES, Coupon
from toeline.errors import BadUsage
from toeline.processes import load_process, process_names
from toeline.spatter.result import Interval, Spatter
from toeline.surface.result import SurfaceSign


def spattered(density: float) -> Spatter:
    return Spatter((), 60.0, Interval(density, 0.85 * density, 1.15 * density), ())


def spatter_sign(process: str, density: float) -> float:
    return reason(None, surface=None, spatter=spattered(density), coupon=Coupon(process=process)).signs["spatter-high"]


def test_there_are_at_least_thirty_causes_of_all_three_kinds_each_complete() -> None:
    keys = {key for name in process_names() for key in load_process(name).causes}
    assert len(keys) >= 30
    for name in process_names():
        process = load_process(name)
        assert len(process.causes) >= 30
        assert {c.kind for c in process.causes.values()} == {"technique", "settings", "condition"}
        for cause in process.causes.values():
            assert cause.change and cause.expect and cause.otherwise and cause.check and cause.caution
            assert all(source for _, source in cause.links.values())


def test_spatter_is_judged_by_the_processs_own_nature() -> None:
    """Common practice, no source: pulsed nearly none, spray little, gas-shielded cored far less than self-shielded, which leaves most."""
    top = {name: load_process(name).spatter.normal_density_per_cm2[1] for name in process_names()}
    assert top["gmaw-p"] < top["gmaw-spray"] < top["gmaw-s"] < top["fcaw-s"]
    assert top["fcaw-g"] < 0.25 * top["fcaw-s"]
    assert load_process("fcaw-s").spatter.normal_density_per_cm2[0] > 0, "some always stays"
    per_100_mm = 1 / 90  # one droplet along 100 mm of bead, seen on 45 mm of plate either side [1/cm²]
    assert spatter_sign("gmaw-s", 6 * per_100_mm) < 0.15, "a few droplets are normal"
    assert spatter_sign("fcaw-s", 25 * per_100_mm) < 0.2, "many are normal"
    assert spatter_sign("gmaw-s", 30 * per_100_mm) > 0.9
    assert spatter_sign("gmaw-p", 0.5) > 0.9
    assert spatter_sign("gmaw-spray", 0.8) > 0.9


def test_spray_needs_gas_and_current_runs_flat_and_horizontal_and_not_on_thin_plate() -> None:
    spray = load_process("gmaw-spray")
    assert spray.positions == ("flat", "horizontal")
    assert "push" in spray.gun
    assert spray.transition is not None and spray.transition.argon_possible_percent <= 90
    thin = reason(
        None,
        surface=(SurfaceSign("melt-through", 0.9, 5, 5),),
        spatter=None,
        coupon=Coupon(process="gmaw-spray", plate_thickness_mm=1.5),
    )
    assert thin.causes[0].key == "plate-too-thin"
    overhead = reason(None, surface=None, spatter=None, coupon=Coupon(process="gmaw-spray", position="overhead"))
    assert any("flat and horizontal" in note for note in overhead.notes)
    assert overhead.signs["position-unsuited"] > 0.9
    poor = Coupon(process="gmaw-spray", settings={"argon_percent": 75.0, "wire_diameter_mm": 1.2, "current_a": 260.0})
    first = reason(None, surface=None, spatter=spattered(0.8), coupon=poor).causes[0]
    assert first.key in ("gas-wrong", "globular")


@pytest.mark.parametrize("test", [None, "passed", "failed"])
def test_short_circuit_on_thick_plate_always_says_that_looks_prove_no_fusion(test: str | None) -> None:
    coupon = Coupon(process="gmaw-s", plate_thickness_mm=10.0, test="bend" if test else None, test_result=test)
    diagnosis = reason(None, surface=(), spatter=None, coupon=coupon)
    assert any("thick plate" in note and "no proof of fusion" in note for note in diagnosis.notes)
    if test:
        assert any(f"bend test {test}" in note and "outranks" in note for note in diagnosis.notes)
    thin = reason(None, surface=(), spatter=None, coupon=Coupon(process="gmaw-s", plate_thickness_mm=2.0))
    assert not any("thick plate" in note for note in thin.notes)


def test_pulsed_spray_is_tuned_by_trim_and_runs_in_any_position() -> None:
    pulsed = load_process("gmaw-p")
    assert not {"volts-low", "volts-high"} & set(pulsed.causes)
    assert "trim" in pulsed.causes["trim-long"].change
    assert {"vertical-up", "overhead"} <= set(pulsed.positions)
    assert pulsed.plate_thickness_mm[0] < load_process("gmaw-spray").plate_thickness_mm[0], "less heat than spray"


def test_self_shielded_never_blames_the_gas_and_bears_wind() -> None:
    process = load_process("fcaw-s")
    assert not process.gas_shielded
    assert not [key for key in process.causes if "gas" in key or key in ("draught", "nozzle-clogged")]
    pores = reason(None, surface=(SurfaceSign("pores", 0.9, 5, 2),), spatter=None, coupon=Coupon(process="fcaw-s"))
    assert {"volts-high", "ctwd-short", "wire-damp"} == {c.key for c in pores.causes[:3]}
    assert process.polarity == ("DCEN",)
    assert process.wire_classes["E70T-4"].polarity == ("DCEP",)
    assert process.wire_classes["E70T-4"].ctwd_mm[0] > process.wire_classes["E71T-11"].ctwd_mm[1]


def test_gas_shielded_cored_wants_more_stick_out_than_solid_wire_and_knurled_rolls() -> None:
    cored, solid = load_process("fcaw-g"), load_process("gmaw-s")
    assert cored.ctwd_mm[0] > solid.ctwd_mm[1]
    assert "knurled" in cored.rolls and "smooth" in solid.rolls
    assert "knurled" in cored.causes["feed-erratic"].change
    assert {"vertical-up", "overhead"} <= set(cored.positions)


def test_gun_push_or_drag_and_both_hands() -> None:
    assert "push" in load_process("gmaw-s").gun
    assert load_process("fcaw-s").gun.startswith("drag") and load_process("fcaw-g").gun.startswith("drag")
    assert "push-not-drag" in load_process("fcaw-s").causes and "push-not-drag" not in load_process("gmaw-s").causes
    assert all("both hands" in load_process(name).causes["travel-unsteady"].change for name in process_names())


def test_slag_left_on_is_noticed_and_asked_off_before_the_photo() -> None:
    for name in ("fcaw-s", "fcaw-g"):
        clean = reason(None, surface=(), spatter=None, coupon=Coupon(process=name))
        assert any("slag" in note for note in clean.notes), "a reminder even where none is seen"
        left = reason(None, surface=(SurfaceSign("slag left on", 0.9, 0, 40),), spatter=None, coupon=Coupon(process=name))
        assert "take the photo again" in left.notes[0]
        assert left.causes[0].key == "slag-not-removed"


def test_vertical_up_may_be_coarser() -> None:
    process = load_process("gmaw-s")
    flat, up = (process.norm("ripple_spacing_mm", p) for p in ("flat", "vertical-up"))
    assert flat is not None and up is not None and flat.high is not None and up.high is not None
    assert up.high > flat.high


def test_carbon_steel_only_is_said() -> None:
    for name in process_names():
        assert any("carbon steel" in n for n in reason(None, surface=None, spatter=None, coupon=Coupon(process=name)).notes)


# ------------------------------------------------------------------------------------------------- files


def test_unknown_keys_and_broken_tables_are_named(tmp_path: Path) -> None:
    source = Path(load_process.__wrapped__.__code__.co_filename).parent
    for file in source.glob("*.toml"):
        shutil.copy(file, tmp_path / file.name)
    for text, told in (
        ('based_on = "gmaw-s"\ncolour = "red"', "'colour'.*Valid keys"),
        ('based_on = "gmaw-s"\n[causes.volts-low]\nprioir = 0.1', "'prioir'"),
        ('based_on = "gmaw-s"\n[causes.volts-low.links]\nconvex = [1.5, "bead"]', "between -1 and 1"),
        ('based_on = "gmaw-s"\n[causes.volts-low.links]\nconvex = [0.5, "hearsay"]', "hearsay"),
        ('based_on = "gmaw-x"', "gmaw-x"),
        ("title = ", "not valid TOML"),
    ):
        (tmp_path / "new.toml").write_text(text)
        with pytest.raises(BadUsage, match=told):
            load_process("new", tmp_path)
        load_process.cache_clear()
    with pytest.raises(BadUsage, match="gmaw-s"):
        Coupon(process="tig")


SIXTH = """
based_on = "gmaw-spray"
title = "metal-cored"
deposition_ratio = { value = 0.90, u = 0.02, source = "wire maker's table: 88-92 %" }

[spatter]
normal_density_per_cm2 = [0.0, 0.25]
note = "Metal-cored wire leaves little spatter."

[causes.wire-damp]
title = "damp cored wire"
kind = "condition"
prior = 0.05
change = "Fit a dry spool."
expect = "No pores."
otherwise = "Look at the gas."
check = "Weld with wire from a fresh pack."
caution = "fume"
effort = 0.05
[causes.wire-damp.links]
pores = [0.95, "practice"]
"""
USE = """
from toeline.causes import reason
from toeline.coupon import PROCESSES, Coupon
from toeline.limits import judge
from toeline.surface.result import SurfaceSign
coupon = Coupon(process="mcaw", joint="plate")
surface = (SurfaceSign("pores", 0.95, 5, 2, size_mm=1.0),)
first = reason(None, surface=surface, spatter=None, coupon=coupon).causes[0]
assert judge(None, surface=surface, spatter=None, coupon=coupon)
print(len(PROCESSES), first.key)
"""


def test_a_sixth_process_is_one_file_and_no_code(tmp_path: Path) -> None:
    package = Path(toeline.__file__).parent
    shutil.copytree(package, tmp_path / "toeline", ignore=shutil.ignore_patterns("__pycache__", "*.onnx"))
    (tmp_path / "toeline" / "processes" / "mcaw.toml").write_text(SIXTH)
    run = subprocess.run(
        [sys.executable, "-c", USE], cwd=tmp_path, env={"PYTHONPATH": str(tmp_path)}, capture_output=True, text=True
    )
    assert run.returncode == 0, run.stderr
    assert run.stdout.split() == [str(len(PROCESSES) + 1), "wire-damp"]
