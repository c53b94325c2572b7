"""Several photos of one coupon: solved as one, averaged as what they share allows, and never in silence where they disagree.

A second photo of a sample is made by turning the camera about its own centre: for a pinhole that is a plain homography, exact
whatever the scene (Hartley and Zisserman, Multiple View Geometry, 2004, section 8.4, from memory).
"""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import uncertainties as referee
from numpy.typing import NDArray
from PIL import Image
from scipy.optimize import least_squares
from tests import scale_cases as cases

from toeline.cli import main
from toeline.coupon import Coupon, Scaling
from toeline.demo import coupon_of, truth_means
from toeline.errors import BadUsage, PhotosDisagree
from toeline.logbook import Logbook
from toeline.measure.averaging import average, strangest, weights_of, with_own_edges
from toeline.measure.result import Lengths, Row
from toeline.photo import Photo, read_photo
from toeline.quantity import Measured, mean
from toeline.record import check_record
from toeline.same_coupon import CouponInspection, inspect_coupon
from toeline.scale.find import find_scales
from toeline.scale.plates import solve_strips
from toeline.scale.together import same_beliefs, scales_of, solve_together, strips_moved

Array = NDArray[np.float64]
SAMPLES = Path(__file__).parents[1] / "sample_images"
TEE = SAMPLES / "tee-gmaw-s-1.jpg"


# ---- the common solve, geometry only ---------------------------------------------------------------------------------


def _shots(seed: int, joint: str, n: int) -> list[cases.Observed]:
    """One coupon from several sides: strips and beliefs as drawn once, corners' noise and pose anew."""
    shots = []
    for shot in range(1, n + 1):
        rng = np.random.default_rng([seed, shot])
        pose = {f"{axis}_deg": float(rng.normal(0, 8)) for axis in ("pitch", "yaw", "roll")}
        shots.append(cases.believed(seed, joint=joint, scraped=True, shot=shot, n_strips=2, **pose))
    return shots


def _together(shots: list[cases.Observed], joint: str):  # type: ignore[no-untyped-def]
    solved = [solve_strips(s.sightings, joint=joint, budget=s.budget, by_letter=True) for s in shots]
    solved = same_beliefs(solved)
    return solved, *solve_together(solved)


@pytest.mark.parametrize("joint", ["tee", "plate"])
def test_slopes_of_the_common_solve(joint: str) -> None:
    """Referee: central differences."""
    _, both, _, whole = _together(_shots(3, joint, 3), joint)
    slopes, rows = both.slopes(whole.theta), both.row_slopes(whole.theta)
    for k in range(both.unknowns.size):
        step = np.zeros(both.unknowns.size)
        step[k] = 1e-2 * both.unknowns.unit[k]
        difference = (both.predict(whole.theta + step) - both.predict(whole.theta - step)) / (2 * step[k])
        assert np.abs(slopes[:, :, k] - difference).max() < 1e-4 * np.abs(difference).max() + 1e-9, both.unknowns.names[k]
        turned = (both.row_misses(whole.theta + step) - both.row_misses(whole.theta - step)) / (2 * step[k])
        assert np.abs(rows[:, k] - turned).max(initial=0.0) < 1e-3 * np.abs(turned).max(initial=0.0) + 1e-3


def test_common_solve_agrees_with_scipy() -> None:
    """Referee: scipy's least_squares on the same residuals, started elsewhere, with numeric slopes."""
    shots = [replace(s, budget=replace(s.budget, lens=replace(s.budget.lens, focal_dof=1e9))) for s in _shots(5, "plate", 2)]
    _, both, _, whole = _together(shots, "plate")
    un = both.unknowns
    root = np.sqrt(whole.weights)[:, None]

    def residuals(x: Array) -> Array:
        theta = whole.theta + x * un.unit
        priors = ((theta - un.mean) / un.spread)[: un.n_priors]
        return np.concatenate([((both.predict(theta) - both.observed) * root).ravel(), priors, both.row_misses(theta)])

    found = least_squares(
        residuals, np.random.default_rng(0).normal(0.0, 0.3, un.size), jac="3-point", xtol=1e-13, ftol=1e-13, gtol=1e-10
    )
    spread = np.sqrt(np.diag(np.linalg.inv(found.jac.T @ found.jac)))
    assert np.abs(found.x / spread).max() < 0.02


