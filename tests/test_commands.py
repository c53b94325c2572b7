"""The command line: statuses, tables, JSON, and one clear sentence for every kind of bad input."""

from __future__ import annotations

import io
import json
import os
import re
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image, ImageOps

from toeline.cli import main
from toeline.coupon import Scaling
from toeline.errors import BadUsage
from toeline.limits import load_limit_sets
from toeline.record import check_record

ROOT = Path(__file__).parents[1]
SAMPLES = ROOT / "sample_images"
TEE = SAMPLES / "tee-gmaw-s-1.jpg"


def run(*words: str | Path, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "toeline", *map(str, words)],
        capture_output=True,
        text=True,
        cwd=cwd,
        env={**os.environ, "COLUMNS": "200", "NO_COLOR": "1"},
        timeout=300,
    )


@pytest.fixture(scope="module")
def measured() -> subprocess.CompletedProcess[str]:
    return run("inspect", TEE, "--process", "gmaw-s", "--strip-thickness-mm", "0.1", "--json", "-")


def test_a_good_photo_gives_status_0_and_a_record(measured: subprocess.CompletedProcess[str]) -> None:
    assert measured.returncode == 0, measured.stderr
    record = json.loads(measured.stdout)
    check_record(record)
    assert record["measures"]["leg_base_mean_mm"]["u"] > 0 and record["refused"] is None


