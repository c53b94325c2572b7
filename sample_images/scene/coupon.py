"""A whole coupon by seed: settings, bead, droplets, strips, camera, light and phone, as numbers only."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sample_images.scene.bead import SIDES, Bead, make_bead
from sample_images.scene.finish import FINISHES
from sample_images.scene.geometry import (
    BOARDS,
    PAIRS,
    TOE_PLATES,
    Camera,
    Placement,
    PlatePose,
    distance_to_fill,
    look_at,
    phone_camera,
    plate_poses,
)
from sample_images.scene.process import (
    FAULTS,
    JOINTS,
    PROCESSES,
    Look,
    Settings,
    can_have,
    faulty_settings,
    look_of,
    sound_settings,
)
from sample_images.scene.spatter import (
    Distractor,
    Particle,
    make_arc_strikes,
    make_distractors,
    make_particles,
)

Array = NDArray[np.float64]

HARD: tuple[str, ...] = ("glare", "low light", "bright ground plate")
FAR_MM = 1.0e-3
PLANTED: frozenset[str] = frozenset(
    "crater unfilled,undercut,overlap,pores,ripple pointed,cold start,melt-through,wire left,convex,flat,leaning".split(",")
)
"""Signs that can be planted on any coupon."""


@dataclass(frozen=True, slots=True)
class PlateBody:
    """One plate's face and thickness. [mm]"""

    name: str
    finish: str
    along_mm: tuple[float, float]
    across_mm: tuple[float, float]
    thickness_mm: float


@dataclass(frozen=True, slots=True)
class Phone:
    """How the phone takes and treats the picture.

    Parameters
    ----------
    aperture_mm, focus_offset_mm : float
        Width of the lens opening, and where it focused relative to mid-bead. [mm]
    exposure_ev : float
        Departure from the middling exposure. [stops]
    noise_iso_ratio : float
        Sensor noise, 1 at good light.
    motion_px, motion_deg : float
        Hand shake at a width of 2000 px [px] and its direction [deg].
    white_balance : tuple of float
        Remaining gains of red, green, blue.
    contrast, saturation, sharpening, denoise : float
        Tone curve's steepness, colour, unsharp amount, smoothing (0 to 1).
    local_contrast : float
        Lifting of shadows and holding of highlights, 0 to 1.
    quality : int
        JPEG quality.
    """

    aperture_mm: float
    focus_offset_mm: float
    exposure_ev: float
    noise_iso_ratio: float
    motion_px: float
    motion_deg: float
    white_balance: tuple[float, float, float]
    contrast: float
    saturation: float
    sharpening: float
    denoise: float
    local_contrast: float
    quality: int


@dataclass(frozen=True, slots=True, eq=False)
class Coupon:
    """Everything that a picture and its truth are made from.

    Parameters
    ----------
    seed : int
        Where it came from.
    process, joint : str
        As in the project's words.
    fault, hard : str or None
        Planted fault; what makes the photo hard.
    settings, sound : Settings
        What was done, and the sound settings it departs from.
    look : Look
        What the settings make of the bead.
    plate_angle_deg : float
        Angle between the plates; 180 on flat joints. [deg]
    bodies : tuple of PlateBody
        Plates.
    bead : Bead
        The bead.
    particles, distractors : tuple
        What lies on the plates.
    placements : tuple of Placement
        Strips.
    camera : Camera
        True lens.
    focal_35mm_mm, distance_mm, tilt_deg : float
        35 mm equivalent focal length [mm], distance from lens to mid-bead [mm], angle of that ray from the
        bisector or normal [deg].
    rotation, translation : ndarray
        Coupon frame to camera frame.
    poses : dict of str to PlatePose
        Plate poses.
    phone : Phone
        Picture treatment.
    exif : dict or None
        Invented camera data to write into the file, or None.
    light_seed : int
        Of the surroundings.
    light : dict
        Choices for the surroundings.
    """

    seed: int
    process: str
    joint: str
    fault: str | None
    hard: str | None
    settings: Settings
    sound: Settings
    look: Look
    plate_angle_deg: float
    bodies: tuple[PlateBody, ...]
    bead: Bead
    particles: tuple[Particle, ...]
    distractors: tuple[Distractor, ...]
    placements: tuple[Placement, ...]
    camera: Camera
    focal_35mm_mm: float
    distance_mm: float
    tilt_deg: float
    rotation: Array
    translation: Array
    poses: dict[str, PlatePose]
    phone: Phone
    exif: dict[str, Any] | None
    light_seed: int
    light: dict[str, Any]

    @property
    def position_mm(self) -> Array:
        """The lens in the coupon frame, shape (3,). [mm]"""
        where: Array = -self.rotation.T @ self.translation
        return where

    def toe_px(self, side: int, along_mm: Array) -> Array:
        """Photo positions of a toe, shape (m, 2). [px]"""
        pose = self.poses[TOE_PLATES[SIDES[self.joint][side]]]
        return self.camera.project(pose.to_camera(self.bead.toe_at(side, along_mm)))


