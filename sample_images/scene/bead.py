"""The bead: two toe lines, parts, defects, and the weld face between the toes as a fine surface.

Side 0 is the toe that is lower in the view (`base`, or the flat bead's negative `across`), side 1 the upper one.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import radians, sin, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sample_images.scene import noise
from sample_images.scene.geometry import plate_axes
from sample_images.scene.process import Look

Array = NDArray[np.float64]

SIDES: dict[str, tuple[str, str]] = {
    "tee": ("base", "standing"),
    "butt": ("right", "left"),
    "plate": ("right", "left"),
}
STEADY_MARGIN_MM = 8.0


@dataclass(frozen=True, slots=True)
class Part:
    """A stretch of the bead: `start`, `steady`, `crater`, `tack` or `restart`. [mm]"""

    kind: str
    from_mm: float
    to_mm: float


@dataclass(frozen=True, slots=True)
class Defect:
    """Something wrong with the surface, where the geometry put it.

    Parameters
    ----------
    kind : str
        `undercut`, `pore`, `lap`, `crater`, `slag`, `cold start`, `melt-through`, `wire left`.
    side : str or None
        Toe name, where it has one.
    from_mm, to_mm : float
        Along the bead. [mm]
    across_share : float or None
        Position across the face, 0 at the lower toe, 1 at the upper.
    depth_mm, diameter_mm : float or None
        Size, where it has one. [mm]
    """

    kind: str
    side: str | None
    from_mm: float
    to_mm: float
    across_share: float | None = None
    depth_mm: float | None = None
    diameter_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Wire:
    """A piece of wire left sticking out of the bead.

    Parameters
    ----------
    along_mm, across_share : float
        Where it stands: along the bead [mm], and across the face, 0 at the lower toe.
    diameter_mm, length_mm : float
        Of the wire, and of what sticks out. [mm]
    lean_deg, turn_deg, bend : float
        Away from the face's normal [deg], in which direction [deg], and how far its tip is bent aside over its length.
    ball_ratio : float
        Diameter of the molten ball at its tip over its own; 1 for a clipped tip.
    copper : bool
        Still copper-coloured, or burnt dark.
    """

    along_mm: float
    across_share: float
    diameter_mm: float
    length_mm: float
    lean_deg: float
    turn_deg: float
    bend: float
    ball_ratio: float
    copper: bool


@dataclass(frozen=True, slots=True)
class Melt:
    """Where the arc went through, or nearly: a hole with a sunken rim, or a sag. [mm]"""

    along_mm: float
    across_share: float
    radius_mm: float
    sag_mm: float
    hole_mm: float
    seed: int


@dataclass(frozen=True, slots=True, eq=False)
class Bead:
    """A bead's geometry on its nodes along the weld.

    Parameters
    ----------
    joint : str
        `tee`, `butt` or `plate`.
    length_mm : float
        From end to end. [mm]
    to_right : bool
        Direction of travel in the view.
    along_mm : ndarray, shape (n,)
        Nodes, rising from 0 to the length. [mm]
    across_mm : ndarray, shape (2, n)
        The two toes on their plates. [mm]
    sunk_mm : ndarray, shape (2, n)
        How far each toe lies below its plate's face (undercut). [mm]
    groove_mm : ndarray, shape (2, n)
        Width of the undercut groove outside the toe. [mm]
    groove_form : tuple of float
        Powers of its section (how flat its bottom, how sharp its lip) and how dark its oxide is, 0 to 1.
    lap_mm : ndarray, shape (2, n)
        Radius of the nose that a rolled toe hangs over the plate with; the toe is then the nose's edge. [mm]
    hump_mm : ndarray, shape (n,)
        Height of the bulge over the chord; negative is hollow. [mm]
    edge_power, skew : ndarray, shape (n,)
        Shape of the bulge.
    gap_mm : float
        Root gap beyond the ends of a butt bead. [mm]
    parts, defects : tuple
        Stretches and defects.
    ripples : dict
        Numbers of the freeze lines, read by `surface`.
    """

    joint: str
    length_mm: float
    to_right: bool
    along_mm: Array
    across_mm: Array
    sunk_mm: Array
    groove_mm: Array
    groove_form: tuple[float, float, float]
    lap_mm: Array
    hump_mm: Array
    edge_power: Array
    skew: Array
    gap_mm: float
    parts: tuple[Part, ...]
    defects: tuple[Defect, ...]
    ripples: dict[str, Any]
    melt: Melt | None = None
    wire: Wire | None = None

    def toe_at(self, side: int, along_mm: Array) -> Array:
        """Toe points in the plate frame at positions along, shape (m, 3). [mm]"""
        across = np.interp(along_mm, self.along_mm, self.across_mm[side])
        sunk = np.interp(along_mm, self.along_mm, self.sunk_mm[side])
        return np.stack([along_mm, across, -sunk], axis=1)


def _nodes(length: float, step: float, cap: float) -> Array:
    """Even nodes, denser where the rounded ends close up."""
    even = np.linspace(0.0, length, int(np.ceil(length / step)) + 1)
    phi = np.linspace(0.0, 0.5 * np.pi, int(np.ceil(1.6 * cap / step)) + 2)
    end = cap * (1.0 - np.cos(phi))
    nodes = np.unique(np.concatenate([even[(even >= cap) & (even <= length - cap)], end, length - end]))
    keep = np.concatenate([[True], np.diff(nodes) > 1e-4])
    nodes = nodes[keep]
    nodes[-1] = length
    return np.asarray(nodes)


def _cap(along: Array, length: float, start: float, end: float) -> Array:
    """Share of the full width: elliptic closing at either end."""
    a = np.clip(along / start, 0.0, 1.0)
    b = np.clip((length - along) / end, 0.0, 1.0)
    share: Array = np.sqrt(np.maximum(0.0, 1.0 - (1.0 - a) ** 2)) * np.maximum(0.0, 1.0 - (1.0 - b) ** 2.2) ** 0.6
    return share


def _fall(time: Array, at: float, soft: float) -> Array:
    """1 before a place, 0 after it."""
    share = np.clip((at + 0.5 * soft - time) / soft, 0.0, 1.0)
    fall: Array = share * share * (3.0 - 2.0 * share)
    return fall


def _bump(along: Array, at: float, half: float) -> Array:
    return np.exp(-(((along - at) / half) ** 2))


def _stretches(rng: np.random.Generator, length: float, share: float, typical: float) -> list[tuple[float, float]]:
    """Random stretches that together take about a share of the length."""
    found: list[tuple[float, float]] = []
    want = share * length
    while want > 1.0 and len(found) < 12:
        size = float(np.clip(rng.exponential(typical), 2.5, max(3.0, want)))
        at = float(rng.uniform(3.0, max(3.5, length - size - 3.0)))
        found.append((at, min(length - 2.0, at + size)))
        want -= size
    return found


def _window(along: Array, low: float, high: float, soft: float) -> Array:
    up = np.clip((along - low) / soft + 0.5, 0.0, 1.0)
    down = np.clip((high - along) / soft + 0.5, 0.0, 1.0)
    both = np.minimum(up, down)
    window: Array = both * both * (3.0 - 2.0 * both)
    return window


def make_bead(
    rng: np.random.Generator,
    joint: str,
    look: Look,
    *,
    length_mm: float,
    plate_angle_deg: float,
    step_mm: float = 0.1,
    own: np.random.Generator,
    signs: frozenset[str] = frozenset(),
    to_right: bool = True,
    n_tacks: int = 0,
    has_restart: bool = False,
) -> Bead:
    """Lay a bead.

    Parameters
    ----------
    rng : Generator
        Source of chance.
    joint : str
        `tee`, `butt` or `plate`.
    look : Look
        What the settings make of it.
    length_mm, plate_angle_deg : float
        Length [mm] and angle between the plates [deg].
    step_mm : float
        Distance of nodes along. [mm]
    own : Generator
        Source of chance of everything that was added later, so that older coupons keep their numbers.
    signs : frozenset of str
        What else to plant: `cold start`, `melt-through`, `wire left`.
    to_right : bool
        Direction of travel in the view.
    n_tacks : int
        Tacks that the bead ran over.
    has_restart : bool
        Whether the arc was broken and struck again.
    """
    tee = joint == "tee"
    # metal per length follows the hand: area and speed trade one for one
    hump = look.hump_ratio
    half_width = 0.5 * width_of_area(look.area_mm2, look, plate_angle_deg, tee)
    start_cap, end_cap = 1.45 * half_width, 1.8 * half_width
    along = _nodes(length_mm, step_mm, max(start_cap, end_cap))
    time = along if to_right else length_mm - along  # how far the arc had come
    area = look.area_mm2 * np.exp(look.drift_ratio * (0.8 * noise.line(rng, along, 18.0) + 0.6 * noise.line(rng, along, 7.0)))
    area *= 1.0 + 0.25 * _bump(time, 2.5, 4.0)
    parts = [Part("start", 0.0, 0.0)]
    for at in _spread(rng, n_tacks, length_mm):
        area *= 1.0 + 0.30 * _bump(along, at, 4.0)
        parts.append(Part("tack", at - 6.0, at + 6.0))
    restart = None
    if has_restart:
        restart = float(rng.uniform(0.4, 0.6) * length_mm)
        area *= 1.0 + 0.32 * _bump(along, restart + (2.5 if to_right else -2.5), 3.0)
        area *= 1.0 - 0.22 * _bump(along, restart - (2.0 if to_right else -2.0), 2.5)
        parts.append(Part("restart", restart - 6.0, restart + 6.0))

    caps = (start_cap, end_cap) if to_right else (end_cap, start_cap)
    cap = _cap(along, length_mm, *caps)
    uneven = np.exp(0.16 * rng.standard_normal((2, 2)))  # no two ends close alike
    side_caps = [_cap(along, length_mm, caps[0] * u[0], caps[1] * u[1]) for u in uneven]
    gap = float(rng.uniform(0.0, 1.2)) if joint == "butt" else 0.0
    width = np.array([width_of_area(a, look, plate_angle_deg, tee) for a in area])
    cold, cold_mm = np.zeros(len(along)), float(own.uniform(4.0, 11.0))
    if "cold start" in signs:  # the first metal freezes before it wets the plate: narrow, high, rolled edges
        cold = _fall(time, cold_mm, float(own.uniform(2.0, 5.0)))
        width = width * (1.0 - float(own.uniform(0.15, 0.42)) * cold)
    rough = look.toe_rough_mm
    sway = 0.045 * noise.line(rng, along, 35.0) + 0.03 * noise.line(rng, along, 14.0)
    sway *= 1.0 + 3.0 * look.drift_ratio  # the hand drifts from plate to plate
    toes = []
    for side in (0, 1):
        wobble = rough * (0.8 * noise.line(rng, along, 4.0) + 0.6 * noise.line(rng, along, 1.2))
        wobble += 0.25 * rough * noise.line(rng, along, 0.45)
        wobble = wobble + 0.5 * look.drift_ratio * look.area_mm2**0.5 * noise.line(rng, along, 9.0)
        if tee:
            tilt = (look.leg_ratio * np.exp(2.0 * sway)) ** (0.5 if side == 0 else -0.5)
            leg = width / (2.0 * sin(radians(plate_angle_deg) / 2.0)) * tilt
            toes.append(np.maximum(leg + wobble, 0.35 * leg) * side_caps[side])
        else:
            toes.append(np.maximum(0.5 * width + wobble, 0.2 * width) * side_caps[side])
    if not tee:
        middle = 0.25 * noise.line(rng, along, 30.0) + 0.12 * noise.line(rng, along, 10.0)
        middle *= 1.0 + 4.0 * look.drift_ratio
        toes = [-np.maximum(toes[0], 0.5 * gap) + middle * cap, np.maximum(toes[1], 0.5 * gap) + middle * cap]

    # edges: undercut prefers the toe the torch points away from, the standing plate's by gravity
    defects: list[Defect] = []
    sunk, groove = np.zeros((2, len(along))), np.full((2, len(along)), 0.8)
    for low, high in _stretches(rng, length_mm, look.undercut_share, 16.0):
        upper = 0.8 if tee and look.leg_ratio >= 1.0 else 0.2 if tee else 0.5
        side = int(rng.random() < upper)
        depth = float(look.undercut_mm * rng.uniform(0.7, 1.2))
        window = _window(along, low, high, 3.0) * (1.0 + 0.2 * noise.line(rng, along, 3.0))
        sunk[side] = np.maximum(sunk[side], depth * np.clip(window, 0.0, None))
        groove[side] = np.maximum(groove[side], (0.4 + 0.9 * depth) * float(np.exp(own.normal(0.0, 0.2))))
        defects.append(Defect("undercut", SIDES[joint][side], low, high, None, depth))
    sunk *= np.minimum(cap, 1.0) > 0.55
    edge, lap = np.full(len(along), look.edge_power), np.zeros((2, len(along)))
    for low, high in _stretches(rng, length_mm, look.lap_share, 14.0):
        window = _window(along, low, high, 4.0)
        edge -= 0.25 * look.edge_power * window
        lobes = 1.0 + 0.3 * noise.line(own, along, 3.0)
        lap[0] = np.maximum(lap[0], float(own.uniform(0.25, 0.65)) * window * np.clip(lobes, 0.3, 1.5))
        defects.append(Defect("lap", SIDES[joint][0], low, high))
    lap = np.maximum(lap, cold * own.uniform(0.0, 0.45, (2, 1))) * (cap > 0.5)
    lap *= sunk < 0.05
    edge -= 0.25 * look.edge_power * cold
    height = hump * 0.5 * width * cap * np.exp(0.10 * noise.line(rng, along, 8.0))
    height *= 1.0 + 0.5 * _bump(time, 3.0, 4.0)
    height += float(own.uniform(0.2, 0.55)) * half_width * cap * cold
    if not tee:  # no nose stands higher than the metal behind it
        lap = np.minimum(lap, 0.15 + 0.3 * np.maximum(height, 0.0))

    parts[0] = Part("start", *sorted((0.0, STEADY_MARGIN_MM)) if to_right else (length_mm - 8.0, length_mm))
    crater_part = (length_mm - 8.0, length_mm) if to_right else (0.0, 8.0)
    parts.append(Part("crater", *crater_part))
    crater_at = length_mm - 0.85 * end_cap if to_right else 0.85 * end_cap
    defects.append(Defect("crater", None, crater_at - end_cap, crater_at + end_cap, 0.5, look.crater_mm, 1.5 * half_width))
    pores = _pores(rng, look, length_mm, half_width)
    defects.extend(pores)
    parts.extend(_steady(parts, length_mm))
    if "cold start" in signs:
        ends = (0.0, cold_mm) if to_right else (length_mm - cold_mm, length_mm)
        defects.append(Defect("cold start", None, *ends))
    melt = _melt(own, length_mm, half_width) if "melt-through" in signs else None
    if melt is not None:
        reach = max(melt.radius_mm, 1.0)
        deep = melt.hole_mm or melt.sag_mm
        defects.append(
            Defect("melt-through", None, melt.along_mm - reach, melt.along_mm + reach, melt.across_share, deep, 2.0 * reach)
        )
    start_at = 0.6 * start_cap if to_right else length_mm - 0.6 * start_cap
    wire = _wire(own, crater_at, start_at) if "wire left" in signs else None
    if wire is not None:
        place = (wire.along_mm - 0.5 * wire.diameter_mm, wire.along_mm + 0.5 * wire.diameter_mm)
        defects.append(Defect("wire left", None, *place, wire.across_share, None, wire.diameter_mm))
    form = (float(own.uniform(1.3, 4.0)), float(own.uniform(0.5, 1.0)), float(own.uniform(0.1, 0.8)))
    ripples = {
        "seed": int(rng.integers(2**31)),
        "look": look,
        "crater_at_mm": crater_at,
        "crater_radius_mm": 0.8 * half_width,
        "restart_mm": restart,
        "half_width_mm": half_width,
        "crater_form": _crater_form(own, look),
    }
    return Bead(
        joint, length_mm, to_right, along, np.array(toes), sunk, groove, form, lap, height, np.clip(edge, 0.42, 1.2),
        np.full(len(along), float(np.clip(rng.normal(0.06 if tee else 0.0, 0.03), -0.1, 0.18)) - 0.3 * look.lean_ratio),
        gap, tuple(sorted(parts, key=lambda p: p.from_mm)), tuple(defects), ripples, melt, wire,
    )  # fmt: skip


def width_of_area(area: float, look: Look, angle_deg: float, tee: bool) -> float:
    """Toe-to-toe chord that holds an area: triangle plus bulge on a fillet, spread on a flat bead. [mm]"""
    if tee:
        half = radians(angle_deg) / 2.0
        # triangle of equal legs: chord^2 / (4 tan(half)); parabolic bulge: 2/3 chord x hump
        per_square = 1.0 / (4.0 * np.tan(half)) + look.hump_ratio / 3.0
        return float(sqrt(area / max(per_square, 0.12)))
    return look.spread_ratio * sqrt(0.62 * area)  # the rest of the metal is below the plate's face


def _spread(rng: np.random.Generator, n: int, length: float) -> list[float]:
    room = length - 36.0
    return [18.0 + room * (k + float(rng.uniform(0.3, 0.7))) / n for k in range(n)] if room > 12.0 else []


def _pores(rng: np.random.Generator, look: Look, length: float, half_width: float) -> list[Defect]:
    n = int(rng.poisson(look.n_pores_per_100mm * length / 100.0))
    clusters = rng.uniform(6.0, length - 6.0, max(1, n // 4 + 1))
    pores = []
    for _ in range(n):
        at = float(np.clip(rng.choice(clusters) + rng.normal(0.0, 5.0), 3.0, length - 3.0))
        size = float(np.clip(rng.lognormal(-0.1, 0.45), 0.4, min(2.6, 0.7 * half_width)))
        share = float(np.clip(rng.normal(0.5, 0.16), 0.2, 0.8))
        pores.append(Defect("pore", None, at - 0.5 * size, at + 0.5 * size, share, 0.6 * size, size))
    return pores


def _melt(own: np.random.Generator, length: float, half_width: float) -> Melt:
    """A hole burnt through the bead, or metal that sagged because the plate beneath it melted."""
    hole = own.random() < 0.6
    at = float(own.uniform(min(10.0, 0.2 * length), length - min(10.0, 0.2 * length)))
    radius = float(np.clip(own.lognormal(0.5, 0.4), 0.8, 0.75 * half_width))
    sag = float(own.uniform(0.3, 1.2) if hole else own.uniform(0.9, 2.2))
    return Melt(at, float(np.clip(own.normal(0.5, 0.08), 0.3, 0.7)), radius, sag, 6.0 if hole else 0.0, int(own.integers(2**31)))


def _wire(own: np.random.Generator, crater_at: float, start_at: float) -> Wire:
    """Wire that froze in the crater, or a start that only glowed off."""
    at = crater_at if own.random() < 0.75 else start_at
    return Wire(
        along_mm=at + float(own.normal(0.0, 0.8)),
        across_share=float(np.clip(own.normal(0.5, 0.08), 0.3, 0.7)),
        diameter_mm=float(own.choice([0.8, 0.9, 1.0, 1.2, 1.6])),
        length_mm=float(np.clip(own.lognormal(1.7, 0.5), 2.0, 18.0)),
        lean_deg=float(own.uniform(5.0, 75.0)),
        turn_deg=float(own.uniform(0.0, 360.0)),
        bend=float(own.normal(0.0, 0.2)),
        ball_ratio=float(own.uniform(1.2, 2.0) if own.random() < 0.4 else 1.0),
        copper=bool(own.random() < 0.6),
    )


def _crater_form(own: np.random.Generator, look: Look) -> dict[str, float]:
    """How a crater's dish looks: steepness of its rim, rings in it, breadth over length, and a pipe where it shrank last."""
    deep = look.crater_mm > 0.9
    return {
        "power": float(own.uniform(2.2, 5.0)),
        "ring_mm": float(own.uniform(0.02, 0.07)),
        "ring_step_mm": float(own.uniform(0.4, 0.9)),
        "stretch_ratio": float(np.exp(own.normal(0.0, 0.15))),
        "pipe_mm": float(own.uniform(0.4, 1.2)) if deep and own.random() < 0.35 else 0.0,
        "pipe_off_mm": float(own.normal(0.0, 0.5)),
    }


