"""Train the network that reads surface signs from beads laid straight.

    python -m training.signs --rendered FOLDER --out FOLDER [--minutes 3] [--close-ups FOLDER]

The folder holds training pictures of `sample_images.scene` with their masks. Each bead is laid straight along its true toes, set off a
little at random as a traced line would be, in the same layout as `toeline.surface.learned` makes it: rows from outside the first toe,
over the face, to outside the second; a fourth channel holds the bead's width, which laying straight takes away. Most figures are figures
on rendered beads. Close-ups of real beads with boxes about their pores (one line a box: class, middle, size; class 0 a pore) may teach
pores besides; two of three are learnt from.
"""

from __future__ import annotations

import argparse
import json
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from sample_images.scene import noise
from sample_images.scene.bead import SIDES
from sample_images.scene.coupon import Coupon
from sample_images.scene.geometry import TOE_PLATES
from sample_images.scene.training import training_coupon
from torch import nn
from torch.nn import functional as F

from training.bank import spoil
from training.network import Eye

SIGNS = (
    "pores", "undercut", "overlap", "crater unfilled", "cold start", "melt-through", "wire left", "arc strike",
    "ripple pointed", "dull face", "soot", "convex face", "flat face", "ripples off middle",
)  # fmt: skip
"""The first eight lie at places, as the scene's mask numbers them; the others are looks of the whole bead or plate."""
N_LOCAL = 8
DRAWN = (0.1, 0.22, 0.22, 0.1, 0.08, 0.08, 0.1, 0.1)
"""How often a crop is drawn for each local sign's sake."""
STEP_MM = 0.15
N_BESIDE, N_FACE = 48, 64
"""Rows outside each toe, `BESIDE_MM` from it, and rows over the face; as in toeline.surface.learned."""
BESIDE_MM = STEP_MM * (1.025 ** np.arange(N_BESIDE) - 1.0) / 0.025
WIDTH_OF_WHITE_MM = 25.5
"""Width at which the fourth channel is full. [mm]"""
WIDTHS = (16, 28, 48, 80, 96)
COLUMNS = 256
CUT_MM, LAP_MM = (0.08, 0.22), (0.08, 0.22)
"""A groove or a nose counts from the upper number on; between the two nobody can say. [mm]"""
CONVEX, FLAT = (0.12, 0.17), (0.02, 0.07)
"""Height of the face over its width: not yet and surely convex, surely and no longer flat."""
LEAST_PX_PER_MM = 5.0
"""Grooves and noses in coarser pictures are neither taught nor denied."""
LEAST_PORE_PX = 8
START_MM, CRATER_MM = 16.0, 25.0
"""How much of a bead may be its beginning and its end."""
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


def lay_straight(job: tuple[Path, int]) -> Strip | None:
    """A training picture's bead, laid straight, with what shows where; None where too little is in the picture."""
    folder, seed = job
    coupon = training_coupon(seed)
    rgb = cv2.cvtColor(cv2.imread(str(folder / f"{seed}.jpg")), cv2.COLOR_BGR2RGB)
    classes = _numbers(folder / f"{seed}.png")
    signs = _numbers(folder / f"{seed}-signs.png")
    rng = np.random.default_rng([seed, 12])
    first, last = rng.uniform(-1.0, 2.5, 2)
    along = np.arange(first, coupon.bead.length_mm - last, STEP_MM)
    toes = np.stack([np.interp(along, coupon.bead.along_mm, coupon.bead.across_mm[side]) for side in (0, 1)])
    slip = [0.13 * rng.standard_normal() + 0.11 * noise.line(rng, along, 6.0) for _ in (0, 1)]
    at = straight_px(coupon, along, toes + np.stack(slip))
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
    known[:, np.ptp(at[N_BESIDE : N_BESIDE + N_FACE], axis=0).max(axis=-1) < 2] = 0
    _looks(coupon, along, there, hidden, bits, known)
    gone = along if coupon.bead.to_right else coupon.bead.length_mm - along
    return Strip(seed, scale, rgbw, bits & known, known, gone < START_MM, gone > coupon.bead.length_mm - CRATER_MM)


