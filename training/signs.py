"""Train the network that reads surface signs from beads laid straight.

    python -m training.signs --rendered FOLDER --out FOLDER [--minutes 3]

The folder holds training pictures of `sample_images.scene` with their masks. Each bead is laid straight along its true toes, set off a
little at random as a traced line would be, in the same layout as `toeline.surface.learned` makes it: rows from outside the first toe,
over the face, to outside the second. Only rendered beads say what there is to see, so the figures are figures on rendered beads.
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
from torch.nn import functional as F

from training.bank import spoil
from training.network import Eye

SIGNS = ("pores", "undercut", "overlap", "crater unfilled", "ripple pointed", "dull face", "soot")
STEP_MM = 0.15
N_BESIDE, N_FACE = 32, 64
"""Rows outside each toe, every `STEP_MM`, and rows over the face; as in toeline.surface.learned."""
WIDTHS = (12, 20, 36, 56, 72)
COLUMNS = 256


@dataclass(frozen=True)
class Strip:
    """A bead laid straight: RGB, bits of `SIGNS` that show, bits of what is known there; each (rows, columns, …) uint8."""

    seed: int
    rgb: NDArray[np.uint8]
    shown: NDArray[np.uint8]
    known: NDArray[np.uint8]


def straight_px(coupon: Coupon, along_mm: NDArray[np.float64], toes_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Photo positions of the straight picture's points, shape (rows, columns, 2); `toes_mm` is (2, columns) across on the plates."""
    beside = (np.arange(N_BESIDE) * STEP_MM)[:, None]
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
    classes = cv2.imread(str(folder / f"{seed}.png"), cv2.IMREAD_UNCHANGED)
    classes = classes if classes.ndim == 2 else _numbers(folder / f"{seed}.png")
    signs = cv2.imread(str(folder / f"{seed}-signs.png"), cv2.IMREAD_UNCHANGED)
    rng = np.random.default_rng([seed, 12])
    along = np.arange(2.0, coupon.bead.length_mm - 2.0, STEP_MM)
    toes = np.stack([np.interp(along, coupon.bead.along_mm, coupon.bead.across_mm[side]) for side in (0, 1)])
    slip = [0.12 * rng.standard_normal() + 0.10 * noise.line(rng, along, 6.0) for _ in (0, 1)]
    at = straight_px(coupon, along, toes + np.stack(slip))
    middle = at[N_BESIDE + N_FACE // 2]
    inside = (middle[:, 0] > 4) & (middle[:, 0] < rgb.shape[1] - 5) & (middle[:, 1] > 4) & (middle[:, 1] < rgb.shape[0] - 5)
    if np.count_nonzero(inside) < 64:
        return None
    at = at[:, inside].astype(np.float32)
    picture = cv2.remap(rgb, at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    there = cv2.remap(classes, at[..., 0], at[..., 1], cv2.INTER_NEAREST, borderValue=0)
    bits = cv2.remap(signs, at[..., 0], at[..., 1], cv2.INTER_NEAREST, borderValue=0)
    hidden = (there == 0) | (there == 5)
    picture[hidden] = 0
    known = np.where(hidden, 0, 0b0001111).astype(np.uint8)
    rows = np.arange(len(at))[:, None]
    face = (rows >= N_BESIDE) & (rows < N_BESIDE + N_FACE) & np.isin(there, (2, 4))
    plate = ~hidden & (there == 1)
    look, scale = coupon.look, coupon.camera.focal_px / coupon.distance_mm
    drawn = look.ripple_sweep_ratio * (1.0 + 1.2 * (1.9 - look.ripple_power))
    told = (
        (16, face, drawn, 0.75, 1.2, look.ripple_mm * scale > 3.5 and look.slag_share < 0.1),
        (32, face, look.dull_ratio, 0.35, 0.55, look.slag_share < 0.1),
        (64, plate, look.soot_ratio, 0.3, 0.55, True),
    )
    for bit, where, value, below, above, can_tell in told:
        if can_tell and not below < value < above:
            known[where] |= bit
            if value >= above:
                bits[where] |= bit
    return Strip(seed, picture, bits, known)


def _numbers(path: Path) -> NDArray[np.uint8]:
    from PIL import Image

    return np.asarray(Image.open(path))


def batch(strips: list[Strip], rng: np.random.Generator, n: int, device: str) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """n crops, flipped and spoilt: rgb, shown, known."""
    rgb, shown, known = [], [], []
    rows = 2 * N_BESIDE + N_FACE
    for _ in range(n):
        s = strips[int(rng.integers(len(strips)))]
        width = s.rgb.shape[1]
        rare = np.flatnonzero((s.shown & 0b1001).any(axis=0))
        wanted = int(rng.choice(rare)) if len(rare) and rng.random() < 0.5 else int(rng.integers(width))
        first = int(np.clip(wanted - rng.integers(COLUMNS), 0, max(0, width - COLUMNS)))
        cut = slice(first, first + COLUMNS)
        parts = [s.rgb[:, cut], s.shown[:, cut], s.known[:, cut]]
        short = COLUMNS - parts[0].shape[1]
        parts = [np.pad(p, ((0, 0), (0, short), (0, 0))[: p.ndim]) for p in parts]
        for axis in (0, 1):
            if rng.random() < 0.5:
                parts = [np.flip(p, axis) for p in parts]
        rgb.append(parts[0])
        shown.append(parts[1])
        known.append(parts[2])
    x = torch.from_numpy(np.stack(rgb)).to(device).permute(0, 3, 1, 2).float() / 255
    blank = (x.sum(1, keepdim=True) == 0).float()
    x = spoil(x, rng) * (1 - blank)
    assert x.shape[2] == rows
    return x, torch.from_numpy(np.stack(shown)).to(device).long(), torch.from_numpy(np.stack(known)).to(device).long()


def _bits(layer: torch.Tensor) -> torch.Tensor:
    return torch.stack([(layer >> k) & 1 for k in range(len(SIGNS))], 1).float()


def train(strips: list[Strip], *, minutes: float, seed: int, device: str, n: int = 24) -> tuple[Eye, int]:
    """Cross entropy for each sign where it is known, and overlap over the batch; weights averaged exponentially."""
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    net = Eye(WIDTHS, len(SIGNS))
    with torch.no_grad():
        assert net.head.bias is not None
        net.head.bias.fill_(-3.0)
    net = net.to(device)
    average = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.997), use_buffers=True
    )
    optimiser = torch.optim.AdamW(net.parameters(), lr=1e-3, weight_decay=0.03)
    start, done, step = time.monotonic(), 0.0, 0
    while done < 1:
        rate = 2.5e-3 * min(1.0, done / 0.06 + 0.02) * 0.5 * (1 + np.cos(np.pi * done))
        for group in optimiser.param_groups:
            group["lr"] = rate
        x, shown, known = batch(strips, rng, n, device)
        scores = net(x)
        there, told = _bits(shown), _bits(known)
        each = F.binary_cross_entropy_with_logits(scores, there, reduction="none") * told
        guess = torch.sigmoid(scores) * told
        both = (guess * there * told).sum((0, 2, 3))
        apart = 1 - (2 * both + 100) / (guess.sum((0, 2, 3)) + (there * told).sum((0, 2, 3)) + 100)
        loss = (each.sum((0, 2, 3)) / told.sum((0, 2, 3)).clamp(min=1)).sum() + 0.05 * apart.sum()
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


