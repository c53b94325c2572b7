"""The networks of surface signs against another engine, and what its maps are read as; what it finds on the samples is in test_samples.py."""

from __future__ import annotations

import re
from pathlib import Path
from types import MappingProxyType

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from toeline.causes.signs import all_signs
from toeline.surface.learned import (
    BESIDE_MM,
    BROKEN,
    LINES,
    N_BESIDE,
    N_FACE,
    READ,
    SIGNS,
    STEP_MM,
    TOES,
    StraightSigns,
    _run,
)
from toeline.surface.places import breaks, places
from toeline.surface.signs import MOST, likely

ROOT = Path(__file__).parents[1]
TOLD = (*READ, *LINES)
Array32 = NDArray[np.float32]
ROWS, COLUMNS = 2 * N_BESIDE + N_FACE, 320


@pytest.mark.parametrize(("file", "n_rows"), [("signs.onnx", 2 * N_BESIDE + N_FACE), ("toes.onnx", len(TOES[0]))])
def test_the_networks_give_the_same_in_another_engine(file: str, n_rows: int) -> None:
    onnxruntime = pytest.importorskip("onnxruntime")
    rng = np.random.default_rng(1)
    picture = np.asarray(cv2.GaussianBlur(rng.integers(0, 255, (n_rows, 192, 4), dtype=np.uint8), (0, 0), 1.5), np.uint8)
    session = onnxruntime.InferenceSession(
        str(ROOT / "inspect" / "toeline" / "surface" / file), providers=["CPUExecutionProvider"]
    )
    name = session.get_inputs()[0].name
    other = session.run(None, {name: picture.transpose(2, 0, 1)[None].astype(np.float32) / np.float32(255)})[0][0]
    ours = _run(file, picture)
    assert ours.shape == other.shape and np.abs(ours - other).max() < 1e-5


def test_a_network_reads_the_layout_that_it_learnt() -> None:
    """Both sides name the same signs, rows and steps; the training side needs packages that nobody else does, so its text is read."""
    taught = (ROOT / "training" / "straight.py").read_text()
    named = re.search(r"^SIGNS = \((.*?)^\)", taught, re.DOTALL | re.MULTILINE)
    assert named is not None and tuple(re.findall(r'"([^"]+)"', named.group(1))) == SIGNS
    assert f"N_BESIDE, N_FACE = {N_BESIDE}, {N_FACE}" in taught and f"STEP_MM = {STEP_MM}" in taught
    assert "STEP_MM * (1.025 ** np.arange(N_BESIDE) - 1.0) / 0.025" in taught
    assert np.all(np.diff(BESIDE_MM) > 0) and BESIDE_MM[1] == pytest.approx(STEP_MM)
    lines = (ROOT / "training" / "toes.py").read_text()
    assert f"ROWS_IN, ROWS_OUT = 10, {len(TOES[0]) - 10}" in lines and f"LINES = {LINES}".replace("'", '"') in lines


def read(maps: dict[str, Array32] | None = None, lines: dict[str, Array32] | None = None) -> StraightSigns:
    """A bead 8 mm wide; what is not given shows nothing."""
    every = {sign: np.full((ROWS, COLUMNS), 0.01, np.float32) for sign in (*READ, *BROKEN)} | (maps or {})
    none = {sign: np.full((2, COLUMNS), 0.01, np.float32) for sign in LINES}
    seen = np.ones((ROWS, COLUMNS), bool)
    blank = np.zeros((ROWS, COLUMNS, 2))
    return StraightSigns(
        np.arange(COLUMNS) * STEP_MM, MappingProxyType(every), MappingProxyType(none | (lines or {})), seen, blank,
        np.full(COLUMNS, 8.0), ("base", "standing"),
    )  # fmt: skip


def told(here: StraightSigns, sign: str) -> list[tuple[float, float, str, float]]:
    """(from, to, toe, strength) of the places of a sign that are stronger than nothing."""
    ends = np.ones(COLUMNS, bool)
    found = [p for p in places(here, start=ends, crater=ends) if p.sign == sign and p.strength > 0.1]
    return [(p.first * STEP_MM, p.last * STEP_MM, p.toe, p.strength) for p in found]


