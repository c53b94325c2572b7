"""Beads of rendered training pictures, and real close-ups, laid straight, with what is known to show where.

Each bead is laid straight along its true toes, set off a little at random as a traced line would be, in the same layout as
`toeline.surface.learned` makes it: rows from outside the first toe, over the face, to outside the second; a fourth channel holds the bead's
width, which laying straight takes away.
"""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from sample_images.scene import noise
from sample_images.scene.bead import SIDES
from sample_images.scene.coupon import Coupon
from sample_images.scene.geometry import TOE_PLATES
from sample_images.scene.training import training_coupon

SIGNS = (
    "pores", "undercut", "overlap", "crater unfilled", "cold start", "melt-through", "wire left", "arc strike",
    "ripple pointed", "dull face", "soot", "convex face", "flat face", "ripples off middle", "tack", "restart",
)  # fmt: skip
"""The first eight as the scene's mask numbers them; then looks of the whole bead or plate, and stretches of the bead."""
WHOLE = SIGNS[8:14]
STEP_MM = 0.15
N_BESIDE, N_FACE = 48, 64
"""Rows outside each toe, `BESIDE_MM` from it, and rows over the face; as in toeline.surface.learned."""
BESIDE_MM = STEP_MM * (1.025 ** np.arange(N_BESIDE) - 1.0) / 0.025
WIDTH_OF_WHITE_MM = 25.5
"""Width at which the fourth channel is full. [mm]"""
CUT_MM, LAP_MM = (0.08, 0.22), (0.08, 0.22)
"""A groove or a nose counts from the upper number on; between the two nobody can say. [mm]"""
CONVEX, FLAT = (0.12, 0.17), (0.02, 0.07)
"""Height of the face over its width: not yet and surely convex, surely and no longer flat."""
LEAST_PX_PER_MM = 5.0
"""Grooves and noses in coarser pictures are neither taught nor denied."""
LEAST_PORE_PX = 8
START_MM, CRATER_MM = 16.0, 25.0
"""How much of a bead may be its beginning and its end."""
STRETCH_MM, UNSURE_MM = 6.0, 8.0
"""How far a tack or restart reaches from its middle, and from where on there is surely none; both ends are left out as far. [mm]"""
BARE = ("ground", "bright ground", "satin", "ground band")
"""Finishes on which heat tint covers an arc strike."""
CLOSE_UP_MM, CLOSE_UP_BESIDE = 60.0, 5
"""Length of bead on a close-up [mm], and rows of plate that it shows beside each toe, about."""


@dataclass(frozen=True)
class Strip:
    """A bead laid straight: RGB and width, uint8 (rows, columns, 4); bits of `SIGNS` shown and known, uint16 (rows, columns).

    `start` and `crater` say which columns may belong to the bead's beginning and end.
    """

    seed: int
    px_per_mm: float
    rgbw: NDArray[np.uint8]
    shown: NDArray[np.uint16]
    known: NDArray[np.uint16]
    start: NDArray[np.bool_]
    crater: NDArray[np.bool_]