def _steady(parts: list[Part], length: float) -> list[Part]:
    """What is left between the other parts."""
    edges = sorted((max(0.0, p.from_mm), min(length, p.to_mm)) for p in parts)
    steady, at = [], 0.0
    for low, high in edges:
        if low - at > 0.5:
            steady.append(Part("steady", at, low))
        at = max(at, high)
    return steady


def chord_ends(bead: Bead, plate_angle_deg: float) -> Array:
    """Toe points in the coupon's cross-section plane (y, z), shape (2, n, 2). [mm]"""
    axes = plate_axes(bead.joint, plate_angle_deg)
    ends = []
    for side, name in enumerate(SIDES[bead.joint]):
        frame = axes[name] if bead.joint == "tee" else axes["plate"]
        ends.append(bead.across_mm[side][:, None] * frame[1:, 1] - bead.sunk_mm[side][:, None] * frame[1:, 2])
    return np.array(ends)


def surface(bead: Bead, plate_angle_deg: float, *, step_mm: float = 0.1) -> tuple[Array, Array, Array]:
    """The weld face as a grid of points.

    Parameters
    ----------
    bead : Bead
        The bead.
    plate_angle_deg : float
        Angle between the plates. [deg]
    step_mm : float
        Distance of points across. [mm]

    Returns
    -------
    points : ndarray, shape (n, m, 3)
        Coupon frame; row 0 of the second axis is the lower toe. [mm]
    share : ndarray, shape (m,)
        Position across, 0 to 1.
    relief : ndarray, shape (n, m)
        Height of ripples and roughness alone, for shading seams. [mm]
    """
    look: Look = bead.ripples["look"]
    rng = np.random.default_rng(bead.ripples["seed"])
    ends = chord_ends(bead, plate_angle_deg)
    chord = ends[1] - ends[0]
    length = np.maximum(np.hypot(chord[:, 0], chord[:, 1]), 1e-6)
    # normal to the chord, towards the viewer: the chord runs up the view (+y), so turn it by -90 degrees
    normal = np.stack([-chord[:, 1], chord[:, 0]], axis=1) / length[:, None]
    m = int(np.ceil(1.15 * float(length.max()) / step_mm)) + 1
    share = 0.5 - 0.5 * np.cos(np.linspace(0.0, np.pi, m))
    share = 0.6 * share + 0.4 * np.linspace(0.0, 1.0, m)
    t = share[None, :] ** (1.0 + bead.skew[:, None])
    arch = (4.0 * t * (1.0 - t)) ** bead.edge_power[:, None]
    if bead.hump_mm.min() < 0.0:
        arch = np.where(bead.hump_mm[:, None] < 0.0, 4.0 * t * (1.0 - t), arch)
    relief = _relief(rng, bead, look, length, share)
    height = bead.hump_mm[:, None] * arch + relief
    yz = ends[0][:, None, :] + share[None, :, None] * chord[:, None, :] + height[:, :, None] * normal[:, None, :]
    for side in (0, 1):
        _roll_over(bead, side, plate_angle_deg, yz, (share if side == 0 else 1.0 - share)[None, :] * length[:, None])
    x = np.broadcast_to(bead.along_mm[:, None], height.shape)
    return np.concatenate([x[:, :, None], yz], axis=2), share, relief