@torch.no_grad()
def figures(net: Eye, strips: list[Strip], device: str) -> dict[str, dict[str, float]]:
    """Average precision over pixels where each sign is known, and their share, on strips not learnt from."""
    net.eval()
    score: list[list[torch.Tensor]] = [[] for _ in SIGNS]
    truth: list[list[torch.Tensor]] = [[] for _ in SIGNS]
    for s in strips:
        x = torch.from_numpy(np.ascontiguousarray(s.rgb)).to(device).permute(2, 0, 1)[None].float() / 255
        x = F.pad(x, (0, -x.shape[3] % 32))
        p = torch.sigmoid(net(x))[0, :, :, : s.rgb.shape[1]].cpu()
        for k in range(len(SIGNS)):
            know = torch.from_numpy((s.known >> k) & 1 > 0)
            score[k].append(p[k][know][::7])
            truth[k].append(torch.from_numpy((s.shown >> k) & 1)[know][::7])
    out = {}
    for k, name in enumerate(SIGNS):
        p, t = torch.cat(score[k]), torch.cat(truth[k])
        hit = t[p.argsort(descending=True)].double()
        precision = hit.cumsum(0) / torch.arange(1, len(hit) + 1)
        out[name] = {
            "average_precision": float((precision * hit).sum() / hit.sum().clamp(min=1)),
            "share": float(hit.mean()),
            "mean_probability": float(p.mean()),
        }
    return out


def write_onnx(net: Eye, path: Path) -> None:
    """Write the network with probabilities as its output; the number of columns is free."""
    torch.onnx.export(
        torch.nn.Sequential(net.float().eval().cpu(), torch.nn.Sigmoid()),
        (torch.rand(1, 3, 2 * N_BESIDE + N_FACE, COLUMNS),),
        str(path),
        input_names=["rgb"],
        output_names=["probability"],
        dynamic_axes={"rgb": {3: "w"}, "probability": {3: "w"}},
        opset_version=17,
        dynamo=False,
    )


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--rendered", type=Path, required=True)
    ask.add_argument("--out", type=Path, required=True)
    ask.add_argument("--minutes", type=float, default=3)
    ask.add_argument("--seed", type=int, default=7)
    ask.add_argument("--workers", type=int, default=12)
    told = ask.parse_args()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    seeds = sorted(int(path.stem) for path in told.rendered.glob("*.json"))
    with ProcessPoolExecutor(told.workers, mp_context=get_context("spawn")) as pool:
        strips = [s for s in pool.map(lay_straight, [(told.rendered, seed) for seed in seeds], chunksize=8) if s is not None]
    held, learn = strips[::10], [s for i, s in enumerate(strips) if i % 10]
    print(f"{len(learn)} beads to learn from, {len(held)} held", flush=True)
    net, steps = train(learn, minutes=told.minutes, seed=told.seed, device=device)
    found = figures(net.to(device), held, device)
    told.out.mkdir(parents=True, exist_ok=True)
    write_onnx(net, told.out / "signs.onnx")
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
    }
    (told.out / "signs.json").write_text(json.dumps(record, indent=1))
    print(json.dumps(found), flush=True)


if __name__ == "__main__":
    main()