def spoil(kind: str, folder: Path) -> Path:
    """A bad photo of a kind; all made from the sample tee coupon."""
    photo = Image.open(io.BytesIO(TEE.read_bytes()))
    target = folder / f"{kind.replace(' ', '-')}.jpg"
    if kind == "no strip":
        target = folder / "plain.png"
        rng = np.random.default_rng(3)
        noise = Image.fromarray(rng.integers(60, 190, (60, 80, 3), dtype=np.uint8)).resize((1600, 1200), Image.Resampling.BICUBIC)
        noise.save(target)
    elif kind == "strip too small":
        photo.resize((photo.width // 8, photo.height // 8)).resize((400, 300)).save(target)
    elif kind == "blurred":
        from PIL import ImageFilter

        photo.filter(ImageFilter.GaussianBlur(25)).save(target)
    elif kind == "black":
        Image.new("RGB", (1600, 1200)).save(target)
    elif kind == "0 bytes":
        target.write_bytes(b"")
    elif kind == "truncated":
        target.write_bytes(TEE.read_bytes()[:40_000])
    elif kind == "a PDF":
        target.write_bytes(b"%PDF-1.7\n" + b"x" * 500)
    elif kind == "bead out of frame":
        photo.crop((0, 0, photo.width, photo.height * 2 // 5)).save(target)
    return target


BAD = ("no strip", "strip too small", "blurred", "black", "0 bytes", "truncated", "a PDF", "bead out of frame")


def test_a_batch_of_bad_photos_goes_on_with_one_sentence_each(tmp_path: Path) -> None:
    paths = [spoil(kind, tmp_path) for kind in BAD]
    done = run("inspect", *paths, "--process", "gmaw-s", "--strip-thickness-mm", "0.1")
    assert done.returncode == 3
    assert "Traceback" not in done.stdout + done.stderr
    for path in paths:
        assert path.name in done.stdout
    told = done.stdout
    for word in ("0 bytes", "PDF", "breaks off", "black"):
        assert word in told


def test_a_mirrored_photo_is_noticed_and_measured(tmp_path: Path) -> None:
    target = tmp_path / "mirror.jpg"
    ImageOps.mirror(Image.open(io.BytesIO(TEE.read_bytes()))).save(target, quality=95)
    done = run("inspect", target, "--process", "gmaw-s", "--strip-thickness-mm", "0.1", "--json", "-")
    record = json.loads(done.stdout)
    assert "photo-mirrored" in {flag["name"] for flag in record["flags"]} or record["refused"]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("inspect", "nothing.jpg"), "can't be opened"),
        (("inspect", TEE, "--joint", "cross"), "not a known joint"),
        (("inspect", TEE, "--process", "stick"), "process"),
        (("inspect", TEE, "--through", "top=1,2"), "--through"),
        (("inspect", TEE, "--box", "1,2,3"), "--box"),
        (("inspect", TEE, "--bead", "12"), "--bead"),
        (("inspect", TEE, "--bead", "800,600"), "where both plates meet"),
        (("inspect", TEE, "--limits", "mine"), "mine"),
        (("inspect", TEE, "--strip-thickness-mm", "thin"), "--strip-thickness-mm"),
        (("inspect",), "Missing argument"),
        (("measure",), "No such command"),
    ],
)
def test_bad_usage_is_one_sentence(words: tuple[str, ...], sentence: str) -> None:
    done = run(*words)
    assert done.returncode in (2, 3)
    assert sentence in done.stderr + done.stdout and "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("inspect", TEE, "--joint", "[/x]"), "'[/x]' is not a known joint"),
        (("inspect", TEE, "--json", "/no/folder/x.json"), "can't be written to /no/folder/x.json"),
        (("inspect", TEE, "--overlay", "/proc/nope"), "overlays can't be written to /proc/nope"),
        (("inspect", TEE, "--logbook", "/no/folder/x.sqlite"), "folder /no/folder is not there"),
        (("inspect", TEE, "--settings", "nope.toml"), "settings file nope.toml can't be read (No such file or directory)."),
        (("inspect", TEE, "--camera", "nope.toml"), "camera profile nope.toml can't be read (No such file or directory)."),
        (("inspect", TEE, "--test", "bend"), "bend=passed or bend=failed"),
        (("inspect", TEE, "--saw", "crackling"), "Give --process"),
        (("inspect", TEE, "--after", "1", "--changed", "banana"), "Give --process"),
        (("inspect", TEE, "--strip-thickness-mm", "A=1.0,Q=2"), "no strip 'Q'"),
        (("inspect", TEE, "--print-factor", "abc"), "one number, or ALONG,ACROSS"),
        (("inspect", TEE, "--joint", "plate", "--target-leg-mm", "6"), "Give --target-width-mm"),
        (("inspect", TEE, "--target-width-mm", "6"), "Give --target-leg-mm"),
        (("inspect", TEE, "--plate-before", "dirty"), "Use one of: clean, unknown."),
        (("inspect", TEE, "--plate-before", "photographed"), "--before PHOTO"),
        (("inspect", TEE, "--workers", "x"), "a valid integer. See"),
        (("strips", TEE), "there is a file of that name"),
        (("strips", "/proc/nope"), "can't be written to /proc/nope"),
        (("app", "--port", "99999999"), "no port 99999999"),
    ],
)
def test_what_can_not_be_meant_is_told_before_any_work(
    words: tuple[str | Path, ...], sentence: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["toeline", *map(str, words)])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 2 and sentence in capsys.readouterr().err


@pytest.mark.parametrize("thickness", ["1.0", {"Z": 1.0}, {"A": "thin"}, -1.0, float("nan")])
def test_a_thickness_that_can_not_be_is_refused(thickness: Any) -> None:
    with pytest.raises(BadUsage):
        Scaling(strip_thickness_mm=thickness)


def test_the_bare_command_shows_the_help_and_no_empty_complaint() -> None:
    done = run()
    assert done.returncode == 2 and "Usage" in done.stdout + done.stderr and "toeline: " not in done.stderr


def test_a_files_name_is_printed_as_it_is(tmp_path: Path) -> None:
    photo = tmp_path / "coupon [final] :cat:.jpg"
    photo.write_bytes(b"no picture")
    done = run("inspect", photo)
    assert done.returncode == 3 and done.stdout.count(photo.name) == 2


def test_limit_sets_are_listed_with_edition_and_status() -> None:
    done = run("limits")
    for chosen in load_limit_sets().values():
        for words in (chosen.name, chosen.title, chosen.edition, chosen.status):
            assert words in done.stdout


