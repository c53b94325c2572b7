"""Fast mode: small, noisy, widely varied pictures with a class for every pixel, for training."""

from __future__ import annotations

from contextlib import AbstractContextManager
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sample_images.scene.bead import SIDES
from sample_images.scene.coupon import Coupon, make_coupon
from sample_images.scene.geometry import BOARDS, PAIRS
from sample_images.scene.phone import develop
from sample_images.scene.render import render
from sample_images.scene.signs import sign_mask
from sample_images.scene.truth import class_mask, truth

WIDTH_PX, HEIGHT_PX = 640, 480
RELIEF_PX = (1536, 768)


PLANTED_SHARE: dict[str, float] = {
    "crater unfilled": 0.38,
    "undercut": 0.27,
    "overlap": 0.25,
    "pores": 0.20,
    "ripple pointed": 0.22,
    "cold start": 0.32,
    "melt-through": 0.32,
    "wire left": 0.42,
    "convex": 0.20,
    "flat": 0.18,
    "leaning": 0.25,
}
"""How often each sign is planted in those pictures that have any (seven of ten)."""
STRIKE_SHARE, TACK_SHARE, RESTART_SHARE = 0.6, 0.35, 0.35
"""How often arc strikes, tacks and a restart are drawn, whatever else is planted."""


def _planted(seed: int) -> tuple[frozenset[str], dict[str, Any]]:
    """Signs to plant, and a framing that shows the end of the bead where they lie."""
    rng = np.random.default_rng([seed, 97])
    any_sign = rng.random() < 0.7
    draws = {sign: any_sign and rng.random() < share for sign, share in PLANTED_SHARE.items()}
    signs = frozenset(sign for sign, planted in draws.items() if planted)
    signs -= {"flat"} if signs & {"convex", "overlap", "cold start"} else frozenset()
    at_end, at_start = bool(signs & {"crater unfilled", "wire left"}), "cold start" in signs
    to_right = bool(rng.random() < 0.75)
    place = float(rng.uniform(0.72, 0.98))
    if not (at_end or at_start) or rng.random() < 0.1:
        return signs, {}
    near_end = at_end if at_end != at_start else rng.random() < 0.5
    return signs, {"to_right": to_right, "target_along_ratio": place if near_end == to_right else 1.0 - place}


def training_choices(seed: int) -> dict[str, Any]:
    """How a training picture is framed: 4.5 to 10 px a mm, anywhere along the bead, strips mostly in view."""
    rng = np.random.default_rng([seed, 99])
    px_per_mm = float(np.exp(rng.uniform(np.log(4.5), np.log(10.0))))
    focal_35mm = float(rng.choice([24.0, 26.0, 48.0, 52.0, 77.0], p=[0.1, 0.1, 0.3, 0.25, 0.25]))  # wide ones cannot come near
    focal_px = focal_35mm / 43.2666 * np.hypot(WIDTH_PX, HEIGHT_PX)
    turned = rng.random() < 0.15
    hard = str(rng.choice(["glare", "low light", "bright ground plate"])) if rng.random() < 0.15 else None
    signs, framing = _planted(seed)
    broken = np.random.default_rng([seed, 96])
    return {
        "width_px": WIDTH_PX,
        "height_px": HEIGHT_PX,
        "focal_35mm_mm": focal_35mm,
        "distance_mm": float(max(90.0, focal_px / px_per_mm)),
        "target_along_ratio": float(rng.uniform(0.05, 0.95) if px_per_mm > 6.0 else rng.uniform(0.3, 0.7)),
        "hard": hard,
        "distractor_ratio": float(rng.gamma(1.6, 0.8)),
        "step_mm": 0.16,
        "n_arc_strikes": int(rng.random() < STRIKE_SHARE) * int(rng.integers(1, 5)),
        "roll_deg": float(rng.uniform(-180.0, 180.0) if turned else np.clip(rng.normal(0.0, 8.0), -25.0, 25.0)),
        "pitch_deg": float(np.clip(rng.normal(0.0, 11.0), -28.0, 28.0)),
        "yaw_deg": float(np.clip(rng.normal(0.0, 9.0), -24.0, 24.0)),
        "signs": tuple(sorted(signs)),
        "n_tacks": int(broken.random() < TACK_SHARE) * int(broken.integers(1, 3)),
        "has_restart": bool(broken.random() < RESTART_SHARE),
        **framing,
        **({"n_strips": 0} if rng.random() < 0.12 else {"pair": PAIRS[int(rng.integers(len(PAIRS)))]}),
    }


def training_coupon(seed: int) -> Coupon:
    """The coupon of a training picture; the same seed gives the same coupon, whichever process makes it."""
    choices = training_choices(seed)
    if "pair" in choices:  # long strips only where the plates can carry them
        board = BOARDS[choices["pair"][0]]
        length = float(np.random.default_rng([seed, 98]).uniform(60.0, 150.0))
        choices["length_mm"] = max(length, board.length_mm + 2.0 * board.margin_mm - 8.0)
    return make_coupon(seed, **choices)


def training_picture(
    coupon: Coupon,
    *,
    relief_px: tuple[int, int] = RELIEF_PX,
    finest_px_per_mm: float = 9.0,
    spp: int = 9,
    variant: str = "cuda_ad_rgb,llvm_ad_rgb",
    gate: AbstractContextManager[Any] | None = None,
) -> tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.uint8], dict[str, Any]]:
    """One training picture.

    Parameters
    ----------
    coupon : Coupon
        From `training_coupon`, say. Seeds of the shipped and the evaluation set are below 100 000: train from there on.
    relief_px : tuple of int
        Of the plates' textures [px].
    finest_px_per_mm : float
        Resolution up to which they are drawn [px/mm].
    spp : int
        Samples a pixel.
    variant : str
        Mitsuba variants to try, by commas.
    gate : context manager, optional
        Held while Mitsuba works, so that many processes share one GPU a few at a time.

    Returns
    -------
    rgb : ndarray, shape (h, w, 3), uint8
        sRGB.
    classes : ndarray, shape (h, w), uint8
        0 other, 1 plate, 2 weld, 3 spatter, 4 slag (on the weld or as crumbs), 5 strip.
    signs : ndarray, shape (h, w), uint8
        Bits of `signs.SIGNS`.
    meta : dict
        `process`, `joint`, `fault`, `hard`, `px_per_mm`, `toes` (name to px and visible), `particles`,
        `distractors`, `plates`, `camera`.
    """
    px_per_mm = coupon.camera.focal_px / coupon.distance_mm
    light, hits, assembly = render(
        coupon,
        spp=spp,
        variant=variant,
        px_per_mm=min(finest_px_per_mm, 1.2 * px_per_mm),
        mesh_step_mm=0.16,
        relief_px=relief_px,
        gate=gate,
    )
    known = truth(coupon, hits, assembly)
    meta = {
        "seed": coupon.seed,
        "px_per_mm": round(px_per_mm, 4),
        "toes": {
            name: {"px": known["bead"]["toes"][name]["px"], "visible": known["bead"]["toes"][name]["visible"]}
            for name in SIDES[coupon.joint]
        },
        **{key: known[key] for key in ("process", "joint", "fault", "hard", "particles", "distractors", "plates", "camera")},
    }
    return develop(light, coupon), class_mask(coupon, hits, assembly), sign_mask(coupon, hits), meta
