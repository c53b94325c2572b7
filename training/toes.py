"""Train the small network that says for each column of a straight bead whether a toe is undercut or rolled over there.

    python -m training.toes --rendered FOLDER --out FOLDER [--minutes 6]

It looks at a band about one toe and needs no map of every point, only which columns show a sign. The folder holds training pictures as for
`training.signs`; the same beads are kept apart.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn
from torch.nn import functional as F

from training.network import write_onnx
from training.signs import ranked
from training.straight import N_BESIDE, N_FACE, SIGNS, Strip, lay_all, parted

ROWS_IN, ROWS_OUT = 10, 18
"""Rows of a toe's band on the face and on the plate; as in toeline.surface.learned."""
LINES = ("undercut", "overlap")
COLUMNS = 192


@dataclass(frozen=True)
class Lesson:
    """Rows of a bead (uint8, rows, columns, 4), and for each sign which columns show it and where that is known, (signs, columns)."""

    picture: NDArray[np.uint8]
    shows: NDArray[np.bool_]
    known: NDArray[np.bool_]


def lessons(strip: Strip) -> list[Lesson]:
    """What a bead teaches: each toe by itself, seen from the face outwards."""
    first, second = N_BESIDE, N_BESIDE + N_FACE
    inward, outward = np.arange(first + ROWS_IN - 1, first - ROWS_OUT - 1, -1), np.arange(second - ROWS_IN, second + ROWS_OUT)
    return [
        _lesson(strip, inward, [slice(first - 11, first + 4), slice(first - 7, first + 7)]),
        _lesson(strip, outward, [slice(second - 4, second + 11), slice(second - 7, second + 7)]),
    ]


def _lesson(strip: Strip, rows: NDArray[np.int64], where: list[slice]) -> Lesson:
    picture = np.ascontiguousarray(strip.rgbw[rows])
    seen = picture[..., :3].any(axis=2).mean(axis=0) > 0.8
    shows, known = [], []
    for sign, part in zip(LINES, where, strict=True):
        bit = 1 << SIGNS.index(sign)
        there = ((strip.shown[part] & bit) > 0).any(axis=0)
        shows.append(there)
        known.append(seen & (there | (((strip.known[part] & bit) > 0).mean(axis=0) > 0.8)))
    return Lesson(picture, np.array(shows), np.array(known))