def _roll_over(bead: Bead, side: int, plate_angle_deg: float, yz: Array, from_toe_mm: Array) -> None:
    """Bend the face's edge into a nose that hangs over the plate, where the toe is rolled; the toe line stays its edge.

    From the edge the section first runs under the nose to where it touches the plate, then out round the nose and on to the face.
    """
    r = bead.lap_mm[side][:, None]
    if r.max() < 0.02:
        return
    name = SIDES[bead.joint][side]
    frame = plate_axes(bead.joint, plate_angle_deg)[name if bead.joint == "tee" else "plate"]
    outward = frame[1:, 1] * (-1.0 if name == "right" else 1.0)
    toe = bead.across_mm[side][:, None, None] * frame[1:, 1]
    safe = np.maximum(r, 1e-3)
    u = from_toe_mm / (2.6 * safe)
    under = np.clip(u / 0.15, 0.0, 1.0)
    turn = np.radians(-70.0 + 160.0 * np.clip((u - 0.15) / 0.5, 0.0, 1.0))
    round_in, round_up = r * (1.0 - np.cos(turn)), r * (0.94 + np.sin(turn))
    first = np.radians(-70.0)
    inset = np.where(u < 0.15, under * r * (1.0 - np.cos(first)), round_in + np.maximum(u - 0.65, 0.0) * 2.6 * safe)
    rough = noise.fractal(np.random.default_rng([bead.ripples["seed"], side]), u.shape, 12.0, octaves=4, gain=0.7)
    lift = np.where(u < 0.15, 0.0, round_up * (1.0 + 0.08 * rough) + 0.5 * safe * np.maximum(u - 0.5, 0.0) ** 1.5 * 2.6)
    nose = toe - inset[:, :, None] * outward + lift[:, :, None] * frame[1:, 2]
    join = np.clip((u - 0.65) / 0.6, 0.0, 1.0)
    join = join * join * (3.0 - 2.0 * join)
    amount = np.clip(r / 0.12, 0.0, 1.0) * (u < 1.25)
    yz += (amount * (1.0 - join))[:, :, None] * (nose - yz)