COUPON_CHOICES: frozenset[str] = frozenset(
    "process joint fault hard finish length_mm plate_angle_deg leg_mm width_mm pair n_strips thickness_mm lift_mm"
    " curl_mm focal_35mm_mm width_px height_px fill_ratio pitch_deg yaw_deg roll_deg distractor_ratio to_right"
    " n_tacks has_restart exif step_mm distance_mm target_along_ratio exposure_ev n_arc_strikes pose n_strip_sets"
    " strip_set n_older bare signs".split()
)


def make_coupon(seed: int, **choices: Any) -> Coupon:
    """A coupon, all of it geometry and numbers.

    Parameters
    ----------
    seed : int
        The same seed and choices give the same coupon.
    **choices
        Whatever is left out is drawn. `process`, `joint`, `fault` (None for sound), `hard` (None, `glare`,
        `low light`, `bright ground plate`), `finish` (one for all plates), `length_mm`, `plate_angle_deg`,
        `leg_mm`, `width_mm`, `pair` (two strip letters), `n_strips` (0 to 2), `thickness_mm`, `lift_mm`,
        `curl_mm`, `focal_35mm_mm`, `width_px`, `height_px`, `fill_ratio`, `distance_mm`, `pitch_deg`, `yaw_deg`,
        `roll_deg`, `distractor_ratio`, `to_right`, `n_tacks`, `has_restart`, `exif` (bool), `step_mm` (mesh),
        `target_along_ratio` (where along the bead the camera points), `exposure_ev`, `n_arc_strikes` (0), `pose`
        (number of another photo of the same coupon by the same phone: view, hand and light differ), `strip_set` of
        `n_strip_sets` (strips taken off and laid anew that many times), `n_older` (mean number of droplets that
        were there before), `bare` (the plates before this bead), `signs` (what else to plant on the bead, of
        `PLANTED`; each from its own stream).

    Returns
    -------
    Coupon

    Raises
    ------
    ValueError
        A choice or value that does not exist.
    """
    unknown = set(choices) - COUPON_CHOICES
    if unknown:
        raise ValueError(f"no such choice: {sorted(unknown)}; there are {sorted(COUPON_CHOICES)}")
    rng = np.random.default_rng(seed)
    # one stream a topic, so that fixing one choice leaves the other topics as they were
    weld, plates, strips, view, phone_rng, light = rng.spawn(6)
    process = str(choices.get("process") or weld.choice(PROCESSES))
    joint = str(choices.get("joint") or weld.choice(JOINTS, p=(0.5, 0.2, 0.3)))
    if process not in PROCESSES or joint not in JOINTS:
        raise ValueError(f"unknown process {process!r} or joint {joint!r}")
    fault = choices["fault"] if "fault" in choices else _draw_fault(weld, process)
    hard = choices.get("hard")
    sound, settings = _settings(weld, process, joint, fault, choices)
    look = _vary(weld, look_of(settings, sound))
    own = np.random.default_rng([seed, 8])
    signs = frozenset(choices.get("signs", ()))
    if signs - PLANTED:
        raise ValueError(f"no such sign to plant: {sorted(signs - PLANTED)}; there are {sorted(PLANTED)}")
    look = _planted(own, look, signs)

    tee = joint == "tee"
    angle = float(choices.get("plate_angle_deg", weld.uniform(85.0, 95.0))) if tee else 180.0
    length = float(choices.get("length_mm", weld.uniform(60.0, 150.0)))
    to_right = bool(choices.get("to_right", not tee or weld.random() < 0.8))
    bead = make_bead(
        weld, joint, look, length_mm=length, plate_angle_deg=angle, step_mm=float(choices.get("step_mm", 0.1)),
        own=own, signs=signs, to_right=to_right,
        n_tacks=int(choices.get("n_tacks", int(weld.random() < 0.2 and length > 90.0))),
        has_restart=bool(choices.get("has_restart", weld.random() < 0.12 and length > 80.0)),
    )  # fmt: skip
    bodies = _bodies(plates, joint, bead, hard, choices)
    reach = {b.name: b.across_mm for b in bodies}
    sets = [_place(strips, joint, bead, bodies, choices) for _ in range(int(choices.get("n_strip_sets", 1)))]
    placements = sets[int(choices.get("strip_set", 0))]
    particles = make_particles(weld, bead, look, reach, bodies[0].along_mm)
    if choices.get("n_older"):
        particles = _with_older(seed, bead, look, reach, bodies[0].along_mm, particles, float(choices["n_older"]))
    particles = tuple(p for p in particles if all(fits_under(p, laid) for laid in sets))
    amount = float(choices.get("distractor_ratio", plates.gamma(1.5, 0.7)))
    distractors = make_distractors(plates, bead, reach, bodies[0].along_mm, amount)
    n_strikes = int(choices.get("n_arc_strikes", 0))
    distractors += make_arc_strikes(np.random.default_rng([seed, 6]), bead, reach, bodies[0].along_mm, n_strikes)
    if choices.get("bare"):
        bead, look, particles = _bare(bead), replace(look, tint_mm=0.0), tuple(p for p in particles if p.older)

    shot = _view(view, joint, bead, sets[0], choices)
    if choices.get("pose"):
        view, phone_rng, light = np.random.default_rng([seed, 3, int(choices["pose"])]).spawn(3)
        shot = _view(view, joint, bead, placements, choices | {"focal_35mm_mm": shot[1]}, lens=shot[0])
    camera, focal_35mm, distance, rotation, translation, tilt = shot
    phone, exif = _phone(phone_rng, hard, focal_35mm, choices)
    surroundings = _light(light, hard)
    return Coupon(
        seed, process, joint, fault, hard, settings, sound, look, angle, bodies, bead, particles, distractors,
        placements, camera, focal_35mm, distance, tilt, rotation, translation,
        plate_poses(joint, angle, rotation, translation), phone, exif, int(light.integers(2**31)), surroundings,
    )  # fmt: skip