class Columns(nn.Module):
    """Convolutions over the rows until one is left, then along the bead; one score a sign for every second column."""

    def __init__(self) -> None:
        super().__init__()

        def block(n_in: int, n_to: int) -> nn.Sequential:
            return nn.Sequential(nn.Conv2d(n_in, n_to, 3, padding=1, bias=False), nn.BatchNorm2d(n_to), nn.ReLU())

        self.rows = nn.Sequential(
            block(8, 16), block(16, 16), nn.MaxPool2d((2, 1)), block(16, 24), nn.MaxPool2d(2), block(24, 32), nn.Dropout2d(0.15)
        )  # fmt: skip
        self.along = nn.Sequential(
            nn.Conv2d(32, 48, ((ROWS_IN + ROWS_OUT) // 4, 5), padding=(0, 2), bias=False), nn.BatchNorm2d(48), nn.ReLU(),
            nn.Conv2d(48, 48, (1, 7), padding=(0, 6), dilation=(1, 2), bias=False), nn.BatchNorm2d(48), nn.ReLU(), nn.Dropout(0.2),
            nn.Conv2d(48, 48, (1, 7), padding=(0, 9), dilation=(1, 3), bias=False), nn.BatchNorm2d(48), nn.ReLU(),
            nn.Conv2d(48, len(LINES), 1),
        )  # fmt: skip

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """Scores, shape (batch, signs, columns / 2), from RGB and width in 0..1; brightness is read against its surroundings."""
        grey = torch.log((x[:, 0:1] + x[:, 1:2] + x[:, 2:3]) / 3 + 0.03)
        near = F.avg_pool2d(grey, (9, 21), 1, (4, 10))
        colour = (x[:, 0:1] - x[:, 2:3]) * 4
        place = x[:, 3:4] * 0 + torch.linspace(-1, 1, x.shape[2], device=x.device).reshape(1, 1, -1, 1)
        return self.along(self.rows(torch.cat([x * 2 - 1, (grey - near) * 2, grey + 1.5, colour, place], 1)))[:, :, 0]


class Bank:
    """Lessons kept where they are learnt, and crops of them a batch at a time."""

    def __init__(self, every: list[Lesson], device: str) -> None:
        wide = max(COLUMNS, *(lesson.picture.shape[1] for lesson in every))
        self.pictures = torch.zeros((len(every), ROWS_IN + ROWS_OUT, wide, 4), dtype=torch.uint8, device=device)
        self.told = torch.zeros((len(every), 2, len(LINES), wide), dtype=torch.bool, device=device)
        for i, lesson in enumerate(every):
            n = lesson.picture.shape[1]
            self.pictures[i, :, :n] = torch.from_numpy(lesson.picture).to(device)
            self.told[i, ..., :n] = torch.from_numpy(np.stack([lesson.shows, lesson.known])).to(device)
        self.spare = np.array([max(0, lesson.picture.shape[1] - COLUMNS) for lesson in every])
        shows = [[np.flatnonzero(lesson.shows[k]) for lesson in every] for k in range(len(LINES))]
        self.having = [[(i, at) for i, at in enumerate(places) if len(at) >= 8] for places in shows]
        self.device = device

    def batch(self, rng: np.random.Generator, n: int) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        """n crops flipped along and spoilt: RGB and width, which columns show a sign, which are known; two columns to one of the last two."""
        which, first = rng.integers(len(self.spare), size=n), np.empty(n, np.int64)
        for j in range(n):
            having = self.having[int(rng.integers(len(LINES)))]
            if having and rng.random() < 0.55:
                which[j], places = having[int(rng.integers(len(having)))]
                first[j] = int(places[int(rng.integers(len(places)))] - rng.integers(COLUMNS))
            else:
                first[j] = int(rng.integers(self.spare[which[j]] + 1))
        columns = np.clip(first, 0, self.spare[which])[:, None] + np.arange(COLUMNS)
        turned = rng.random(n) < 0.5
        columns[turned] = columns[turned, ::-1]
        slip = np.clip(np.arange(ROWS_IN + ROWS_OUT) + rng.integers(-1, 2, size=(n, 1)), 0, ROWS_IN + ROWS_OUT - 1)
        i, rows, at = (torch.from_numpy(index).to(self.device) for index in (which, slip, columns))
        x = self.pictures[i[:, None, None], rows[:, :, None], at[:, None]].permute(0, 3, 1, 2).float() / 255
        told = self.told[i[:, None], :, :, at].permute(0, 2, 3, 1).float()
        blank = (x[:, :3].sum(1, keepdim=True) == 0).float()
        rgb = _spoilt(x[:, :3], rng) * (1 - blank)
        return torch.cat([rgb, x[:, 3:]], 1), F.max_pool1d(told[:, 0], 2), -F.max_pool1d(-told[:, 1], 2)


def _spoilt(rgb: torch.Tensor, rng: np.random.Generator) -> torch.Tensor:
    """Other saturation, light, colour and noise, each crop in its own way."""
    n = len(rgb)

    def per(values: np.ndarray) -> torch.Tensor:
        return torch.tensor(values, dtype=torch.float32, device=rgb.device).reshape(n, -1, 1, 1)

    grey = rgb.mean(1, keepdim=True)
    x = (grey + (rgb - grey) * per(rng.uniform(0, 1.5, n))).clamp(1e-4, 1) ** per(np.exp(rng.normal(0, 0.3, n)))
    x = x * per(np.exp(rng.normal(0, 0.2, n))) * per(np.exp(rng.normal(0, 0.08, (n, 3))))
    soft = F.avg_pool2d(x, 3, 1, 1, count_include_pad=False)
    x = x + (soft - x) * per(np.where(rng.random(n) < 0.5, rng.uniform(-0.5, 1.0, n), 0.0))
    return (x + torch.randn_like(x) * per(rng.uniform(0, 0.03, n))).clamp(0, 1)


def train(every: list[Lesson], *, minutes: float, seed: int, device: str, n: int = 64) -> tuple[nn.Module, int]:
    """Cross entropy of the columns that are known; weights averaged exponentially."""
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    bank = Bank(every, device)
    print(len(every), {sign: len(h) for sign, h in zip(LINES, bank.having, strict=True)}, flush=True)
    net = Columns().to(device)
    average = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.995), use_buffers=True
    )
    optimiser = torch.optim.AdamW(net.parameters(), lr=1e-3, weight_decay=0.05)
    start, done, step = time.monotonic(), 0.0, 0
    while done < 1:
        for group in optimiser.param_groups:
            group["lr"] = 3e-3 * min(1.0, done / 0.08 + 0.03) * 0.5 * (1 + np.cos(np.pi * done))
        x, there, told = bank.batch(rng, n)
        each = F.binary_cross_entropy_with_logits(net(x), there, reduction="none") * told
        loss = each.sum() / told.sum().clamp(min=1)
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
        average.update_parameters(net)
        if step % 200 == 0:
            print(f"toes {done:.2f} step {step} loss {loss.item():.3f}", flush=True)
        step += 1
        done = (time.monotonic() - start) / (60 * minutes)
    return average.module.cpu().eval(), step


