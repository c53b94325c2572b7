"""Train the learned eye and write it as ONNX.

    python -m training.train --rendered FOLDER --real FOLDER --out FOLDER [--minutes 8] [--share-real 0.5] [--widths 24,40,72,120,160]

Both folders hold prepared pictures (see training/pictures.py). Groups that `training.split` keeps for testing are never learnt from; their
figures are printed and written to NAME.json beside the weights.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

import numpy as np
import torch
from torch import nn
from torch.nn import functional as F

from training.bank import NOT_WELD, SLAG, WELD, Picture, batch, load, shelve
from training.network import CLASSES, Eye, write_onnx
from training.split import fold_of, split_of

IMPORTANCE = (1.0, 1.0, 1.0, 3.0, 2.0, 1.0)
"""Weight of each class in the loss: droplets and slag are rare."""


def loss_of(scores: torch.Tensor, classes: torch.Tensor, weight: torch.Tensor, toe: torch.Tensor) -> torch.Tensor:
    """Cross entropy over the classes known, weld against the rest where only that is known, overlap of the bead, and the toe line."""
    logs = torch.log_softmax(scores[:, :6].float(), 1)
    known = classes != NOT_WELD
    target = torch.where(known, classes, 0)
    full = -logs.gather(1, target[:, None])[:, 0]
    bead = torch.logsumexp(logs[:, [WELD, SLAG]], 1).clamp(max=-1e-6)
    rest = -torch.log1p(-bead.exp().clamp(max=1 - 1e-6))
    importance = torch.tensor(IMPORTANCE, device=scores.device)
    each = torch.where(known, full * importance[target], rest) * weight
    line = F.binary_cross_entropy_with_logits(
        scores[:, 6].float(), toe, pos_weight=torch.tensor(4.0, device=scores.device), reduction="none"
    )
    overlap = bead.exp() * weight
    truth = ((classes == WELD) | (classes == SLAG)).float() * weight
    dice = 1 - (2 * (overlap * truth).sum((1, 2)) + 20) / (overlap.sum((1, 2)) + truth.sum((1, 2)) + 20)
    total = weight.sum().clamp(min=1)
    return each.sum() / total + 0.25 * (line * weight).sum() / total + 0.3 * dice.mean()


@torch.no_grad()
def bead_iou(net: nn.Module, pictures: list[Picture], device: str) -> dict[str, float]:
    """IoU of the bead at probability one half, over whole pictures, where the marks are sure."""
    net.eval()
    found = {}
    for picture in pictures:
        layers = picture.layers.to(device)
        _, h, w = layers.shape
        x = F.pad(layers[None, :3].float() / 255, (0, -w % 32, 0, -h % 32), mode="reflect")
        p = torch.softmax(net(x)[:, :6].float(), 1)[0, [WELD, SLAG]].sum(0)[:h, :w]
        sure = layers[4] >= 250
        truth = ((layers[3] == WELD) | (layers[3] == SLAG)) & sure
        guess = (p > 0.5) & sure
        found[picture.name] = float((truth & guess).sum() / (truth | guess).sum().clamp(min=1))
    return found


def train(
    real: list[Picture],
    rendered: list[Picture],
    *,
    minutes: float,
    widths: tuple[int, ...],
    share_real: float,
    seed: int,
    device: str,
    n: int,
    side: int,
    top_rate: float = 2.5e-3,
) -> tuple[Eye, int]:
    """Train for a given time on a rising and falling rate; weights are averaged exponentially, which steadies small sets."""
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    net = Eye(widths)
    net = net.to(device, memory_format=torch.channels_last)
    average = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998), use_buffers=True
    )
    optimiser = torch.optim.AdamW(net.parameters(), lr=1e-3, weight_decay=0.02)
    photos, renders = (shelve(pictures, device) if pictures else None for pictures in (real, rendered))
    start, done, step = time.monotonic(), 0.0, 0
    while done < 1:
        rate = top_rate * min(1.0, done / 0.06 + 0.02) * 0.5 * (1 + np.cos(np.pi * done))
        for group in optimiser.param_groups:
            group["lr"] = rate
        rgb, classes, weight, toe = batch(photos, renders, rng, n=n, side=side, share_real=share_real)
        with torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
            scores = net(rgb.contiguous(memory_format=torch.channels_last))
        loss = loss_of(scores, classes, weight, toe)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimiser.step()
        average.update_parameters(net)
        if step % 50 == 0:
            print(f"{done:.2f} step {step} loss {loss.item():.4f}", flush=True)
        step += 1
        done = (time.monotonic() - start) / (60 * minutes)
    return average.module, step


class Probabilities(nn.Module):
    """The network with probabilities as its output."""

    def __init__(self, inner: nn.Module) -> None:
        super().__init__()
        self.inner = inner

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        y = self.inner(x)
        return torch.cat([torch.softmax(y[:, :6], 1), torch.sigmoid(y[:, 6:])], 1)


def _summary(figures: dict[str, dict[str, float]]) -> dict[str, dict[str, float]]:
    out = {}
    for name, iou in figures.items():
        values = np.array(list(iou.values())) if iou else np.array([np.nan])
        out[name] = {
            "n": len(iou),
            "iou_median": float(np.median(values)),
            "iou_low_tenth": float(np.quantile(values, 0.1)),
            "share_below_half": float((values < 0.5).mean()),
        }
    return out


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--rendered", type=Path)
    ask.add_argument("--real", type=Path)
    ask.add_argument("--out", type=Path, required=True)
    ask.add_argument("--minutes", type=float, default=8)
    ask.add_argument("--widths", default="24,40,72,120,160")
    ask.add_argument("--share-real", type=float, default=0.5)
    ask.add_argument("--seed", type=int, default=7)
    ask.add_argument("--batch", type=int, default=64)
    ask.add_argument("--side", type=int, default=384)
    ask.add_argument("--everything", action="store_true", help="learn from the photos kept for testing as well")
    ask.add_argument("--leave-out", type=int, help="number of a fold of the training photos (0 or 1) to keep apart as well")
    ask.add_argument("--top-rate", type=float, default=2.5e-3)
    ask.add_argument("--quick", action="store_true", help="leave out the figures over whole pictures")
    ask.add_argument("--name", default="eye")
    told = ask.parse_args()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    marked = load(told.real) if told.real else []
    rendered = load(told.rendered) if told.rendered else []
    kept = [p for p in marked if split_of(p.group) == "test" and not p.name.endswith("-second")]
    learn = marked if told.everything else [p for p in marked if split_of(p.group) == "train"]
    if told.leave_out is not None:
        kept = [p for p in learn if fold_of(p.group) == told.leave_out]
        learn = [p for p in learn if fold_of(p.group) != told.leave_out]
    held, rendered = rendered[::20], [p for i, p in enumerate(rendered) if i % 20]
    print(f"{len(learn)} real to learn from, {len(kept)} kept apart, {len(rendered)} rendered, {len(held)} held", flush=True)
    widths = tuple(int(width) for width in told.widths.split(","))
    net, steps = train(
        learn if told.share_real > 0 else [],
        rendered,
        minutes=told.minutes,
        widths=widths,
        share_real=told.share_real,
        seed=told.seed,
        device=device,
        n=told.batch,
        side=told.side,
        top_rate=told.top_rate,
    )
    told.out.mkdir(parents=True, exist_ok=True)
    path, free = told.out / f"{told.name}.onnx", {2: "h", 3: "w"}
    write_onnx(Probabilities(net), torch.rand(1, 3, 256, 320), path, taken=("rgb", free), told=("probability", free))
    sets = {} if told.quick else {"kept_apart": kept, "rendered_held": held, "learnt": learn}
    figures = {name: bead_iou(net.to(device), pictures, device) for name, pictures in sets.items()}
    print(steps, "steps", json.dumps(_summary(figures)), flush=True)
    record = {
        "classes": CLASSES,
        "left_out_fold": told.leave_out,
        "widths": widths,
        "seed": told.seed,
        "minutes": told.minutes,
        "steps": steps,
        "batch": told.batch,
        "side_px": told.side,
        "share_real": told.share_real,
        "n_real": len(learn) if told.share_real > 0 else 0,
        "n_rendered": len(rendered),
        "torch": torch.__version__,
        "device": torch.cuda.get_device_name() if device == "cuda" else "cpu",
        "summary": _summary(figures),
        "iou": figures,
    }
    (told.out / f"{told.name}.json").write_text(json.dumps(record, indent=1))


if __name__ == "__main__":
    main()