def straight_px(coupon: Coupon, along_mm: NDArray[np.float64], toes_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Photo positions of the straight picture's points, shape (rows, columns, 2); `toes_mm` is (2, columns) across on the plates."""
    beside = BESIDE_MM[:, None]
    share = ((np.arange(N_FACE) + 0.5) / N_FACE)[:, None]
    names = SIDES[coupon.joint]

    def project(plate: str, across: NDArray[np.float64]) -> NDArray[np.float64]:
        x = np.broadcast_to(along_mm[None], across.shape)
        points = np.stack([x, across, np.zeros_like(across)], axis=-1)
        pose = coupon.poses[plate]
        return coupon.camera.project(pose.to_camera(points.reshape(-1, 3))).reshape(*across.shape, 2)

    plates = [TOE_PLATES[n] for n in names]
    if coupon.joint == "tee":
        outside = [toes_mm[side][None] + beside for side in (0, 1)]
        run = share * (toes_mm[0] + toes_mm[1])[None]
        first = project(plates[0], np.maximum(toes_mm[0][None] - run, 0.0))
        second = project(plates[1], np.maximum(run - toes_mm[0][None], 0.0))
        face = np.where((run < toes_mm[0][None])[..., None], first, second)
    else:
        outside = [toes_mm[0][None] - beside, toes_mm[1][None] + beside]
        face = project(plates[0], toes_mm[0][None] + share * (toes_mm[1] - toes_mm[0])[None])
    return np.concatenate([project(plates[0], outside[0])[::-1], face, project(plates[1], outside[1])])


def lay_all(folder: Path, *, takes: int, workers: int) -> list[Strip]:
    """Every training picture's bead, laid straight so many times, each time set off in another way; those kept apart only once."""
    seeds = sorted(int(path.stem) for path in folder.glob("*.json"))
    jobs = [(folder, seed, take) for seed in seeds for take in range(1 if kept_apart(seed) else takes)]
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        return [strip for strip in pool.map(lay_straight, jobs, chunksize=8) if strip is not None]


def kept_apart(seed: int) -> bool:
    """Whether nothing learns from a training picture: every tenth."""
    return seed % 10 == 3


def parted(strips: Iterable[Strip]) -> tuple[list[Strip], list[Strip]]:
    """Beads to learn from, and beads kept apart."""
    learn, held = [], []
    for strip in strips:
        (held if kept_apart(strip.seed) else learn).append(strip)
    return learn, held


def lay_straight(job: tuple[Path, int, int]) -> Strip | None:
    """A training picture's bead, laid straight, with what shows where; None where too little is in the picture."""
    folder, seed, take = job
    coupon = training_coupon(seed)
    rgb = cv2.cvtColor(cv2.imread(str(folder / f"{seed}.jpg")), cv2.COLOR_BGR2RGB)
    classes = _numbers(folder / f"{seed}.png")
    signs = _numbers(folder / f"{seed}-signs.png")
    rng = np.random.default_rng([seed, 12, take])
    first, last = rng.uniform(-1.0, 2.5, 2)
    along = np.arange(first, coupon.bead.length_mm - last, STEP_MM)
    toes = np.stack([np.interp(along, coupon.bead.along_mm, coupon.bead.across_mm[side]) for side in (0, 1)])
    toes += np.stack([0.13 * rng.standard_normal() + 0.11 * noise.line(rng, along, 6.0) for _ in (0, 1)])
    at = straight_px(coupon, along, toes)
    middle = at[N_BESIDE + N_FACE // 2]
    inside = (middle[:, 0] > 4) & (middle[:, 0] < rgb.shape[1] - 5) & (middle[:, 1] > 4) & (middle[:, 1] < rgb.shape[0] - 5)
    if np.count_nonzero(inside) < 64:
        return None
    at, along = at[:, inside].astype(np.float32), along[inside]
    picture = cv2.remap(rgb, at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    there = cv2.remap(classes, at[..., 0], at[..., 1], cv2.INTER_NEAREST, borderValue=5)
    bits = cv2.remap(signs, at[..., 0], at[..., 1], cv2.INTER_NEAREST, borderValue=0).astype(np.uint16)
    hidden = there == 5
    if rng.random() < 0.5:  # a view may or may not end where the plates end
        hidden |= (there == 0) & (bits & 64 == 0)
    picture[hidden] = 0
    wide = toes.sum(axis=0) * np.sqrt(0.5) if coupon.joint == "tee" else toes[1] - toes[0]
    width = np.clip(255.0 / WIDTH_OF_WHITE_MM * wide[inside] * float(np.exp(0.04 * rng.standard_normal())), 0, 255)
    rgbw = np.dstack([picture, np.broadcast_to(width.astype(np.uint8), hidden.shape)])
    known = np.where(hidden, 0, 0xFF).astype(np.uint16)
    scale = coupon.camera.focal_px / coupon.distance_mm
    _toe_signs(coupon, along, bits, known, fine=scale >= LEAST_PX_PER_MM)
    known[_tiny(signs, at)] &= 0xFFFE
    _strikes(coupon, at, scale, known)
    _stretches(coupon, along, there, bits, known)
    known[:, np.ptp(at[N_BESIDE : N_BESIDE + N_FACE], axis=0).max(axis=-1) < 2] = 0
    _looks(coupon, along, there, hidden, bits, known)
    gone = along if coupon.bead.to_right else coupon.bead.length_mm - along
    return Strip(seed, scale, rgbw, bits & known, known, gone < START_MM, gone > coupon.bead.length_mm - CRATER_MM)


def lay_close_up(path: Path, take: int = 0) -> Strip | None:
    """A close-up of a real bead, cropped almost at its toes, with what is known of its pores; takes after the first as if of another size."""
    boxes = path.parent / "boxes" / f"{path.stem}.txt"
    bgr = cv2.imread(str(path))
    if bgr is None or not boxes.exists():
        return None
    rng = np.random.default_rng(take)
    long = CLOSE_UP_MM * (float(np.exp(rng.uniform(-0.35, 0.2))) if take else 1.0)
    beside = CLOSE_UP_BESIDE + (int(rng.integers(-2, 4)) if take else 0)
    columns = round(long / STEP_MM)
    rows = slice(N_BESIDE - beside, N_BESIDE + N_FACE + beside)
    n = rows.stop - rows.start
    picture = np.zeros((2 * N_BESIDE + N_FACE, columns, 4), np.uint8)
    picture[rows, :, :3] = cv2.cvtColor(cv2.resize(bgr, (columns, n), interpolation=cv2.INTER_AREA), cv2.COLOR_BGR2RGB)
    picture[..., 3] = int(255 / WIDTH_OF_WHITE_MM * long * bgr.shape[0] / bgr.shape[1] * N_FACE / n)
    pores = np.zeros((n, columns), np.uint8)
    for line in boxes.read_text().splitlines():
        kind, x, y, w, h = (float(value) for value in line.split())
        if kind == 0:
            middle, half = (int(x * columns), int(y * n)), (max(1, int(0.4 * w * columns)), max(1, int(0.4 * h * n)))
            cv2.ellipse(pores, middle, half, 0, 0, 360, 1, -1)
    shown, known = (np.zeros(picture.shape[:2], np.uint16) for _ in range(2))
    shown[rows], known[rows] = pores, 1
    everywhere = np.ones(columns, bool)
    return Strip(-1, 1 / STEP_MM, picture, shown, known, everywhere, everywhere)


def _toe_signs(
    coupon: Coupon, along: NDArray[np.float64], bits: NDArray[np.uint16], known: NDArray[np.uint16], *, fine: bool
) -> None:
    """Undercut and overlap along each toe, from the geometry: in rows over the groove, and over the nose."""
    bead = coupon.bead
    bits &= np.uint16(0xFFFF ^ 0b110)
    rows = np.arange(len(bits))
    for side in (0, 1):
        outside = N_BESIDE - 1 - rows if side == 0 else rows - N_BESIDE - N_FACE
        across = np.where(outside >= 0, BESIDE_MM[np.clip(outside, 0, N_BESIDE - 1)], 0.1 * outside)[:, None]
        groove = np.interp(along, bead.along_mm, bead.groove_mm[side])[None]
        for bit, size, limits, band in (
            (2, bead.sunk_mm[side], CUT_MM, (across > -0.25) & (across < np.maximum(groove, 0.7))),
            (4, bead.lap_mm[side], LAP_MM, (across > -0.6) & (across < 0.6)),
        ):
            much = np.interp(along, bead.along_mm, size)[None]
            bits[band & (much >= limits[1])] |= np.uint16(bit)
            unsure = (much > limits[0]) & (much < limits[1]) | (much >= limits[1]) & (not fine)
            known[band & unsure] &= np.uint16(0xFFFF ^ bit)


def _strikes(coupon: Coupon, at: NDArray[np.float32], scale: float, known: NDArray[np.uint16]) -> None:
    """Where heat tint covers an arc strike nobody can tell whether there is one."""
    bit = np.uint16(1 << SIGNS.index("arc strike"))
    finishes = {body.name: body.finish for body in coupon.bodies}
    half = float(np.median(np.abs(coupon.bead.across_mm)))
    for spot in (d for d in coupon.distractors if d.kind == "arc strike" and finishes[d.plate] in BARE):
        if abs(spot.across_mm) < 0.9 * half + coupon.look.tint_mm:
            point = np.array([[spot.along_mm, spot.across_mm, 0.0]])
            px = coupon.camera.project(coupon.poses[spot.plate].to_camera(point))[0]
            known[np.hypot(*(at - px.astype(np.float32)).transpose(2, 0, 1)) < (0.5 * spot.size_mm + 1.0) * scale] &= ~bit


def _stretches(
    coupon: Coupon, along: NDArray[np.float64], there: NDArray[np.uint8], bits: NDArray[np.uint16], known: NDArray[np.uint16]
) -> None:
    """Tacks and restarts: stretches of the face, as long as the truth's parts."""
    rows = np.arange(len(there))[:, None]
    face = (rows >= N_BESIDE) & (rows < N_BESIDE + N_FACE) & np.isin(there, (2, 4))
    inner = (along > UNSURE_MM) & (along < coupon.bead.length_mm - UNSURE_MM)
    for kind in ("tack", "restart"):
        bit = np.uint16(1 << SIGNS.index(kind))
        middles = [0.5 * (part.from_mm + part.to_mm) for part in coupon.bead.parts if part.kind == kind]
        off = np.abs(along[None] - np.array(middles)[:, None]).min(axis=0) if middles else np.full(len(along), np.inf)
        bits[face & (off <= STRETCH_MM) & inner] |= bit
        known[face & ((off <= STRETCH_MM) | (off > UNSURE_MM)) & inner] |= bit


def _tiny(signs: NDArray[np.uint8], at: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Where pores are too few pixels to be told."""
    n, labels, boxes, _ = cv2.connectedComponentsWithStats(signs & 1)
    few = np.zeros(n, np.uint8)
    few[1:] = boxes[1:, cv2.CC_STAT_AREA] < LEAST_PORE_PX
    return np.asarray(cv2.remap(few[labels], at[..., 0], at[..., 1], cv2.INTER_NEAREST) > 0)


def _looks(
    coupon: Coupon,
    along: NDArray[np.float64],
    there: NDArray[np.uint8],
    hidden: NDArray[np.bool_],
    bits: NDArray[np.uint16],
    known: NDArray[np.uint16],
) -> None:
    """Looks of bead or plate: pointed ripples, dull face, soot, ripples off the middle; and, by columns, a face that stands up or lies flat."""
    rows = np.arange(len(there))[:, None]
    face = (rows >= N_BESIDE) & (rows < N_BESIDE + N_FACE) & np.isin(there, (2, 4))
    plate = ~hidden & (there == 1)
    look, scale = coupon.look, coupon.camera.focal_px / coupon.distance_mm
    drawn = look.ripple_sweep_ratio * (1.0 + 1.2 * (1.9 - look.ripple_power))
    told = (
        ("ripple pointed", face, drawn, 0.75, 1.2, look.ripple_mm * scale > 3.5 and look.slag_share < 0.1),
        ("dull face", face, look.dull_ratio, 0.35, 0.55, look.slag_share < 0.1),
        ("soot", plate, look.soot_ratio, 0.3, 0.55, True),
        ("ripples off middle", face, abs(look.lean_ratio), 0.1, 0.2, look.ripple_mm * scale > 3.5 and look.slag_share < 0.1),
    )
    for sign, where, value, below, above, can_tell in told:
        bit = np.uint16(1 << SIGNS.index(sign))
        if can_tell and not below < value < above:
            known[where] |= bit
            if value >= above:
                bits[where] |= bit
    bead = coupon.bead
    chord = np.hypot(*np.abs(bead.across_mm)) if coupon.joint == "tee" else np.ptp(bead.across_mm, axis=0)
    rise = np.interp(along, bead.along_mm, bead.hump_mm / np.maximum(chord, 0.5))[None]
    inner = np.interp(along, bead.along_mm, chord)[None] > 0.6 * float(np.median(chord))
    for sign, yes, no in (
        ("convex face", rise > CONVEX[1], rise < CONVEX[0]),
        ("flat face", rise < FLAT[0], rise > FLAT[1]),
    ):
        bit = np.uint16(1 << SIGNS.index(sign))
        known[face & inner & (yes | no)] |= bit
        bits[face & inner & yes] |= bit


def _numbers(path: Path) -> NDArray[np.uint8]:
    from PIL import Image

    return np.asarray(Image.open(path))


def keep_held(strips: list[Strip], folder: Path, n: int = 110) -> None:
    """Write strips that nothing learnt from, to set on them what is told from where."""
    folder.mkdir(parents=True, exist_ok=True)
    for s in strips[:n]:
        np.savez_compressed(
            folder / f"{s.seed}.npz",
            rgbw=s.rgbw,
            shown=s.shown,
            known=s.known,
            px_per_mm=s.px_per_mm,
            start=s.start,
            crater=s.crater,
        )


def read_held(folder: Path) -> list[Strip]:
    """What `keep_held` wrote."""
    strips = []
    for path in sorted(folder.glob("*.npz")):
        with np.load(path) as kept:
            strips.append(Strip(int(path.stem), **{key: kept[key] for key in kept.files}))
    return strips