def lay_close_up(path: Path) -> Strip | None:
    """A close-up of a real bead, cropped almost at its toes, with what is known of its pores."""
    boxes = path.parent / "boxes" / f"{path.stem}.txt"
    bgr = cv2.imread(str(path))
    if bgr is None or not boxes.exists():
        return None
    columns = round(CLOSE_UP_MM / STEP_MM)
    rows = slice(N_BESIDE - CLOSE_UP_BESIDE, N_BESIDE + N_FACE + CLOSE_UP_BESIDE)
    n = rows.stop - rows.start
    picture = np.zeros((2 * N_BESIDE + N_FACE, columns, 4), np.uint8)
    picture[rows, :, :3] = cv2.cvtColor(cv2.resize(bgr, (columns, n), interpolation=cv2.INTER_AREA), cv2.COLOR_BGR2RGB)
    picture[..., 3] = int(255 / WIDTH_OF_WHITE_MM * CLOSE_UP_MM * bgr.shape[0] / bgr.shape[1] * N_FACE / n)
    pores = np.zeros((n, columns), np.uint8)
    for line in boxes.read_text().splitlines():
        kind, x, y, w, h = (float(value) for value in line.split())
        if kind == 0:
            middle, half = (int(x * columns), int(y * n)), (max(1, int(0.4 * w * columns)), max(1, int(0.4 * h * n)))
            cv2.ellipse(pores, middle, half, 0, 0, 360, 1, -1)
    shown, known = (np.zeros(picture.shape[:2], np.uint16) for _ in range(2))
    shown[rows], known[rows] = pores, 1
    everywhere = np.ones(columns, bool)
    return Strip(-1, columns / CLOSE_UP_MM, picture, shown, known, everywhere, everywhere)


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
        (256, face, drawn, 0.75, 1.2, look.ripple_mm * scale > 3.5 and look.slag_share < 0.1),
        (512, face, look.dull_ratio, 0.35, 0.55, look.slag_share < 0.1),
        (1024, plate, look.soot_ratio, 0.3, 0.55, True),
        (8192, face, abs(look.lean_ratio), 0.1, 0.2, look.ripple_mm * scale > 3.5 and look.slag_share < 0.1),
    )
    for bit, where, value, below, above, can_tell in told:
        if can_tell and not below < value < above:
            known[where] |= np.uint16(bit)
            if value >= above:
                bits[where] |= np.uint16(bit)
    bead = coupon.bead
    chord = np.hypot(*np.abs(bead.across_mm)) if coupon.joint == "tee" else np.ptp(bead.across_mm, axis=0)
    rise = np.interp(along, bead.along_mm, bead.hump_mm / np.maximum(chord, 0.5))[None]
    inner = np.interp(along, bead.along_mm, chord)[None] > 0.6 * float(np.median(chord))
    for bit, yes, no in ((2048, rise > CONVEX[1], rise < CONVEX[0]), (4096, rise < FLAT[0], rise > FLAT[1])):
        known[face & inner & (yes | no)] |= np.uint16(bit)
        bits[face & inner & yes] |= np.uint16(bit)


def _numbers(path: Path) -> NDArray[np.uint8]:
    from PIL import Image

    return np.asarray(Image.open(path))


