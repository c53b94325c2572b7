"""Made-up inspection records in the contract's form, for tests of what comes after the inspection (no photo was measured)."""

from __future__ import annotations

import hashlib
import io
import math
from typing import Any

import numpy as np
from PIL import Image


def measure(value: float, u: float = 0.05, **shared: float) -> dict[str, Any]:
    return {"value": value, "u": u, "shared": shared}


def tee_record(
    *,
    name: str = "coupon-1.jpg",
    photo: bytes | None = None,
    process: str | None = "gmaw-s",
    leg_mm: float = 6.2,
    target_leg_mm: float | None = 6.0,
    n_spatter: int = 12,
    taken_at: str | None = "2026-03-02T10:15:00",
    settings: dict[str, float | str] | None = None,
    refused: bool = False,
    plate_before: str = "clean",
    bead_method: int = 1,
) -> dict[str, Any]:
    """A tee coupon of 80 mm with a leg that swells and shrinks a little, or a refusal."""
    along = np.arange(0, 80.5, 0.5)
    base = leg_mm + 0.3 * np.sin(along / 6)
    standing = leg_mm - 0.4 + 0.2 * np.cos(along / 9)
    width = np.hypot(base, standing)
    record: dict[str, Any] = {
        "format": "toeline-inspection",
        "version": 1,
        "method": {
            "photo": 1,
            "scale": 1,
            "bead": bead_method,
            "measure": 1,
            "surface": 1,
            "spatter": 1,
            "limits": 1,
            "causes": 1,
        },
        "photo": {
            "name": name,
            "sha256": hashlib.sha256(photo or f"{name} {leg_mm} {n_spatter} {taken_at}".encode()).hexdigest(),
            "width_px": 1200,
            "height_px": 900,
            "taken_at": taken_at,
            "camera": {"maker": "", "model": "", "lens": "", "focal_35mm": 26.0, "zoom": None},
        },
        "process": process,
        "joint": "tee",
        "position": "horizontal",
        "coupon": {
            "plate_thickness_mm": 6.0,
            "target_leg_mm": target_leg_mm,
            "target_width_mm": None,
            "travel": "right",
            "plate_before": plate_before,
            "plate_now": "as welded",
            "root_gap_mm": None,
            "settings": settings or {},
            "gauge": {},
            "test": None,
            "test_result": None,
            "observed": [],
        },
        "refused": None,
        "flags": [{"name": "blurred", "where": "", "advice": "Hold the phone still."}],
        "scale": {
            "source": "strips",
            "px_per_mm": {"value": 9.5, "u": 0.02},
            "tilt_deg": 12.0,
            "focal_px": 2300.0,
            "joint_line_px": None,
            "plate_angle_deg": {"value": 90.4, "u": 0.5},
            "plates": [
                {"name": "base", "strips": ["A"], "n_corners": 22, "residual_px": 0.1},
                {"name": "standing", "strips": ["B"], "n_corners": 22, "residual_px": 0.1},
            ],
        },
        "bead": {
            "confidence": 0.93,
            "toes_px": {"base": [[100.0, 500.0], [1100.0, 505.0]], "standing": [[100.0, 440.0], [1100.0, 442.0]]},
            "toes_seen": {"base": [True, True], "standing": [True, False]},
            "start_px": [100.0, 470.0],
            "end_px": [1100.0, 473.0],
            "anchors": [],
            "moved_mm": {},
            "parts": [
                {"kind": "start", "from_mm": 0.0, "to_mm": 8.0},
                {"kind": "steady", "from_mm": 8.0, "to_mm": 72.0},
                {"kind": "crater", "from_mm": 72.0, "to_mm": 80.0},
            ],
        },
        "stations": {
            "along_mm": along.tolist(),
            "width_mm": width.tolist(),
            "width_u_mm": [0.12] * len(along),
            "leg_base_mm": base.tolist(),
            "leg_base_u_mm": [0.1] * len(along),
            "leg_standing_mm": standing.tolist(),
            "leg_standing_u_mm": [0.1] * len(along),
        },
        "measures": {
            "leg_base_mean_mm": measure(leg_mm, 0.07, scale=0.05),
            "leg_base_min_mm": measure(leg_mm - 0.3, 0.1, scale=0.05),
            "leg_standing_mean_mm": measure(leg_mm - 0.4, 0.07, scale=-0.05),
            "leg_standing_min_mm": measure(leg_mm - 0.6, 0.1, scale=0.05),
            "leg_difference_mm": measure(0.4, 0.08),
            "width_mean_mm": measure(float(width.mean()), 0.08, scale=0.06),
            "width_cv_ratio": measure(0.04, 0.005),
            "length_mm": measure(80.0, 0.4),
        },
        "surface": [],
        "spatter": _spatter(n_spatter),
        "verdicts": [_verdict(leg_mm - 0.6, target_leg_mm)],
        "causes": [_cause("travel speed too fast", 0.55), _cause("volts low for the wire feed", 0.25)],
        "advice": {
            "next_change": "travel speed too fast",
            "tell_apart": "Time one run with a stopwatch.",
            "notes": ["Invented for a test."],
            "signs": {},
        },
        "seconds": {"total": 1.9, "scale": 0.4},
    }
    if refused:
        record["refused"] = {"reason": "no scale", "message": "No strip was found.", "advice": "Lay the strips beside the bead."}
        record.update(bead=None, stations=None, measures={}, spatter=None, verdicts=[], causes=[], advice=None)
    return record