def _with_older(
    seed: int,
    bead: Bead,
    look: Look,
    reach_mm: dict[str, tuple[float, float]],
    ends_mm: tuple[float, float],
    particles: tuple[Particle, ...],
    n: float,
) -> tuple[Particle, ...]:
    """Droplets of earlier work, wherever they fell, and this bead's own where none of those lies."""
    rng = np.random.default_rng([seed, 5])
    wide = replace(look, n_spatter_per_100mm=100.0 * n / bead.length_mm, spatter_reach_mm=60.0, slag_share=0.0)
    older = tuple(replace(p, older=True) for p in make_particles(rng, bead, wide, reach_mm, ends_mm))
    free = (
        p
        for p in particles
        if all(
            p.plate != o.plate
            or np.hypot(p.along_mm - o.along_mm, p.across_mm - o.across_mm) > 0.55 * (p.diameter_mm + o.diameter_mm)
            for o in older
        )
    )
    return (*older, *free)


def _bare(bead: Bead) -> Bead:
    """No bead yet: the toes meet in the joint, nothing stands up or is cut in."""
    flat = np.zeros_like(bead.hump_mm)
    return replace(
        bead,
        across_mm=np.sign(bead.across_mm) * np.minimum(np.abs(bead.across_mm), 0.03),
        sunk_mm=np.zeros_like(bead.sunk_mm),
        lap_mm=np.zeros_like(bead.lap_mm),
        hump_mm=flat,
        defects=(),
        melt=None,
        wire=None,
    )


def _draw_fault(rng: np.random.Generator, process: str) -> str | None:
    possible = [f for f in FAULTS if can_have(process, f)]
    return str(rng.choice(possible)) if rng.random() < 0.5 else None


def _settings(
    rng: np.random.Generator, process: str, joint: str, fault: str | None, choices: dict[str, Any]
) -> tuple[Settings, Settings]:
    """Sound settings for the size wanted, and the same with the fault."""
    leg = float(choices.get("leg_mm", rng.uniform(4.0, 8.5)))
    area = 0.55 * leg**2 * 1.1 if joint == "tee" else float(choices.get("width_mm", rng.uniform(7.0, 13.0))) ** 2 / 5.0
    sound = sound_settings(rng, process, area_mm2=area)
    return sound, faulty_settings(rng, sound, fault) if fault else sound


