"""Train the small network that says for each column of a straight bead whether a toe is undercut or rolled over there.

    python -m training.toes --straight FOLDER --rendered FOLDER --out FOLDER [--minutes 6]

It looks at a band about one toe, needs no map of every point, only which columns show a sign, and learns within minutes on two cores.
`--straight` holds beads that `training.signs` laid straight and kept apart, `--rendered` training pictures. Every third bead is held
back for the figures and for `training.likely`.
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

from training.signs import N_BESIDE, N_FACE, SIGNS, Strip, keep_held, lay_straight

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


def _crop(every: list[Lesson], having: list[list[int]], rng: np.random.Generator) -> tuple[NDArray[np.float32], Lesson]:
    k = int(rng.integers(len(having)))
    wanted = bool(rng.random() < 0.55 and having[k])
    lesson = every[having[k][int(rng.integers(len(having[k])))] if wanted else int(rng.integers(len(every)))]
    short = max(0, COLUMNS - lesson.picture.shape[1])
    picture = np.pad(lesson.picture, ((0, 0), (0, short), (0, 0)))
    shows, known = (np.pad(a, ((0, 0), (0, short))) for a in (lesson.shows, lesson.known))
    spare = picture.shape[1] - COLUMNS
    first = int(rng.integers(spare + 1))
    if wanted:
        first = int(np.clip(rng.choice(np.flatnonzero(shows[k])) - rng.integers(COLUMNS), 0, spare))
    cut = slice(first, first + COLUMNS)
    turn = slice(None, None, -1 if rng.random() < 0.5 else 1)
    x = np.roll(picture[:, cut][:, turn], int(rng.integers(-1, 2)), axis=0).astype(np.float32) / 255
    rgb, blank = x[..., :3], x[..., :3].sum(axis=2, keepdims=True) == 0
    grey = rgb.mean(axis=2, keepdims=True)
    rgb = np.clip(grey + (rgb - grey) * rng.uniform(0, 1.5), 1e-4, 1) ** np.exp(rng.normal(0, 0.3))
    rgb = rgb * np.exp(rng.normal(0, 0.2)) * np.exp(rng.normal(0, 0.08, 3)) + rng.normal(0, 1, rgb.shape) * rng.uniform(0, 0.03)
    x = np.concatenate([np.clip(rgb, 0, 1) * ~blank, x[..., 3:]], axis=2).astype(np.float32)
    return np.ascontiguousarray(x.transpose(2, 0, 1)), Lesson(lesson.picture, shows[:, cut][:, turn], known[:, cut][:, turn])


def train(every: list[Lesson], *, minutes: float, seed: int, n: int = 16) -> tuple[nn.Module, int]:
    """Cross entropy of the columns that are known; weights averaged exponentially."""
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    having = [[i for i, lesson in enumerate(every) if np.count_nonzero(lesson.shows[k]) >= 8] for k in range(len(LINES))]
    print(len(every), {sign: len(h) for sign, h in zip(LINES, having, strict=True)}, flush=True)
    net = Columns()
    average = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.99), use_buffers=True
    )
    optimiser = torch.optim.AdamW(net.parameters(), lr=1e-3, weight_decay=0.05)
    start, done, step = time.monotonic(), 0.0, 0
    while done < 1:
        for group in optimiser.param_groups:
            group["lr"] = 3e-3 * min(1.0, done / 0.08 + 0.03) * 0.5 * (1 + np.cos(np.pi * done))
        crops = [_crop(every, having, rng) for _ in range(n)]
        x = torch.from_numpy(np.stack([c[0] for c in crops]))
        there = F.max_pool1d(torch.from_numpy(np.stack([c[1].shows for c in crops]).astype(np.float32)), 2)
        told = -F.max_pool1d(-torch.from_numpy(np.stack([c[1].known for c in crops]).astype(np.float32)), 2)
        each = F.binary_cross_entropy_with_logits(net(x), there, reduction="none") * told
        loss = each.sum() / told.sum().clamp(min=1)
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
        average.update_parameters(net)
        if step % 50 == 0:
            print(f"{done:.2f} step {step} loss {loss.item():.3f}", flush=True)
        step += 1
        done = (time.monotonic() - start) / (60 * minutes)
    return average.module.eval(), step


def ranked(score: list[float], right: list[bool]) -> float:
    """Share of pairs, one with and one without, that the score puts in order; 0.5 is guessing."""
    s, y = np.array(score), np.array(right, bool)
    if y.all() or not y.any():
        return float("nan")
    above = s[y][:, None] - s[~y][None]
    return float((above > 0).mean() + 0.5 * (above == 0).mean())


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


def write_onnx(net: nn.Module, path: Path) -> None:
    """Write a network with probabilities as its output; the number of columns is free."""
    torch.onnx.export(
        torch.nn.Sequential(net, torch.nn.Sigmoid()),
        (torch.rand(1, 4, ROWS_IN + ROWS_OUT, COLUMNS),),
        str(path),
        input_names=["rgbw"],
        output_names=["probability"],
        dynamic_axes={"rgbw": {0: "n", 3: "w"}, "probability": {0: "n", 2: "w"}},
        opset_version=17,
        dynamo=False,
    )


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--straight", type=Path, action="append", default=[])
    ask.add_argument("--rendered", type=Path, action="append", default=[])
    ask.add_argument("--out", type=Path, required=True)
    ask.add_argument("--minutes", type=float, default=6)
    ask.add_argument("--seed", type=int, default=3)
    told = ask.parse_args()
    strips = []
    for path in (p for folder in told.straight for p in sorted(folder.glob("*.npz"))):
        with np.load(path) as kept:
            strips.append(Strip(int(path.stem), **{key: kept[key] for key in kept.files}))
    for path in (p for folder in told.rendered for p in sorted(folder.glob("*.json"))):
        strip = lay_straight((path.parent, int(path.stem)))
        if strip is not None:
            strips.append(strip)
    held, learn = strips[::3], [s for i, s in enumerate(strips) if i % 3]
    told.out.mkdir(parents=True, exist_ok=True)
    keep_held(held, told.out / "held")
    record: dict[str, object] = {"n_learnt": len(learn), "n_held": len(held), "seed": told.seed, "torch": torch.__version__}
    net, steps = train([lesson for strip in learn for lesson in lessons(strip)], minutes=told.minutes, seed=told.seed)
    found = figures(net, [lesson for strip in held for lesson in lessons(strip)])
    write_onnx(net, told.out / "toes.onnx")
    record |= {"minutes": told.minutes, "steps": steps, "held": found}
    (told.out / "toes.json").write_text(json.dumps(record, indent=1))
    print(json.dumps(found), flush=True)


if __name__ == "__main__":
    main()
