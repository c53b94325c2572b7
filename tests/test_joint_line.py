"""The joint line in rendered photos: its truth comes from the geometry that they were rendered from."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from toeline.coupon import Scaling
from toeline.photo import Photo, read_photo
from toeline.scale import Scale, find_scale, rays
from toeline.scale.joint_line import find_joint_line
from toeline.scale.solution import Lens

Array = NDArray[np.float64]
FOLDER = Path(__file__).parents[1] / "sample_images"
TEES = sorted(path for path in FOLDER.glob("tee-*.truth.json"))


@cache
def _sample(path: Path) -> tuple[dict[str, Any], Photo]:
    truth = json.loads(path.read_text())
    return truth, read_photo(FOLDER / truth["photo"])


def _scale(path: Path, *, base_lift_mm: float = 0.0, hidden: bool = False) -> Scale:
    """The scale of one sample; a lift is told as so much less thickness, which is the same to the solve."""
    truth, photo = _sample(path)
    thickness = {s["name"]: s["thickness_mm"] - (base_lift_mm if s["plate"] == "base" else 0.0) for s in truth["strips"]}
    return find_scale(_painted(path) if hidden else photo, joint="tee", scaling=Scaling(strip_thickness_mm=thickness))


def _root_px(truth: dict[str, Any]) -> Array:
    """Where the root truly lies in the photo, (n, 2) [px]."""
    base, camera = truth["plates"][0], truth["camera"]
    along = np.linspace(*base["along_mm"], 2000)
    seen = along[:, None] * np.array(base["rotation"])[:, 0] + np.array(base["translation_mm"])
    lens = Lens(*(camera[name] for name in ("focal_px", "cx_px", "cy_px", "k1", "k2", "p1", "p2")))
    return rays.distort(lens, seen[:, :2] / seen[:, 2:])


def _painted(path: Path, *, only_left: bool = False) -> Photo:
    """The same photo with the joint line rubbed out beyond the bead, or at its left end only."""
    truth, photo = _sample(path)
    pixels = photo.pixels.copy()
    root = np.round(_root_px(truth)).astype(np.int32)
    if only_left:
        root = root[: len(root) // 4]
    mask = np.zeros(pixels.shape[:2], dtype=np.uint8)
    cv2.polylines(mask, [root], False, 255, 60)
    smooth = cv2.blur(pixels, (81, 81))
    pixels[mask > 0] = smooth[mask > 0]
    return replace(photo, pixels=pixels)


def _leg_errors(path: Path, scale: Scale) -> dict[str, tuple[float, float]]:
    """(error, u) of each mean leg from true toe pixels [mm]."""
    found = {}
    for name, toe in _sample(path)[0]["bead"]["toes"].items():
        met = rays.to_plate_mm(scale, toe["plate"], np.array(toe["px"]))
        good = (np.array(toe["visible"]) == 1) & (np.abs(toe["below_mm"]) < 0.02)
        effects = rays.effects_mm(scale, toe["plate"], met)
        u = float(np.linalg.norm([e[good, 1].mean() for e in effects.values()]))
        found[name] = float((met[:, 1] - np.array(toe["across_mm"]))[good].mean()), u
    return found


def test_it_is_found_where_the_faces_meet() -> None:
    """Truth: the generator's geometry. To 0.03 mm for the typical end, never further off than twice the claimed u."""
    off, claimed = [], []
    for path in TEES:
        truth, photo = _sample(path)
        line = find_joint_line(photo, _scale(path))
        if truth["camera"]["exif"] is not None and truth["camera"]["exif"].get("orientation", 1) != 1:
            continue  # the truth's pixels are those before turning
        assert line is not None, path.name
        root = _root_px(truth)
        for point, up, px_per_mm in zip(line.points_px, line.up_px, line.px_per_mm, strict=True):
            nearest = root[np.linalg.norm(root - point, axis=1).argmin()]
            off.append(abs(float((point - nearest) @ up)) / px_per_mm)
            claimed.append(line.u_mm)
    assert len(off) >= 14
    assert np.median(off) < 0.03
    assert np.all(np.array(off) < 2 * np.array(claimed))


def test_it_halves_the_uncertainty_of_legs_and_keeps_it_true() -> None:
    with_line = [row for path in TEES for row in _leg_errors(path, _scale(path)).values()]
    without = [row for path in TEES[:4] for row in _leg_errors(path, _scale(path, hidden=True)).values()]
    assert np.median([u for _, u in with_line]) < 0.6 * np.median([u for _, u in without])
    assert np.mean([abs(error) <= 2 * u for error, u in with_line]) >= 0.9


def _on_thick_strips() -> list[Path]:
    """Tees whose base strip is at least 1 mm thick: saying 1 mm less is what a strip that lies 1 mm up looks like."""

    def told(path: Path) -> float:
        strips = json.loads(path.read_text(encoding="utf-8"))["strips"]
        return float(next(strip["thickness_mm"] for strip in strips if strip["plate"] == "base"))

    return [path for path in TEES if told(path) >= 1.0]


@pytest.mark.parametrize("path", _on_thick_strips(), ids=lambda p: p.name.split(".")[0])
def test_a_lifted_strip_no_longer_shifts_the_legs(path: Path) -> None:
    """At 45° a base strip that lies 1 mm up makes the base leg read 1 mm more; the joint line takes that back and says so."""
    misled = max(abs(error) for error, _ in _leg_errors(path, _scale(path, base_lift_mm=1.0, hidden=True)).values())
    assert misled > 0.7
    scale = _scale(path, base_lift_mm=1.0)
    assert any(flag.name == "joint-line-off" for flag in scale.flags)
    for error, u in _leg_errors(path, scale).values():
        assert abs(error) < max(0.3 * misled, 2 * u)


def test_it_is_left_out_where_it_is_not_seen_at_both_ends() -> None:
    scale = _scale(TEES[0], hidden=True)
    assert scale.joint_line_px is None
    assert any(flag.name == "strip-stand-off-unsure" for flag in scale.flags)
    assert find_joint_line(_painted(TEES[0], only_left=True), scale) is None