def _vary(rng: np.random.Generator, look: Look) -> Look:
    """Every hand and machine differs a little: scale the look's numbers at random."""

    def near(value: float, spread: float) -> float:
        return float(value * np.exp(spread * rng.standard_normal()))

    return replace(
        look,
        hump_ratio=float(look.hump_ratio + rng.normal(0.0, 0.035)),
        toe_rough_mm=near(look.toe_rough_mm, 0.25),
        ripple_mm=near(look.ripple_mm, 0.18),
        ripple_height_mm=near(look.ripple_height_mm, 0.25),
        ripple_sweep_ratio=near(look.ripple_sweep_ratio, 0.2),
        lump_mm=near(look.lump_mm, 0.3),
        n_spatter_per_100mm=near(look.n_spatter_per_100mm, 0.4),
        silica_share=min(1.0, near(look.silica_share, 0.4)),
        slag_share=min(1.0, near(look.slag_share, 0.5)),
        soot_ratio=min(1.0, near(look.soot_ratio, 0.4)),
        fume_ratio=min(1.0, near(look.fume_ratio, 0.6)),
        tint_mm=near(look.tint_mm, 0.2),
        dull_ratio=min(1.0, near(look.dull_ratio, 0.4)),
    )


def _planted(own: np.random.Generator, look: Look, signs: frozenset[str]) -> Look:
    """Signs that a look can carry, from faint to plain (common practice, no source)."""
    draw = {
        "crater unfilled": {"crater_mm": float(own.uniform(0.8, 2.0))},
        "undercut": {
            "undercut_mm": float(np.clip(own.lognormal(-0.65, 0.4), 0.25, 1.3)),
            "undercut_share": float(own.uniform(0.2, 0.8)),
        },
        "overlap": {
            "lap_share": float(own.uniform(0.2, 0.8)),
            "edge_power": min(look.edge_power, float(own.uniform(0.5, 0.8))),
            "hump_ratio": max(look.hump_ratio, float(own.uniform(0.12, 0.3))),
        },
        "pores": {"n_pores_per_100mm": float(np.exp(own.uniform(1.2, 3.2)))},
        "ripple pointed": {"ripple_power": float(own.uniform(1.0, 1.3)), "ripple_sweep_ratio": float(own.uniform(0.7, 1.3))},
        "convex": {
            "hump_ratio": float(own.uniform(0.34, 0.6)),
            "edge_power": min(look.edge_power, float(own.uniform(0.55, 0.95))),
        },
        "flat": {"hump_ratio": float(own.uniform(-0.12, 0.03))},
        "leaning": {"lean_ratio": float(own.choice([-1.0, 1.0]) * own.uniform(0.2, 0.5))},
    }
    chosen = {key: value for sign in sorted(signs & set(draw)) for key, value in draw[sign].items()}
    return replace(look, **chosen) if chosen else look


def _bodies(rng: np.random.Generator, joint: str, bead: Bead, hard: str | None, choices: dict[str, Any]) -> tuple[PlateBody, ...]:
    weights = np.array([0.34, 0.24, 0.12, 0.05, 0.15, 0.10])
    first = str(choices.get("finish") or rng.choice(FINISHES, p=weights))
    second = first if "finish" in choices or rng.random() < 0.75 else str(rng.choice(FINISHES, p=weights))
    if hard == "bright ground plate":
        first = second = "bright ground"
    along = (-float(rng.uniform(6.0, 30.0)), bead.length_mm + float(rng.uniform(6.0, 30.0)))
    thickness = rng.uniform(3.0, 12.0, 2)
    reach = np.abs(bead.across_mm).max(axis=1) + rng.uniform(42.0, 62.0, 2)
    if joint == "tee":
        return (
            PlateBody("base", first, along, (0.0, float(reach[0])), float(thickness[0])),
            PlateBody("standing", second, along, (0.0, float(reach[1])), float(thickness[1])),
        )
    return (PlateBody("plate", first, along, (-float(reach[0]), float(reach[1])), float(thickness[0])),)