def _regions() -> NDArray[np.bool_]:
    """Rows where each sign is looked for, shape (signs, rows): lines near the toes, holes on the face, arc strikes on the plate."""
    rows = np.arange(2 * N_BESIDE + N_FACE)
    outside = np.where(rows < N_BESIDE + N_FACE // 2, N_BESIDE - 1 - rows, rows - N_BESIDE - N_FACE)  # negative on the face
    where = {
        "undercut": (outside >= -4) & (outside < 11),
        "overlap": (outside >= -7) & (outside < 7),
        "wire left": outside < 26,
        "arc strike": outside >= 4,
        "soot": outside >= 0,
    }
    return np.stack([where.get(sign, outside < 0) for sign in SIGNS])


class Lessons:
    """Crops to learn from, kept where they are learnt, and so drawn that every sign comes up."""

    def __init__(self, strips: list[Strip], device: str) -> None:
        region = _regions()
        counts = np.array([[np.count_nonzero(s.shown & (1 << k)) for k in range(len(SIGNS))] for s in strips])
        self.having = [np.flatnonzero(counts[:, k] >= 20) for k in range(len(SIGNS))]
        self.columns = [[np.flatnonzero((s.shown & (1 << k)).any(axis=0)) for k in range(N_LOCAL)] for s in strips]
        known = sum(np.array([np.count_nonzero(s.known[region[k]] & (1 << k)) for k in range(len(SIGNS))]) for s in strips)
        self.weight = np.clip(np.sqrt((known - counts.sum(axis=0)) / np.maximum(counts.sum(axis=0), 1)), 1.0, 5.0)
        self.region = torch.from_numpy(region).to(device)
        self.layers = []
        for s in strips:
            layers = np.concatenate(
                [s.rgbw.transpose(2, 0, 1).astype(np.int16), s.shown[None].view(np.int16), s.known[None].view(np.int16)]
            )
            short = max(0, COLUMNS - layers.shape[2])
            self.layers.append(torch.from_numpy(np.pad(layers, ((0, 0), (0, 0), (0, short)))).to(device))

    def crop(self, rng: np.random.Generator) -> torch.Tensor:
        """RGB, width, shown and known, shape (6, rows, COLUMNS), flipped at random."""
        k = int(rng.choice(N_LOCAL, p=DRAWN))
        wanted = bool(rng.random() < 0.6 and len(self.having[k]))
        i = int(rng.choice(self.having[k])) if wanted else int(rng.integers(len(self.layers)))
        layers = self.layers[i]
        spare = layers.shape[2] - COLUMNS
        first = int(rng.choice(self.columns[i][k]) - rng.integers(COLUMNS)) if wanted else int(rng.integers(spare + 1))
        cut = layers[:, :, min(max(first, 0), spare) :][:, :, :COLUMNS]
        if rng.random() < 0.12:  # cropped close to the toes
            cut = cut.clone()
            for rows in (slice(0, N_BESIDE - int(rng.integers(8))), slice(N_BESIDE + N_FACE + int(rng.integers(8)), None)):
                cut[:3, rows], cut[4:, rows] = 0, 0
        turned = [axis for axis in (1, 2) if rng.random() < 0.5]
        return torch.flip(cut, turned) if turned else cut

    def batch(self, rng: np.random.Generator, n: int) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        """n crops, two of three of them spoilt: input, what shows, what is known; the last two (n, signs, rows, columns)."""
        layers = torch.stack([self.crop(rng) for _ in range(n)]).int()
        x = layers[:, :4].float() / 255
        blank = (x[:, :3].sum(1, keepdim=True) == 0).float()
        m = 2 * n // 3
        rgb = torch.cat([spoil(x[:m, :3], rng), x[m:, :3]])
        return (
            torch.cat([rgb * (1 - blank), x[:, 3:]], 1),
            _bits(layers[:, 4]),
            _bits(layers[:, 5]) * self.region[None, :, :, None],
        )


def _bits(layer: torch.Tensor) -> torch.Tensor:
    return torch.stack([(layer >> k) & 1 for k in range(len(SIGNS))], 1).float()


def _loss(scores: torch.Tensor, there: torch.Tensor, told: torch.Tensor, weight: torch.Tensor) -> torch.Tensor:
    """Cross entropy where a sign is looked for and known, and overlap over the batch; looks of the whole bead count less."""
    share = torch.tensor([1.0] * N_LOCAL + [0.25] * (len(SIGNS) - N_LOCAL), device=scores.device)
    each = F.binary_cross_entropy_with_logits(scores, there, pos_weight=weight.reshape(1, -1, 1, 1), reduction="none") * told
    points = each.sum((0, 2, 3)) / told.sum((0, 2, 3)).clamp(min=1)
    guess = torch.sigmoid(scores) * told
    both = (guess * there * told).sum((0, 2, 3))
    apart = 1 - (2 * both + 50) / (guess.sum((0, 2, 3)) + (there * told).sum((0, 2, 3)) + 50)
    return (share * (2.0 * points + 0.3 * apart)).sum()


def train(strips: list[Strip], *, minutes: float, seed: int, device: str, n: int = 32) -> tuple[Eye, int]:
    """Learn for a time; weights averaged exponentially."""
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    lessons = Lessons(strips, device)
    print({sign: len(h) for sign, h in zip(SIGNS, lessons.having, strict=True)}, flush=True)
    weight = torch.tensor(lessons.weight, dtype=torch.float32, device=device)
    net = Eye(WIDTHS, len(SIGNS))
    net.stem[0] = nn.Conv2d(4, WIDTHS[0], 4, stride=2, padding=1, bias=False)
    with torch.no_grad():
        assert net.head.bias is not None
        net.head.bias.fill_(-3.0)
    net = net.to(device)
    average = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998), use_buffers=True
    )
    optimiser = torch.optim.AdamW(net.parameters(), lr=1e-3, weight_decay=0.03)
    start, done, step = time.monotonic(), 0.0, 0
    while done < 1:
        rate = 2.5e-3 * min(1.0, done / 0.06 + 0.02) * 0.5 * (1 + np.cos(np.pi * done))
        for group in optimiser.param_groups:
            group["lr"] = rate
        x, there, told = lessons.batch(rng, n)
        with torch.autocast("cuda", torch.bfloat16, enabled=device == "cuda"):
            scores = net(x)
        loss = _loss(scores.float(), there, told, weight)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimiser.step()
        average.update_parameters(net)
        if step % 100 == 0:
            print(f"{done:.2f} step {step} loss {loss.item():.4f}", flush=True)
        step += 1
        done = (time.monotonic() - start) / (60 * minutes)
    return average.module, step


def _average_precision(score: torch.Tensor, true: torch.Tensor) -> float:
    hit = true[score.argsort(descending=True)].double()
    precision = hit.cumsum(0) / torch.arange(1, len(hit) + 1)
    return float((precision * hit).sum() / hit.sum().clamp(min=1))