def arc_time(bead: Bead, chord_mm: Array, share: Array, rng: np.random.Generator) -> Array:
    """How far the arc had come when each point of the face froze, shape (n, m). [mm]

    Contours of this are the freeze lines: swept back in the middle by the pool's length, C or V shaped.
    """
    look: Look = bead.ripples["look"]
    off = 2.0 * share - 1.0 - 0.08 + look.lean_ratio
    edge = np.abs(off) / np.where(off < 0.0, 1.0 - look.lean_ratio, 1.0 + look.lean_ratio)
    sweep = look.ripple_sweep_ratio * chord_mm[:, None] * (1.0 - edge[None, :] ** look.ripple_power)
    run = bead.along_mm if bead.to_right else bead.length_mm - bead.along_mm
    warp = 0.22 * look.ripple_mm * (0.4 + look.ripple_jitter_ratio)
    n, m = len(run), len(share)
    mean_step = max(bead.length_mm / n, 1e-3)
    across_step = max(float(np.median(chord_mm)) / m, 1e-3)
    noisy = noise.fractal(rng, (n, m), 3.0 / mean_step, octaves=3, stretch=mean_step / across_step)
    return np.asarray(run[:, None] + sweep + warp * noisy, dtype=np.float64)


def _relief(rng: np.random.Generator, bead: Bead, look: Look, chord: Array, share: Array) -> Array:
    """Ripples, lumps, crater, restart and pores as height over the smooth face. [mm]"""
    tau = arc_time(bead, chord, share, rng)
    profile_at, profile = _ripple_profile(rng, look, bead.length_mm + 2.0 * float(chord.max()) + 5.0)
    ripple = np.interp(tau, profile_at, profile)
    n, m = tau.shape
    dx, dy = max(bead.length_mm / n, 1e-3), max(float(np.median(chord)) / m, 1e-3)
    strength = 0.55 + 0.45 * noise.field(rng, (n, m), (6.0 / dx, 3.0 / dy))
    fade = np.clip(np.minimum(share, 1.0 - share)[None, :] * chord[:, None] / 0.5, 0.0, 1.0)
    relief = look.ripple_height_mm * np.clip(strength, 0.1, 1.6) * ripple
    stretch = dx / dy
    relief += look.lump_mm * noise.fractal(rng, (n, m), 2.2 / dx, octaves=4, stretch=stretch)
    relief += 0.0045 * noise.fractal(rng, (n, m), 0.5 / dx, octaves=3, gain=0.8, stretch=stretch)
    # where each point lies, seen flat
    x = np.broadcast_to(bead.along_mm[:, None], (n, m))
    y = (share[None, :] - 0.5) * chord[:, None]
    at, radius = bead.ripples["crater_at_mm"], bead.ripples["crater_radius_mm"]
    form = bead.ripples["crater_form"]
    r = np.hypot((x - at) / form["stretch_ratio"], y) / max(radius, 0.5)
    dish = np.exp(-((1.25 * r) ** form["power"]))
    relief += -look.crater_mm * dish + 0.12 * look.crater_mm * np.exp(-((r - 1.0) ** 2) / 0.05)
    rings = np.abs(np.sin(np.pi * r * max(radius, 0.5) / form["ring_step_mm"]))
    relief += form["ring_mm"] * min(1.0, look.crater_mm) * dish * (rings - 0.6)
    if form["pipe_mm"] > 0.0:
        pipe = np.hypot(x - at - form["pipe_off_mm"], y) / (0.5 * form["pipe_mm"])
        relief -= 1.8 * form["pipe_mm"] * np.clip(1.0 - pipe**3, 0.0, None)
    if bead.melt is not None:
        relief -= _melted(bead.melt, x, y + (0.5 - bead.melt.across_share) * chord[:, None])
    if bead.ripples["restart_mm"] is not None:
        back = bead.ripples["restart_mm"] - (2.0 if bead.to_right else -2.0)
        r = np.hypot(x - back, y) / max(radius, 0.5)
        relief -= 0.7 * look.crater_mm * np.exp(-((1.3 * r) ** 2.2))
    for pore in (d for d in bead.defects if d.kind == "pore"):
        assert pore.diameter_mm and pore.across_share is not None
        centre = 0.5 * (pore.from_mm + pore.to_mm)
        rows = slice(*np.searchsorted(bead.along_mm, [centre - 2.0 * pore.diameter_mm, centre + 2.0 * pore.diameter_mm]))
        r = np.hypot(x[rows] - centre, (share[None, :] - pore.across_share) * chord[rows, None]) / (0.5 * pore.diameter_mm)
        relief[rows] += -1.2 * pore.diameter_mm * np.clip(1.0 - r**3, 0.0, None) ** 0.5 * (r < 1.0)
        relief[rows] += 0.06 * pore.diameter_mm * np.exp(-((r - 1.12) ** 2) / 0.02)
    return np.asarray(relief * fade, dtype=np.float64)