def test_an_empty_folder_is_bad_usage(tmp_path: Path) -> None:
    done = run("inspect", tmp_path)
    assert done.returncode == 2 and "no photo" in done.stderr


def test_a_full_disk_loses_nothing_but_says_so(measured: subprocess.CompletedProcess[str]) -> None:
    """/dev/full is the kernel's own full disk (Linux full(4))."""
    if not Path("/dev/full").exists():
        pytest.skip("no /dev/full on this system")
    done = run("inspect", TEE, "--process", "gmaw-s", "--strip-thickness-mm", "0.1", "--json", "/dev/full")
    assert done.returncode != 0 and "Traceback" not in done.stderr


def test_unscaled_tells_no_millimetre() -> None:
    done = run("inspect", SAMPLES / "plate-gmaw-spray-1.jpg", "--joint", "plate", "--unscaled", "--json", "-")
    record = json.loads(done.stdout)
    check_record(record)
    if record["refused"] is None:
        assert record["scale"]["source"] == "none" and record["stations"] is None
        assert not [key for key in record["measures"] if key.endswith("_mm")]


def test_the_logbook_takes_what_was_measured(tmp_path: Path) -> None:
    book = tmp_path / "book.sqlite"
    for told in ("Saved as number 1.", "Already there as number 1."):
        done = run(
            "inspect",
            TEE,
            "--joint",
            "Tee",
            "--process",
            "GMAW-S",
            "--limits",
            "Teaching",
            "--strip-thickness-mm",
            "0.1",
            "--logbook",
            book,
            "--overlay",
            tmp_path / "drawn",
        )
        assert done.returncode == 0 and told in done.stdout, done.stderr
    from toeline.logbook import Logbook

    with Logbook(book) as opened:
        assert len(opened.entries()) >= 1
    assert (tmp_path / "drawn" / "tee-gmaw-s-1-overlay.jpg").stat().st_size > 50_000