def _spatter(n: int) -> dict[str, Any]:
    area = 24.0
    density = {"value": n / area, "low": max(0.0, n - 2) / area, "high": (n + 2) / area}
    particle = {
        "x_px": 300.0,
        "y_px": 700.0,
        "plate": "base",
        "along_mm": 20.0,
        "across_mm": 25.0,
        "diameter_mm": 0.8,
        "diameter_u_mm": 0.08,
        "elongation_ratio": 1.1,
        "toe_distance_mm": 18.0,
        "probability": 0.9,
    }
    bands = [
        {"plate": plate, "from_mm": low, "to_mm": low + 10.0, "area_cm2": area / 4, "n": n // 4, "density_per_cm2": density}
        for plate in ("base", "standing")
        for low in (0.0, 10.0)
    ]
    return {
        "n": n,
        "area_cm2": area,
        "density_per_cm2": density,
        "n_on_plate": {"value": float(n), "low": max(0.0, n - 2.0), "high": n + 2.0},
        "per_100mm": {"value": n * 1.25, "low": n * 0.8, "high": n * 1.8},
        "per_gram": None,
        "bands": bands,
        "particles": [particle] * n,
        "doubtful": [particle | {"x_px": 420.0, "y_px": 300.0, "probability": 0.35}],
        "before": None,
        "corrections": [],
        "n_photos": 1,
    }


def _verdict(value: float, target: float | None) -> dict[str, Any]:
    margin = None if target is None else value - target
    outcome = (
        "not measurable from a photo"
        if margin is None
        else "within"
        if margin > 0.2
        else "beyond"
        if margin < -0.2
        else "too close to call"
    )
    return {
        "measure": "leg_standing_min_mm",
        "title": "shortest leg against the target",
        "value": value,
        "u": 0.1,
        "limit": target,
        "margin": margin,
        "length_share": 0.35 if margin is not None and margin < 0 else 0.0,
        "outcome": outcome,
        "source": "teaching rule of this test",
        "note": "",
    }


def _cause(name: str, probability: float) -> dict[str, Any]:
    return {
        "cause": name,
        "probability": probability,
        "evidence_for": ["narrow bead", "short legs"],
        "evidence_against": ["even ripple"],
        "change": "Slow down a little, nothing else.",
        "expect": "Legs grow by half a millimetre.",
        "otherwise": "Look at the volts.",
        "caution": "Hot metal.",
        "source": "common practice",
    }


def grey_photo(width_px: int = 320, height_px: int = 240, *, seed: int = 1, suffix: str = "JPEG", **options: Any) -> bytes:
    """A small picture with some texture, as a file."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:height_px, :width_px]
    wave = 128 + 60 * np.sin(x / 17) * np.cos(y / 23) + rng.normal(0, 6, (height_px, width_px))
    pixels = np.clip(np.dstack([wave, wave * 0.95, wave * 0.9]), 0, 255).astype(np.uint8)
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, suffix, **options)
    assert math.isfinite(float(pixels.mean()))
    return out.getvalue()