def _melted(melt: Melt, x: Array, y: Array) -> Array:
    """How far the face sank at a melt-through. [mm]"""
    rng = np.random.default_rng(melt.seed)
    angle = np.arctan2(y, x - melt.along_mm)
    uneven = 1.0 + sum(0.1 * rng.normal() * np.cos(k * angle + rng.uniform(0.0, 6.28)) for k in (2, 3, 4))
    r = np.hypot(x - melt.along_mm, y) / (melt.radius_mm * np.clip(uneven, 0.6, 1.5))
    sunk = melt.sag_mm * np.exp(-((r / 1.5) ** 3.0))
    return np.asarray(sunk + melt.hole_mm * np.clip(1.0 - r**6, 0.0, None) ** 0.5)


def _ripple_profile(rng: np.random.Generator, look: Look, reach: float) -> tuple[Array, Array]:
    """Height of the freeze lines against arc time, unit amplitude: rounded swells with sharp seams."""
    n = int(reach / look.ripple_mm) + 4
    steps = look.ripple_mm * np.exp(look.ripple_jitter_ratio * rng.standard_normal(n))
    edges = np.concatenate([[-2.0], -2.0 + np.cumsum(steps)])
    heights = 1.0 + 0.5 * look.ripple_jitter_ratio * rng.standard_normal(len(edges))
    at = np.arange(-2.0, reach, min(0.05, look.ripple_mm / 14.0))
    k = np.clip(np.searchsorted(edges, at, side="right") - 1, 0, n - 1)
    phase = np.clip((at - edges[k]) / steps[k], 0.0, 1.0)
    swell = np.sqrt(np.maximum(0.0, 1.0 - (2.0 * phase**0.8 - 1.0) ** 2)) - 0.6
    fine = 0.18 * noise.line(rng, at, 0.25 * look.ripple_mm) + 0.25 * noise.line(rng, at, 5.0 * look.ripple_mm)
    return at, swell * np.clip(heights[k], 0.2, 2.0) + fine