@pytest.mark.skipif(os.name == "nt", reason="Windows has no SIGTERM to catch")
def test_ending_the_command_ends_the_pages(tmp_path: Path) -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    words = ("app", "--port", str(port), "--logbook", str(tmp_path / "book.sqlite"))
    app = subprocess.Popen([sys.executable, "-m", "toeline", *words], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    assert _until(lambda: _answers(port)), "the pages did not start"
    app.terminate()
    app.wait(timeout=60)
    assert _until(lambda: not _answers(port)), "the pages go on being served"


def _answers(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def _until(true: Callable[[], bool], *, seconds: float = 60.0) -> bool:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if true():
            return True
        time.sleep(0.2)
    return False


def test_every_command_is_in_the_readme() -> None:
    listed = run("--help").stdout
    readme = (ROOT / "README.md").read_text(encoding="utf-8") + (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    commands = [line.split()[1] for line in listed.splitlines() if line.startswith("│ ") and line.split()[1].isalpha()]
    assert len(commands) >= 6
    for command in commands:
        assert f"toeline {command}" in readme, command


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--strip-thickness-mm", "40"), "40 mm thick"),
        (("--strip-thickness-mm", "A=0.1,B=-1"), "-1 mm thick"),
        (("--print-factor", "80.4"), "gives 1.005"),
        (("--through", "base=9000,700"), "outside the photo"),
    ],
)
def test_a_slip_of_the_pen_is_not_measured_with(words: tuple[str, str], said: str) -> None:
    done = run("inspect", TEE, *words)
    assert done.returncode == 2 and said in done.stderr, done.stderr


def _on_toe(photo: Path, toe: str) -> tuple[int, int]:
    """A point of the true toe, a little off the bead's middle."""
    truth = json.loads(photo.with_suffix(".truth.json").read_text(encoding="utf-8"))
    line = truth["bead"]["toes"][toe]["px"]
    return tuple(round(v) for v in line[len(line) * 2 // 5])


def test_a_hand_is_told_by_how_much_it_moved() -> None:
    x, y = _on_toe(TEE, "base")
    done = run("inspect", TEE, "--process", "gmaw-s", "--strip-thickness-mm", "0.1", "--through", f"base={x},{y}")
    assert done.returncode == 0, done.stderr
    told = re.search(
        r"Corrected by hand; that moved .*the base toe by (\d\.\d\d) mm.*the mean width by [+-]\d\.\d\d mm", done.stdout
    )
    assert told and float(told.group(1)) < 0.2, "the point lay on the toe already"


def test_a_point_far_off_the_bead_is_refused_with_advice() -> None:
    x, y = _on_toe(TEE, "base")
    done = run("inspect", TEE, "--process", "gmaw-s", "--strip-thickness-mm", "0.1", "--through", f"base={x},{y + 330}")
    assert done.returncode == 2 and re.search(r"lies \d\d mm off the base toe", done.stderr) and "Traceback" not in done.stderr


def test_a_point_on_the_other_plate_is_refused_with_advice() -> None:
    x, y = _on_toe(TEE, "standing")
    done = run("inspect", TEE, "--process", "gmaw-s", "--strip-thickness-mm", "0.1", "--through", f"base={x},{y}")
    assert done.returncode == 2 and "No base toe can run through" in done.stderr and "Traceback" not in done.stderr


def test_a_hand_may_help_without_a_scale_and_choose_the_bead() -> None:
    photo = SAMPLES / "plate-gmaw-spray-1.jpg"
    (x0, y0), (x1, y1) = _on_toe(photo, "left"), _on_toe(photo, "right")
    words = ("--bead", f"{(x0 + x1) / 2:.0f},{(y0 + y1) / 2:.0f}", "--through", f"left={x0},{y0}")
    done = run("inspect", photo, "--joint", "plate", "--unscaled", *words)
    assert (
        done.returncode == 0
        and re.search(r"the left toe by \d+\.\d\d px", done.stdout)
        and " mm" not in done.stdout.split("moved")[1][:60]
    )


def test_the_table_speaks_in_words(tmp_path: Path) -> None:
    done = run("inspect", TEE, "--process", "gmaw-s", "--target-leg-mm", "6")
    assert done.returncode == 0, done.stderr
    assert "Legs long enough (base leg, mean): " in done.stdout and "Legs long enough (standing leg, mean): " in done.stdout
    for name in ("no-exif", "strip-thickness-assumed", "spatter-before-unknown", "0.00 mm against 0 mm"):
        assert name not in done.stdout
    assert "No strip thickness was given" in done.stdout


@pytest.mark.parametrize(("photo", "joint"), [(TEE, "plate"), (SAMPLES / "plate-gmaw-s-1.jpg", "tee")])
def test_a_wrong_joint_is_named_as_the_first_thing_to_look_at(photo: Path, joint: str) -> None:
    done = run("inspect", photo, "--joint", joint)
    assert done.returncode == 3 and "See first that the right joint is chosen" in done.stdout


def test_particles_on_a_photo_of_the_plates_before_are_taken_off_the_count() -> None:
    """The photo as its own photo of before: by definition nothing is new."""
    tee = SAMPLES / "tee-fcaw-s-1.jpg"
    words = ("inspect", tee, "--process", "fcaw-s", "--strip-thickness-mm", "1.0", "--json", "-")
    alone, less = (run(*more) for more in (words, (*words, "--before", tee)))
    assert alone.returncode == less.returncode == 0, less.stderr
    every, new = (json.loads(told.stdout) for told in (alone, less))
    check_record(new)
    assert every["spatter"]["n"] >= 30 and every["spatter"]["density_per_cm2"] is None
    assert new["spatter"]["before"]["n"] >= 0.9 * every["spatter"]["n"] and new["spatter"]["n"] <= 0.1 * every["spatter"]["n"]
    assert new["spatter"]["density_per_cm2"] is not None