@torch.no_grad()
def figures(net: nn.Module, held: list[Lesson]) -> dict[str, dict[str, float]]:
    """Of columns and of whole toes: how often one that shows a sign is put above one that does not."""
    out = {}
    for k, sign in enumerate(LINES):
        columns: tuple[list[float], list[bool]] = ([], [])
        wholes: tuple[list[float], list[bool]] = ([], [])
        for lesson in held:
            n = lesson.picture.shape[1] // 2 * 2
            x = torch.from_numpy(lesson.picture[:, :n].transpose(2, 0, 1)[None].astype(np.float32) / 255)
            p = np.convolve(torch.sigmoid(net(x))[0, k].numpy(), np.ones(5) / 5, "same")
            there, told = lesson.shows[k, :n:2], lesson.known[k, :n:2]
            if told.any():
                columns[0].extend(p[told][::3])
                columns[1].extend(there[told][::3])
                wholes[0].append(float((p * told).max()))
                wholes[1].append(bool(np.count_nonzero(there & told) >= 4))
        out[sign] = {"columns": ranked(*columns), "wholes": ranked(*wholes), "with": sum(wholes[1]), "of": len(wholes[1])}
    return out


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--rendered", type=Path, required=True)
    ask.add_argument("--out", type=Path, required=True)
    ask.add_argument("--minutes", type=float, default=6)
    ask.add_argument("--seed", type=int, default=3)
    ask.add_argument("--workers", type=int, default=12)
    told = ask.parse_args()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    learn, held = parted(lay_all(told.rendered, takes=2, workers=told.workers))
    told.out.mkdir(parents=True, exist_ok=True)
    record: dict[str, object] = {"n_learnt": len(learn), "n_held": len(held), "seed": told.seed, "torch": torch.__version__}
    every = [lesson for strip in learn for lesson in lessons(strip)]
    net, steps = train(every, minutes=told.minutes, seed=told.seed, device=device)
    found = figures(net, [lesson for strip in held for lesson in lessons(strip)])
    whole, example = nn.Sequential(net, nn.Sigmoid()), torch.rand(1, 4, ROWS_IN + ROWS_OUT, COLUMNS)
    write_onnx(whole, example, told.out / "toes.onnx", taken=("rgbw", {0: "n", 3: "w"}), told=("probability", {0: "n", 2: "w"}))
    record |= {"minutes": told.minutes, "steps": steps, "device": device, "held": found}
    (told.out / "toes.json").write_text(json.dumps(record, indent=1))
    print("toes", json.dumps(found), flush=True)


if __name__ == "__main__":
    main()