def _place(
    rng: np.random.Generator, joint: str, bead: Bead, bodies: tuple[PlateBody, ...], choices: dict[str, Any]
) -> tuple[Placement, ...]:
    """Strips, one on each plate or side, clear of the toe and not over the plate's edge."""
    sides = SIDES[joint]
    low, high = bodies[0].along_mm
    fitting = [p for p in PAIRS if BOARDS[p[0]].length_mm + 2 * BOARDS[p[0]].margin_mm < high - low - 4.0]
    pair = choices.get("pair") or fitting[int(rng.integers(len(fitting)))]
    n = int(choices.get("n_strips", 2 if joint == "tee" or rng.random() < 0.6 else 1))
    chosen = [0, 1] if n == 2 else [int(rng.integers(2))] * n
    draw = rng.random(4)
    common = {
        "thickness_mm": 1.0 if draw[0] < 0.3 else 0.1,
        "lift_mm": float(rng.uniform(0.2, 1.2)) if draw[1] < 0.1 else 0.0,
        "curl_mm": float(rng.uniform(0.3, 2.0)) if draw[2] < 0.12 else 0.0,
    }
    common |= {key: float(choices[key]) for key in common if key in choices}
    found = []
    for k in chosen:
        board = BOARDS[pair[k]]
        half = 0.5 * board.height_mm + board.margin_mm
        body = bodies[k] if joint == "tee" else bodies[0]
        reach = float(np.abs(bead.across_mm[k]).max())
        edge = body.across_mm[1] if sides[k] in ("base", "standing", "left") else -body.across_mm[0]
        across = min(reach + float(rng.uniform(5.0, 14.0)) + half, edge - half - 1.0)
        turn = float(np.clip(rng.normal(0.0, 1.8), -5.0, 5.0))
        slack = 0.5 * (high - low - board.length_mm) - board.margin_mm - 2.0 - 0.06 * board.height_mm
        wanted = 0.5 * bead.length_mm + float(rng.uniform(-15.0, 15.0))
        middle = 0.5 * (low + high)
        at = float(np.clip(wanted, middle - max(slack, 0.0), middle + max(slack, 0.0)))
        if rng.random() < 0.1:
            turn += 180.0
        found.append(Placement(board, body.name, at, -across if sides[k] == "right" else across, turn, **common))
    return tuple(found)


def under_strip(placement: Placement, along_mm: float, across_mm: float, margin_mm: float) -> bool:
    """Whether a plate position lies under a strip, or within a margin of it."""
    turn = np.radians(placement.turn_deg)
    up = -1.0 if placement.plate == "base" else 1.0
    dx, dy = along_mm - placement.along_mm, up * (across_mm - placement.across_mm)
    x, y = np.cos(turn) * dx + np.sin(turn) * dy, -np.sin(turn) * dx + np.cos(turn) * dy
    board = placement.board
    return bool(
        abs(x) < 0.5 * board.length_mm + board.margin_mm + margin_mm
        and abs(y) < 0.5 * board.height_mm + board.margin_mm + margin_mm
    )


def fits_under(particle: Particle, placements: tuple[Placement, ...]) -> bool:
    """A droplet taller than the strip's height over the plate would poke through: such places were cleared."""
    return not any(
        p.plate == particle.plate
        and particle.height_mm > p.thickness_mm + p.lift_mm - 0.03
        and under_strip(p, particle.along_mm, particle.across_mm, 0.5 * particle.diameter_mm * 2.0)
        for p in placements
    )


def _view(
    rng: np.random.Generator,
    joint: str,
    bead: Bead,
    placements: tuple[Placement, ...],
    choices: dict[str, Any],
    *,
    lens: Camera | None = None,
) -> tuple[Camera, float, float, Array, Array, float]:
    left = min([0.0, *(p.along_mm - 0.5 * p.board.length_mm for p in placements)])
    right = max([bead.length_mm, *(p.along_mm + 0.5 * p.board.length_mm for p in placements)])
    width, height = int(choices.get("width_px", 2400)), int(choices.get("height_px", 1800))
    lean = 0.72 if joint == "tee" else 1.0
    far = [abs(p.across_mm) + 0.5 * p.board.height_mm + p.board.margin_mm for p in placements] or [20.0]
    tall = lean * 2.0 * max(far) * width / height
    fill = float(choices.get("fill_ratio", rng.uniform(0.70, 0.90)))
    field = max(right - left, tall) / fill
    focal_35mm = float(choices.get("focal_35mm_mm", _focal_35mm(rng, field)))
    camera = lens or phone_camera(rng, width, height, focal_35mm)
    distance = float(choices.get("distance_mm", distance_to_fill(camera, field, 1.0)))
    lean_deg = 8.0 if joint == "tee" else 14.0
    pitch = float(choices.get("pitch_deg", np.clip(rng.normal(0.0, lean_deg), -22.0, 22.0)))
    yaw = float(choices.get("yaw_deg", np.clip(rng.normal(0.0, 5.5), -15.0, 15.0)))
    roll = float(choices.get("roll_deg", np.clip(rng.normal(0.0, 4.0), -18.0, 18.0)))
    middle = 0.5 * (left + right)
    if "target_along_ratio" in choices:
        middle = float(choices["target_along_ratio"]) * bead.length_mm
    depth = 4.0 if joint == "tee" else 0.0
    target = np.array([middle, 0.0, depth])
    rotation, translation = look_at(target, distance, pitch, yaw, roll)
    ray = -(rotation.T @ translation) - np.array([0.5 * bead.length_mm, 0.0, 0.0])
    tilt = float(np.degrees(np.arccos(ray[2] / np.linalg.norm(ray))))
    return camera, focal_35mm, distance, rotation, translation, tilt


