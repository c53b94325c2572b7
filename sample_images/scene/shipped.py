"""Which photos ship with the project, and which make the evaluation set."""

from __future__ import annotations

from typing import Any

from sample_images.scene.process import FAULTS, PROCESSES, can_have

#: file name, seed, choices. Seeds were picked for variety and for framing: everything needed is in the photo.
SHIPPED: tuple[tuple[str, int, dict[str, Any]], ...] = (
    ("tee-gmaw-s-1.jpg", 121, {"finish": "mill scale", "pair": ("A", "B"), "thickness_mm": 0.1}),
    ("tee-gmaw-s-2.jpg", 102, {"fault": "volts low", "pair": ("C", "D"), "length_mm": 75.0}),
    ("plate-gmaw-s-1.jpg", 103, {"hard": "bright ground plate", "pair": ("E", "F"), "n_strips": 2}),
    ("butt-gmaw-s-1.jpg", 104, {"finish": "mill scale", "pair": ("A", "B"), "n_strips": 1, "exif": False}),
    ("tee-gmaw-spray-1.jpg", 105, {"finish": "ground band", "pair": ("E", "F"), "thickness_mm": 1.0}),
    ("tee-gmaw-spray-2.jpg", 106, {"hard": "glare", "finish": "mill scale", "pair": ("A", "B")}),
    ("plate-gmaw-spray-1.jpg", 107, {"fault": "travel too fast", "finish": "satin", "pair": ("A", "B")}),
    ("tee-gmaw-p-1.jpg", 108, {"finish": "ground", "pair": ("A", "B"), "thickness_mm": 0.1, "exif": True}),
    ("plate-gmaw-p-1.heic", 109, {"finish": "satin", "pair": ("E", "F"), "n_strips": 1, "exif": True}),
    ("butt-gmaw-p-1.jpg", 110, {"finish": "ground band", "pair": ("C", "D"), "n_strips": 2, "curl_mm": 0.8}),
    ("tee-fcaw-s-1.jpg", 111, {"finish": "mill scale", "pair": ("A", "B"), "thickness_mm": 1.0}),
    ("tee-fcaw-s-2.jpg", 112, {"hard": "low light", "finish": "rusty", "pair": ("A", "B")}),
    ("plate-fcaw-s-1.jpg", 113, {"fault": "wrong polarity", "finish": "mill scale", "pair": ("E", "F")}),
    ("tee-fcaw-g-1.jpg", 134, {"finish": "ground band", "pair": ("C", "D"), "lift_mm": 0.6}),
    ("plate-fcaw-g-1.jpg", 115, {"fault": "poor gas cover", "finish": "mill scale", "pair": ("A", "B")}),
    ("tee-fcaw-g-2.jpg", 116, {"fault": "work angle off", "finish": "satin", "pair": ("E", "F")}),
)
_BARE: dict[str, Any] = {"fault": None, "hard": None, "lift_mm": 0.0, "curl_mm": 0.0}
TURNED: str = "tee-gmaw-p-1.jpg"  # stored sideways, its EXIF orientation says so
EVALUATION_FIRST_SEED = 50_000
POSES_FIRST_SEED = 60_000
PAIRS_FIRST_SEED = 70_000
TRAINING_FIRST_SEED = 100_000
STREWN_FIRST_SEED = 400_000
N_POSES = 5
SHOTS = ("", "-moved", "-before")


def shipped_choices(name: str, given: dict[str, Any]) -> dict[str, Any]:
    """All choices of one shipped photo: process and joint are in its name."""
    stem = name.rsplit(".", 1)[0]
    joint, rest = stem.split("-", 1)
    length = {"A": 125.0, "C": 80.0, "E": 112.0}[given["pair"][0]]
    return {
        "joint": joint,
        "process": rest.rsplit("-", 1)[0],
        "width_px": 2000,
        "height_px": 1500,
        "length_mm": length,
        "step_mm": 0.08,
        **_BARE,
        **given,
    }


def evaluation_choices(number: int) -> dict[str, Any]:
    """One coupon of the evaluation set: half tee, half flat, every process, every second with a fault."""
    process = PROCESSES[number % len(PROCESSES)]
    possible = [f for f in FAULTS if can_have(process, f)]
    joint = "tee" if (number // 5) % 2 == 0 else ("plate", "plate", "butt")[(number // 10) % 3]
    return {
        "process": process,
        "joint": joint,
        "fault": possible[(number // 2) % len(possible)] if number % 2 else None,
        "n_arc_strikes": int(number % 8 == 3),
        "width_px": 1600,
        "height_px": 1200,
        "step_mm": 0.1,
    }


def pose_choices(number: int, pose: int) -> dict[str, Any]:
    """One coupon photographed again and again: three of five are tees; strips lie as they lay."""
    joint = ("tee", "plate", "tee", "butt", "tee")[number % 5]
    choices = evaluation_choices(number) | {"joint": joint, "fault": None, "pose": pose, "curl_mm": 0.0}
    return choices | ({"n_strips": 2} if joint != "tee" else {})


def pair_choices(number: int, shot: str) -> dict[str, Any]:
    """One coupon with strips laid twice, and before its bead, with droplets of earlier work on it."""
    finish = ("mill scale", "satin", "ground", "rusty")[number % 4]
    return evaluation_choices(number) | {
        "joint": "tee" if number % 2 else "plate",
        "fault": None,
        "finish": finish,
        "n_strips": 2,
        "n_older": 12.0,
        "n_strip_sets": 2,
        "strip_set": int(shot == "-moved"),
        "pose": int(bool(shot)) + int(shot == "-before"),
        "bare": shot == "-before",
        "lift_mm": 0.0,
        "curl_mm": 0.0,
    }