def test_three_photos_say_more_than_one_and_claim_what_is_true() -> None:
    off, claimed, alone = [], [], []
    for seed in range(8):
        shots = _shots(seed, "tee", 3)
        _, both, each, whole = _together(shots, "tee")
        told = [cases.lengths(s, scale) for s, scale in zip(shots, scales_of(both, each, whole, [()] * 3), strict=True)]
        for name in told[0]:
            joint = mean([one[name][0] for one in told])
            off.append(joint.value - told[0][name][1])
            claimed.append(joint.u)
            alone.append(cases.lengths(shots[0], shots[0].solve())[name][0].u)
    z = np.array(off) / np.array(claimed)
    assert 0.41 < np.sqrt(np.mean(z**2)) < 1.66  # 8 independent coupons: chi-square, 99 %
    assert np.median(claimed) < 0.93 * np.median(alone)


def test_a_strip_that_moved_shows() -> None:
    first, second = _shots(1, "tee", 2)
    a, b = second.sightings
    nudged = replace(
        second, sightings=(a, replace(b, corners_px=b.corners_px + [4.0, 0.0], markers_px=b.markers_px + [4.0, 0.0]))
    )
    solved, _, each, _ = _together([first, second], "tee")
    assert not strips_moved(solved, each).any()
    solved, _, each, _ = _together([first, nudged], "tee")
    assert strips_moved(solved, each).any()


# ---- averages ---------------------------------------------------------------------------------------------------------


def _lengths(value: float, own: float, photo: int) -> Lengths:
    along = np.arange(0.0, 40.0, 0.5)
    flat = np.full(len(along), value)
    shared = {
        "stand-off A": np.full(len(along), 0.1),
        f"focal photo {photo}": np.full(len(along), 0.05),
        "toe edge left": np.full(len(along), 0.1),
    }
    row = Row(flat, np.full(len(along), own), shared)
    lengths = Lengths(along, {"width": row}, np.ones(len(along), dtype=bool), 2.0, Measured(40.0, 0.5))
    return with_own_edges(lengths, photo)


def test_average_keeps_what_photos_share() -> None:
    """Referee: the uncertainties package, with one variable for each named source."""
    every = [_lengths(10.0, 0.04, 1), _lengths(10.2, 0.08, 2)]
    weights = weights_of(every)
    got = average(every, [one.along_mm for one in every], weights).rows["width"]
    sources: dict[str, referee.UFloat] = {}
    total: referee.UFloat | float = 0.0
    for one, weight, value in zip(every, weights, (10.0, 10.2), strict=True):
        row = one.rows["width"]
        term = referee.ufloat(value, float(row.own[0]))
        for name, effect in row.shared.items():
            term = term + sources.setdefault(name, referee.ufloat(0.0, 1.0)) * float(effect[0])
        total = total + weight * term
    assert got.values[5] == pytest.approx(total.nominal_value)
    assert got.u[5] == pytest.approx(total.std_dev)
    assert weights[0] > weights[1]


def test_shared_doubts_cancel_between_photos() -> None:
    sizes = [{"width_mean_mm": Measured(v, 0.05, {"stand-off A": 0.5})} for v in (10.0, 10.0, 10.6)]
    photo, _, z = strangest(sizes, ["width_mean_mm"])
    assert photo == 2
    assert z == pytest.approx(0.6 / np.hypot(0.05, 0.05 / np.sqrt(2)))


# ---- photos -----------------------------------------------------------------------------------------------------------


def _turned(path: Path, *, degrees: tuple[float, float, float], name: str) -> tuple[Photo, bytes]:
    """The photo that a camera turned about its centre would have taken, without EXIF."""
    truth = json.loads(path.with_suffix(".truth.json").read_text())
    camera = truth["camera"]
    matrix = np.array([[camera["focal_px"], 0, camera["cx_px"]], [0, camera["focal_px"], camera["cy_px"]], [0, 0, 1.0]])
    turn = cv2.Rodrigues(np.radians(degrees))[0]
    pixels = read_photo(path).pixels
    warped = cv2.warpPerspective(pixels, matrix @ turn @ np.linalg.inv(matrix), pixels.shape[1::-1], flags=cv2.INTER_CUBIC)
    out = io.BytesIO()
    Image.fromarray(warped).save(out, "JPEG", quality=95)
    return read_photo(out.getvalue(), name=name), out.getvalue()


def _said(path: Path) -> tuple[Coupon, Scaling]:
    return coupon_of(json.loads(path.with_suffix(".truth.json").read_text()))


@pytest.fixture(scope="module")
def pair() -> CouponInspection:
    coupon, scaling = _said(TEE)
    turned, _ = _turned(TEE, degrees=(2.0, -2.0, 4.0), name="turned.jpg")
    return inspect_coupon([read_photo(TEE), turned], coupon, scaling=scaling)