def _focal_35mm(rng: np.random.Generator, field_mm: float) -> float:
    """Focal length with which a field fills the photo from a handy distance: one of the phone's lenses, or zoom.

    The 35 mm equivalent goes by the diagonal, so the longer side of a 4:3 photo counts 34.6 mm. [mm]
    """
    handy = float(np.clip(rng.normal(250.0, 45.0), 170.0, 380.0))
    wanted = handy / field_mm * 34.6
    if rng.random() < 0.5:
        return float(max(24.0, wanted))
    return float(min((24.0, 26.0, 28.0, 35.0, 48.0, 52.0, 77.0), key=lambda f: abs(np.log(f / wanted))))


def _phone(
    rng: np.random.Generator, hard: str | None, focal_35mm: float, choices: dict[str, Any]
) -> tuple[Phone, dict[str, Any] | None]:
    warm = float(rng.normal(0.0, 0.045))
    green = float(rng.normal(0.0, 0.012))
    dim = hard == "low light"
    iso = float(np.exp(rng.normal(0.0, 0.5))) * (7.0 if dim else 1.0)
    phone = Phone(
        aperture_mm=float(rng.uniform(1.6, 3.6)),
        focus_offset_mm=float(rng.normal(0.0, 4.0)),
        exposure_ev=float(choices.get("exposure_ev", rng.normal(0.0, 0.3) - (1.1 if dim else 0.0))),
        noise_iso_ratio=iso,
        motion_px=float(rng.exponential(0.5)) * (2.2 if dim else 1.0),
        motion_deg=float(rng.uniform(0.0, 180.0)),
        white_balance=(1.0 + warm, 1.0 + green, 1.0 - warm),
        contrast=float(rng.uniform(0.85, 1.3)),
        saturation=float(rng.uniform(0.85, 1.3)),
        sharpening=float(rng.uniform(0.2, 1.1)),
        denoise=float(rng.uniform(0.0, 0.6)) * (1.5 if dim else 1.0),
        local_contrast=float(rng.uniform(0.0, 0.8)),
        quality=int(rng.integers(82, 96)),
    )
    with_exif = bool(choices.get("exif", rng.random() < 0.75))
    exif = (
        {
            "make": "Demo Optics",
            "model": str(rng.choice(["Pocket 1", "Pocket 2", "Pocket 3"])),
            "focal_35mm": int(round(focal_35mm)),
            "focal_mm": round(focal_35mm / 3.85, 2),
            "iso": int(50 * max(1.0, round(iso * 2.0))),
            "orientation": 1,
            "taken_at": f"2025:0{int(rng.integers(1, 10))}:{int(rng.integers(10, 28))} "
            f"{int(rng.integers(10, 17))}:{int(rng.integers(10, 60))}:{int(rng.integers(10, 60))}",
        }
        if with_exif
        else None
    )
    return phone, exif


def _light(rng: np.random.Generator, hard: str | None) -> dict[str, Any]:
    kinds = ("window", "tubes", "window and tubes", "lamp", "overcast")
    light: dict[str, Any] = {
        "kind": str(rng.choice(kinds, p=(0.28, 0.22, 0.2, 0.14, 0.16))),
        "near_ratio": float(np.exp(rng.normal(-0.6, 0.8))),
        "near_azimuth_deg": float(rng.uniform(0.0, 360.0)),
        "near_elevation_deg": float(rng.uniform(25.0, 65.0)),
        "near_size_mm": float(np.exp(rng.uniform(np.log(40.0), np.log(350.0)))),
        "flash": bool(rng.random() < 0.1),
        "bench": str(rng.choice(["wood", "steel", "concrete", "cardboard", "dark"])),
    }
    if hard == "glare":
        light |= {"kind": "window and tubes", "near_ratio": 5.0, "near_size_mm": 90.0, "glare": True}
    if hard == "low light":
        light |= {"kind": "lamp", "near_ratio": 0.7, "flash": False}
    return light