def test_a_line_along_a_toe_is_told_with_its_toe_and_length() -> None:
    line = np.zeros((2, COLUMNS), np.float32)
    line[1, 100:180] = 0.8
    ((first, last, toe, strength),) = told(read(lines={"undercut": line}), "undercut")
    assert toe == "standing" and first == pytest.approx(15.0, abs=0.8) and last == pytest.approx(27.0, abs=0.8)
    assert 0.5 < strength <= 0.81
    short = np.zeros_like(line)
    short[0, 100:112] = 0.8
    assert not told(read(lines={"undercut": short}), "undercut"), "a line under 3 mm is told to nobody"


def test_a_crater_is_told_where_it_lies() -> None:
    hollow = np.zeros((ROWS, COLUMNS), np.float32)
    hollow[N_BESIDE + 10 : N_BESIDE + 50, 280:310] = 0.9
    ((first, last, _, strength),) = told(read({"crater unfilled": hollow}), "crater unfilled")
    assert (
        first == pytest.approx(42.0, abs=0.8)
        and last == pytest.approx(46.5, abs=0.8)
        and strength == pytest.approx(0.9, abs=0.01)
    )


def test_a_pore_has_the_diameter_of_its_area() -> None:
    spot = np.zeros((ROWS, COLUMNS), np.float32)
    spot[N_BESIDE + 30 : N_BESIDE + 38, 60:67] = 0.9  # 8 rows of 8/64 mm by 7 columns of 0.15 mm: 1.05 mm2
    ends = np.zeros(COLUMNS, bool)
    (pore,) = [p for p in places(read({"pores": spot}), start=ends, crater=ends) if p.sign == "pores"]
    assert pore.size_mm == pytest.approx(np.sqrt(4 / np.pi * 1.05), rel=0.02)


def test_ends_that_are_not_in_the_picture_tell_nothing() -> None:
    ends = np.zeros(COLUMNS, bool)
    signs = {p.sign for p in places(read(), start=ends, crater=ends)}
    assert not signs & {"crater unfilled", "cold start", "wire left"}


def test_stronger_is_likelier_and_never_sure() -> None:
    for sign in TOLD:
        line = [likely(sign, strength) for strength in (0.0, 0.1, 0.3, 0.6, 0.9, 1.0)]
        assert line == sorted(line) and line[-1] <= MOST, sign


def test_every_sign_that_is_read_means_something_to_the_causes() -> None:
    surface = {sign.surface for sign in all_signs().values() if sign.surface}
    assert set(TOLD) <= surface


def test_an_arc_strike_is_told_on_the_plate_and_nowhere_else() -> None:
    spot = np.zeros((ROWS, COLUMNS), np.float32)
    spot[N_BESIDE + 20 : N_BESIDE + 40, 50:60] = 0.9
    assert not told(read({"arc strike": spot}), "arc strike")
    spot[N_BESIDE + N_FACE + 20 : N_BESIDE + N_FACE + 28, 150:162] = 0.9
    ((first, last, _, strength),) = told(read({"arc strike": spot}), "arc strike")
    assert first == pytest.approx(22.5, abs=0.8) and last == pytest.approx(24.3, abs=0.8) and strength > 0.8


def face(first: int, last: int, level: float) -> Array32:
    there = np.zeros((ROWS, COLUMNS), np.float32)
    there[N_BESIDE : N_BESIDE + N_FACE, first:last] = level
    return there


def test_a_restart_seen_on_the_face_is_a_stretch_of_the_bead() -> None:
    (part,) = breaks(read({"restart": face(120, 190, 0.95)}))
    assert part.kind == "restart" and part.from_mm == pytest.approx(17.2, abs=0.5) and part.to_mm == pytest.approx(29.2, abs=0.5)
    assert not breaks(read({"restart": face(120, 190, 0.6)})), "six in ten is not enough to leave a stretch out"
    (doubtful,) = breaks(read({"restart": face(120, 190, 0.45), "tack": face(120, 190, 0.5)}))
    assert doubtful.kind == "tack", "that something is there is sure though what it is may not be"