@torch.no_grad()
def figures(net: Eye, strips: list[Strip], device: str) -> dict[str, dict[str, float]]:
    """On strips not learnt from: average precision over points where each sign is known, and over beads by their strongest place."""
    net.eval()
    score: list[list[torch.Tensor]] = [[] for _ in SIGNS]
    truth: list[list[torch.Tensor]] = [[] for _ in SIGNS]
    strongest: list[list[tuple[float, bool]]] = [[] for _ in SIGNS]
    region = torch.from_numpy(_regions())[:, :, None]
    for s in strips:
        x = torch.from_numpy(np.ascontiguousarray(s.rgbw)).to(device).permute(2, 0, 1)[None].float() / 255
        x = F.pad(x, (0, -x.shape[3] % 32))
        p = torch.sigmoid(net(x))[0, :, :, : s.rgbw.shape[1]].cpu()
        for k in range(len(SIGNS)):
            know = torch.from_numpy((s.known >> k) & 1 > 0) & region[k]
            shown = torch.from_numpy(((s.shown >> k) & 1).astype(np.int32)) * know
            score[k].append(p[k][know][::7])
            truth[k].append(shown[know][::7])
            if know.any():
                smooth = F.avg_pool2d((p[k] * know)[None, None], (3, 9), 1, (1, 4))
                strongest[k].append((float(smooth.max()), int(shown.sum()) >= 20))
    out = {}
    for k, name in enumerate(SIGNS):
        p, t = torch.cat(score[k]), torch.cat(truth[k])
        if not len(p):
            continue
        best = torch.tensor([v for v, _ in strongest[k]])
        whole = torch.tensor([int(v) for _, v in strongest[k]])
        out[name] = {
            "average_precision": _average_precision(p, t),
            "share": float(t.double().mean()),
            "mean_probability": float(p.mean()),
            "average_precision_of_beads": _average_precision(best, whole),
            "beads_with": int(whole.sum()),
        }
    return out


def write_onnx(net: Eye, path: Path) -> None:
    """Write the network with probabilities as its output; the number of columns is free."""
    torch.onnx.export(
        torch.nn.Sequential(net.float().eval().cpu(), torch.nn.Sigmoid()),
        (torch.rand(1, 4, 2 * N_BESIDE + N_FACE, COLUMNS),),
        str(path),
        input_names=["rgbw"],
        output_names=["probability"],
        dynamic_axes={"rgbw": {3: "w"}, "probability": {3: "w"}},
        opset_version=17,
        dynamo=False,
    )


def keep_held(strips: list[Strip], folder: Path, n: int = 150) -> None:
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


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--rendered", type=Path, required=True)
    ask.add_argument("--out", type=Path, required=True)
    ask.add_argument("--minutes", type=float, default=3)
    ask.add_argument("--seed", type=int, default=7)
    ask.add_argument("--workers", type=int, default=12)
    ask.add_argument("--close-ups", type=Path, help="real close-ups, with a folder boxes/ in it")
    told = ask.parse_args()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    seeds = sorted(int(path.stem) for path in told.rendered.glob("*.json"))
    with ProcessPoolExecutor(told.workers, mp_context=get_context("spawn")) as pool:
        strips = [s for s in pool.map(lay_straight, [(told.rendered, seed) for seed in seeds], chunksize=8) if s is not None]
    held, learn = strips[::10], [s for i, s in enumerate(strips) if i % 10]
    print(f"{len(learn)} beads to learn from, {len(held)} held", flush=True)
    close_ups = [lay_close_up(path) for path in sorted(told.close_ups.glob("*.jpg"))] if told.close_ups else []
    real = [s for s in close_ups if s is not None]
    real_held, learn = real[::3], learn + 2 * [s for i, s in enumerate(real) if i % 3]
    net, steps = train(learn, minutes=told.minutes, seed=told.seed, device=device)
    found = figures(net.to(device), held, device)
    on_real = figures(net, real_held, device)["pores"] if real_held else None
    told.out.mkdir(parents=True, exist_ok=True)
    write_onnx(net, told.out / "signs.onnx")
    keep_held(held, told.out / "held")
    record = {
        "signs": SIGNS,
        "widths": WIDTHS,
        "n_learnt": len(learn),
        "n_held": len(held),
        "seed": told.seed,
        "minutes": told.minutes,
        "steps": steps,
        "torch": torch.__version__,
        "device": torch.cuda.get_device_name() if device == "cuda" else "cpu",
        "held": found,
        "close_ups": {"n_learnt": len(real) - len(real_held), "n_held": len(real_held), "pores": on_real},
    }
    (told.out / "signs.json").write_text(json.dumps(record, indent=1))
    print(json.dumps(record), flush=True)


if __name__ == "__main__":
    main()