def test_two_photos_give_one_result(pair: CouponInspection) -> None:
    record = pair.as_dict()
    check_record(json.loads(json.dumps(record)))
    assert pair.together and pair.used == (True, True)
    assert [row["name"] for row in record["same_coupon"]["photos"]] == [TEE.name, "turned.jpg"]
    truth = truth_means(record, json.loads(TEE.with_suffix(".truth.json").read_text()))
    assert pair.joint.size is not None
    for key, true in truth.items():
        joint = pair.joint.size.measures[key]
        own = [one.size.measures[key] for one in pair.photos if one.size is not None]
        assert abs(joint.value - true) < 2 * joint.u
        assert min(m.value for m in own) - 0.02 <= joint.value <= max(m.value for m in own) + 0.02
        assert joint.u <= max(m.u for m in own) + 1e-6


def test_photos_of_two_coupons_are_never_averaged_in_silence() -> None:
    coupon, scaling = _said(TEE)
    other = next(p for p in sorted(SAMPLES.glob("tee-*.jpg")) if p != TEE and _letters(p) == _letters(TEE))
    found = inspect_coupon([read_photo(TEE), read_photo(other)], coupon, scaling=scaling)
    assert not found.together
    assert found.joint.refused is not None
    assert found.joint.refused.reason == PhotosDisagree.reason
    assert "contradict each other" in found.joint.refused.message
    record = found.as_dict()
    check_record(json.loads(json.dumps(record)))
    assert not record["measures"] and all(row["measures"] for row in record["same_coupon"]["photos"])


def _letters(path: Path) -> set[str]:
    return {strip["name"] for strip in json.loads(path.with_suffix(".truth.json").read_text())["strips"]}


def test_a_photo_without_strips_is_left_out_and_named() -> None:
    coupon, scaling = _said(TEE)
    turned, _ = _turned(TEE, degrees=(0.0, 0.0, 3.0), name="turned.jpg")
    blank = Photo(
        **{n: getattr(turned, n) for n in turned.__slots__}
        | {"name": "blank.jpg", "sha256": "0" * 64, "pixels": np.full_like(turned.pixels, 120)}
    )
    scales = find_scales([read_photo(TEE), blank, turned], joint=coupon.joint, scaling=scaling)
    assert scales.together and set(scales.scales) == {0, 2} and scales.troubles[1].reason == "no scale"


def test_what_can_not_be_solved_together_is_bad_usage() -> None:
    coupon, scaling = _said(TEE)
    photo = read_photo(TEE)
    with pytest.raises(BadUsage, match=r"one photo only.*two or more"):
        inspect_coupon([photo], coupon, scaling=scaling)
    with pytest.raises(BadUsage, match="the same photo as another"):
        inspect_coupon([photo, photo], coupon, scaling=scaling)
    turned, _ = _turned(TEE, degrees=(0.0, 0.0, 3.0), name="turned.jpg")
    with pytest.raises(BadUsage, match=r"by hand holds for one photo.*Lay strips"):
        inspect_coupon([photo, turned], coupon, scaling=Scaling(px_per_mm=10.0))


def test_the_command_writes_one_line_and_one_logbook_entry(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    _, data = _turned(TEE, degrees=(1.0, 2.0, -3.0), name="turned.jpg")
    (tmp_path / "turned.jpg").write_bytes(data)
    book, lines = tmp_path / "book.sqlite", tmp_path / "out.jsonl"
    words = ["toeline", "inspect", str(TEE), str(tmp_path / "turned.jpg"), "--same-coupon", "--strip-thickness-mm", "0.1"]
    monkeypatch.setattr("sys.argv", [*words, "--json", str(lines), "--logbook", str(book), "--overlay", str(tmp_path / "drawn")])
    with pytest.raises(SystemExit) as stop:
        main()
    told = capsys.readouterr().out
    assert stop.value.code == 0, told
    (line,) = lines.read_text().splitlines()
    record = json.loads(line)
    check_record(record)
    assert len(record["same_coupon"]["photos"]) == 2 and "in the result" in told
    assert len(list((tmp_path / "drawn").iterdir())) == 2
    with Logbook(book) as opened:
        assert len(opened.entries()) == 1
    monkeypatch.setattr("sys.argv", [*words, "--before", str(TEE)])
    with pytest.raises(SystemExit) as stop:
        main()
    assert stop.value.code not in (0, None)
    assert "off one photo's count" in " ".join(capsys.readouterr().err.split())
