"""Geometry-only coupons with everything that the scale's budget speaks of drawn anew: corners in, lengths with their
claimed u out.

The coupons, their lens formula and their poses come from `sample_images/scene/geometry.py`, which knows nothing of the
package. How a strip lies on its plate is written down here once more.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from sample_images.scene import geometry

from toeline.coupon import Scaling
from toeline.quantity import Measured
from toeline.scale import rays
from toeline.scale.budget import Budget, lens_prior, strip_prior
from toeline.scale.bundle import Sighting
from toeline.scale.plates import solve_plates
from toeline.scale.solution import Scale
from toeline.scale.strips import load_strips

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Lie:
    """How one strip lies: thickness, stand-off, rocking along and across (middle to chessboard edge), curl (ends
    above middle) [mm]."""

    thickness_mm: float = 0.1
    stand_off_mm: float = 0.0
    rock_along_mm: float = 0.0
    rock_across_mm: float = 0.0
    curl_mm: float = 0.0


@dataclass(frozen=True)
class Observed:
    """Corners as measured, and the truth behind them."""

    case: geometry.Case
    sightings: tuple[Sighting, ...]
    budget: Budget

    def solve(self) -> Scale:
        return solve_plates(self.sightings, joint=self.case.joint, budget=self.budget)


def marker_corners_mm(board: geometry.Board, ink_spread_mm: float) -> Array:
    """Corners of a strip's markers as printed, moved outwards by spreading ink, shape (k, 4, 2) [mm]."""
    size, side = board.square_mm, board.marker_mm + 2 * ink_spread_mm
    squares = [(column, row) for row in range(board.n_y) for column in range(board.n_x) if (row + column) % 2 == 1]
    middles = (np.array(squares) + 0.5) * size
    return middles[:, None] + 0.5 * side * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])


def on_plate(placement: geometry.Placement, lie: Lie, print_factor: tuple[float, ...], board_mm: Array) -> Array:
    """Points of a strip's own frame in the plate frame (along, across, height), shape (n, 3) [mm]."""
    board = placement.board
    x, y = (board_mm - 0.5 * np.array([board.length_mm, board.height_mm])).T
    u, v = x / (0.5 * board.length_mm), y / (0.5 * board.height_mm)
    height = lie.thickness_mm + lie.stand_off_mm + lie.rock_along_mm * u + lie.rock_across_mm * v
    height = height + lie.curl_mm * u**2 + max(0.0, -lie.curl_mm)
    x, y = x * print_factor[0], y * print_factor[1]
    c, s = np.cos(np.radians(placement.turn_deg)), np.sin(np.radians(placement.turn_deg))
    upward = -1.0 if placement.plate == "base" else 1.0
    return np.stack([placement.along_mm + c * x + s * y, placement.across_mm + upward * (s * x - c * y), height], axis=1)


def believed(seed: int, *, scraped: bool = False, angle_u_deg: float = 3.0, shot: int = 0, **choices: object) -> Observed:
    """A case whose every doubt is drawn from the very distribution that the budget claims (so coverage tests the
    propagation)."""
    rng = np.random.default_rng([seed, 1])
    if choices.get("joint") == "tee" or "joint" not in choices:
        choices.setdefault("plate_angle_deg", float(90.0 + np.clip(angle_u_deg * rng.standard_normal(), -15, 15)))
    case = geometry.make_case(seed, **choices)
    width, height = case.camera.width_px, case.camera.height_px
    lens = lens_prior(width, height, case.focal_35mm_mm)
    k = np.array(lens.distortion_u) * rng.standard_normal(4)
    camera = geometry.Camera(
        width,
        height,
        lens.focal_px * float(np.exp(lens.focal_u_ratio * rng.standard_t(lens.focal_dof))),
        *(np.array(lens.centre_px) + lens.centre_u_px * rng.standard_normal(2)),
        *k,
    )
    scaling = Scaling(strip_thickness_mm=0.1, plate_scraped=scraped)
    print_factor = tuple(1.0 + np.array(scaling.print_factor_u) * rng.standard_normal(2))
    lies, strips = {}, {}
    for view in case.strips:
        letter = view.placement.board.name
        said = strip_prior(letter, scaling)
        strips[letter] = replace(said, thickness_mm=view.placement.thickness_mm)
        lies[letter] = Lie(
            view.placement.thickness_mm + said.thickness_u_mm * rng.standard_normal(),
            said.stand_off_u_mm * rng.standard_normal(),
            said.rocking_u_mm * rng.standard_normal(),
            said.rocking_u_mm * rng.standard_normal(),
            said.curl_u_mm * rng.standard_normal(),
        )
    budget = Budget(lens, strips, scaling.print_factor, scaling.print_factor_u, plate_angle_u_deg=angle_u_deg)
    ink_spread_mm = 0.1 * rng.standard_normal()
    noise = rng if shot == 0 else np.random.default_rng([seed, 3, shot])  # another photo of the same coupon
    return observe(case, camera, lies, print_factor, budget, noise, ink_spread_mm=ink_spread_mm)


def given(
    seed: int, *, realistic: bool, scraped: bool = True, marker_noise_px: float | None = 0.1, **choices: object
) -> Observed:
    """A case with the generator's own lens, and strips that lie ideally, or as they do: thickness ± 0.05, stand-off up
    to 0.2, curl up to 0.1 mm, print ± 0.3 % each way (all uniform)."""
    rng = np.random.default_rng([seed, 2])
    case = geometry.make_case(seed, lift_mm=0.0, curl_mm=0.0, **choices)
    lens = lens_prior(case.camera.width_px, case.camera.height_px, case.focal_35mm_mm)
    thick = {v.placement.board.name: v.placement.thickness_mm for v in case.strips}
    scaling = Scaling(
        strip_thickness_mm=thick, plate_scraped=scraped, print_factor_u=(0.0017, 0.0017) if realistic else (1e-5, 1e-5)
    )
    lies = {letter: Lie(thickness) for letter, thickness in thick.items()}
    print_factor = (1.0, 1.0)
    if realistic:
        lies = {
            letter: Lie(t + rng.uniform(-0.05, 0.05), rng.uniform(0.0, 0.2), curl_mm=rng.uniform(0.0, 0.1))
            for letter, t in thick.items()
        }
        print_factor = tuple(rng.uniform(0.997, 1.003, 2))
    priors = {letter: strip_prior(letter, scaling) for letter in thick}
    budget = Budget(lens, priors, scaling.print_factor, scaling.print_factor_u)
    return observe(case, case.camera, lies, print_factor, budget, rng, ink_spread_mm=0.05, marker_noise_px=marker_noise_px)


def observe(
    case: geometry.Case,
    camera: geometry.Camera,
    lies: dict[str, Lie],
    print_factor: tuple[float, ...],
    budget: Budget,
    rng: np.random.Generator,
    *,
    ink_spread_mm: float = 0.0,
    noise_px: float = 0.1,
    marker_noise_px: float | None = 0.1,
) -> Observed:
    """Corners seen by that camera, with noise (marker corners left out for None); the toe points seen by it, without."""
    sightings = []

    def seen(placement: geometry.Placement, board_mm: Array, noise: float) -> tuple[Array, NDArray[np.bool_]]:
        points = on_plate(placement, lies[placement.board.name], print_factor, board_mm)
        exact = camera.project(case.plates[placement.plate].to_camera(points))
        return exact + noise * rng.standard_normal(exact.shape), camera.contains(exact)

    for view in case.strips:
        board, strip = view.placement.board, load_strips()[view.placement.board.name]
        corners, inside = seen(view.placement, board.corners_mm(), noise_px)
        sighting = Sighting(strip, np.flatnonzero(inside), corners[inside])
        if marker_noise_px is not None:
            flat = marker_corners_mm(board, ink_spread_mm).reshape(-1, 2)
            quads, whole = (v.reshape(-1, 4, *v.shape[1:]) for v in seen(view.placement, flat, 0.0))
            markers = np.flatnonzero(whole.all(axis=1))
            middles = quads[markers].mean(axis=1) + marker_noise_px * rng.standard_normal((len(markers), 2))
            sighting = replace(sighting, markers=markers, markers_px=middles)
        sightings.append(sighting)
    toes_px = {}
    for name, across in case.toes_mm.items():
        points = np.stack([case.along_mm, across, np.zeros_like(across)], axis=1)
        toes_px[name] = camera.project(case.plates[geometry.TOE_PLATES[name]].to_camera(points))
    return Observed(replace(case, camera=camera, toes_px=toes_px), tuple(sightings), budget)


def lengths(observed: Observed, scale: Scale) -> dict[str, tuple[Measured, float]]:
    """Mean leg of each plate, or mean width, from true toe pixels: as measured, and the truth [mm]."""
    case = observed.case
    if case.joint == "tee":
        result = {}
        for name in ("base", "standing"):
            met = rays.to_plate_mm(scale, name, case.toes_px[name])
            effects = {source: float(e[:, 1].mean()) for source, e in rays.effects_mm(scale, name, met).items()}
            result[f"leg {name}"] = Measured(float(met[:, 1].mean()), 0.0, effects), float(case.toes_mm[name].mean())
        return result
    left, right = (rays.to_plate_mm(scale, "plate", case.toes_px[name]) for name in ("left", "right"))
    across = (left - right) / np.linalg.norm(left - right, axis=1, keepdims=True)
    at_left, at_right = (rays.effects_mm(scale, "plate", points) for points in (left, right))
    effects = {s: float(np.sum((at_left[s] - at_right[s]) * across, axis=1).mean()) for s in at_left}
    truth = float((case.toes_mm["left"] - case.toes_mm["right"]).mean())
    return {"width": (Measured(float(np.linalg.norm(left - right, axis=1).mean()), 0.0, effects), truth)}


def tilt_deg(case: geometry.Case) -> float:
    """Angle of the ray to mid-bead from the plate's normal, or from a tee's bisector [deg]."""
    plates = list(case.plates.values())
    middle = plates[0].translation + plates[0].rotation[:, 0] * case.along_mm.mean()
    normal = np.sum([p.rotation[:, 2] for p in plates], axis=0)
    cosine = -middle @ normal / np.linalg.norm(middle) / np.linalg.norm(normal)
    return float(np.degrees(np.arccos(np.clip(cosine, -1, 1))))
