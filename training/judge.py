"""Train the closest look and the last judgement of droplets.

    python -m training.judge gather ROWS.npz [--photos FOLDER] [--coupons FOLDER]… [--plates 300]   # package's environment
    python -m training.judge train ROWS.npz… OUT.onnx [--minutes 10]                                # needs PyTorch (extra `train`)
    python -m training.judge last [--photos FOLDER] [--coupons FOLDER]…                             # package's environment

`gather` reads patches about every place that the rings leave and about every droplet; `train` fits the small convolutional network;
`last` fits what weighs its word against the rings', the light's and the learned eye's, on pictures that the network did not see.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
ROOT = Path(__file__).resolve().parent
RINGS = ROOT.parent / "inspect" / "toeline" / "spatter" / "particles.json"
N_ABOUT, N_AGAIN = 3, 2


def lessons_from(asked: argparse.Namespace, *, first_plate: int, n_plates: int) -> Iterator[Any]:
    """Made-up plates, marked photos of the training split, and coupon photos with truth."""
    from training.lessons import coupons, made_up, marked, pictures

    yield from made_up(range(first_plate, first_plate + n_plates))
    if asked.photos:
        yield from marked(ROOT / "marks", asked.photos, split="train")
    if asked.pictures:
        yield from pictures(asked.pictures)
    for folder in asked.coupons or ():
        yield from coupons(folder)


def places_of(lesson: Any) -> tuple[Any, list[Any], Any]:
    """The sheet of a lesson, its picture's levels and the places that the rings leave on it."""
    from toeline.spatter.particles import lay_out, sift
    from toeline.spatter.rings import colour_levels, net

    smallest_mm, px_per_mm = 0.3, lesson.smallest_px / 0.3
    sheet = lay_out(lesson.rgb, lesson.mask, px_per_mm, smallest_mm=smallest_mm, plate_of=lesson.plate_of, evidence=lesson.eye)
    levels = colour_levels(sheet.picture, sheet.largest_px)
    return sheet, levels, sift(levels, sheet.candidates(net()), net())


def on_sheet(rows: Array, sheet: Any) -> Array:
    """Droplets (x, y, diameter) of the whole picture on the sheet [px]."""
    if len(rows) == 0:
        return np.empty((0, 3))
    corner = np.array(sheet.corner)
    return np.column_stack([(rows[:, :2] - corner + 0.5) / sheet.step - 0.5, rows[:, 2] / sheet.step])


def told_of(x: Array, y: Array, diameter: Array, droplets: Array, careless: Array) -> tuple[NDArray[np.int64], NDArray[np.intp]]:
    """What is true of places: 1 a droplet, 0 none, −1 either is right; and which droplet is nearest."""
    from training.lessons import nearest

    which, gap = nearest(x, y, droplets)
    label = np.zeros(len(x), dtype=np.int64)
    if len(droplets):
        ratio = diameter / droplets[which, 2]
        label[gap < 0.8] = -1
        label[(gap < 0.5) & (ratio > 0.4) & (ratio < 2.5)] = 1
    label[(nearest(x, y, careless)[1] < 0.8) & (label == 0)] = -1
    return label, which


def gather(lessons: Iterator[Any], *, seed: int = 5, n_plain: int = 500) -> dict[str, NDArray[Any]]:
    """Patches with what is true of them: `planes` (n, 4, side, side), `numbers` (n, 6), `label`, `fit` (n, 3), `weight`."""
    from toeline.spatter.patches import read_patches

    rng = np.random.default_rng(seed)
    kept: dict[str, list[NDArray[Any]]] = {key: [] for key in ("planes", "numbers", "label", "fit", "weight")}
    for lesson in lessons:
        sheet, levels, places = places_of(lesson)
        droplets, careless = on_sheet(lesson.droplets, sheet), on_sheet(lesson.careless, sheet)
        rows = np.column_stack([places.x_px, places.y_px, places.diameter_px, places.turn])
        label, _ = told_of(*rows[:, :3].T, droplets, careless)
        plain = np.flatnonzero(label == 0)
        rows = np.delete(rows, rng.permutation(plain)[n_plain:], axis=0)
        rows = np.repeat(rows, N_AGAIN, axis=0)
        inside = np.round(droplets[:, :2]).astype(int)
        inside = np.clip(inside, 0, np.array(sheet.mask.shape[::-1]) - 1)
        seen = droplets[sheet.mask[inside[:, 1], inside[:, 0]]]
        about = np.repeat(np.column_stack([seen, np.full(len(seen), np.nan)]), N_ABOUT, axis=0)
        rows = np.concatenate([rows, about])
        rows[:, :2] += rng.normal(0, 0.08, (len(rows), 2)) * rows[:, 2:3]
        rows[:, 2] *= np.exp(rng.normal(0, 0.12, len(rows)))
        anyhow = np.isnan(rows[:, 3]) | (rng.random(len(rows)) < 0.2)
        rows[:, 3] = np.where(anyhow, rng.uniform(-np.pi, np.pi, len(rows)), rows[:, 3] + rng.normal(0, 0.3, len(rows)))
        label, which = told_of(*rows[:, :3].T, droplets, careless)
        rows, which, label = rows[label >= 0], which[label >= 0], label[label >= 0]
        fit = np.zeros((len(rows), 3))
        if len(droplets):
            off = (droplets[which, :2] - rows[:, :2]) / rows[:, 2:3]
            cos, sin = np.cos(rows[:, 3]), np.sin(rows[:, 3])
            fit[:, 0] = np.log(droplets[which, 2] / rows[:, 2])
            fit[:, 1], fit[:, 2] = cos * off[:, 0] + sin * off[:, 1], cos * off[:, 1] - sin * off[:, 0]
        patches = read_patches(levels, *rows.T)
        kept["planes"].append(patches[:, :4].astype(np.float16))
        kept["numbers"].append(patches[:, 4:, 0, 0])
        kept["label"].append(label)
        kept["fit"].append(np.where(label[:, None] == 1, np.clip(fit, -0.7, 0.7), 0.0).astype(np.float32))
        kept["weight"].append(np.full(len(rows), min(lesson.weight, 3.0), np.float32))
        print(lesson.name, len(rows), int(label.sum()), flush=True)
    return {key: np.concatenate(values) for key, values in kept.items()}


def train(rows: dict[str, NDArray[Any]], out: Path, *, minutes: float, seed: int = 7) -> None:
    """Fit the network by AdamW on mirrored patches and write it as ONNX."""
    import time

    import torch
    from torch import nn
    from torch.nn import functional as F

    class Judge(nn.Module):
        """Three steps of convolutions on the pictures; the numbers join at the end."""

        def __init__(self) -> None:
            super().__init__()
            steps: list[nn.Module] = []
            for a, b, side, stride, shrinks in (
                (4, 20, 5, 2, False),
                (20, 28, 3, 1, True),
                (28, 40, 3, 1, False),
                (40, 48, 3, 1, True),
            ):
                steps += [nn.Conv2d(a, b, side, stride, side // 2, bias=False), nn.BatchNorm2d(b), nn.ReLU()]
                steps += [nn.MaxPool2d(2)] if shrinks else []
            self.steps = nn.Sequential(*steps, nn.Flatten(), nn.Dropout(0.2))
            self.head = nn.Sequential(nn.Linear(48 * 9 + 6, 48), nn.ReLU(), nn.Linear(48, 4))

        def forward(self, x: torch.Tensor) -> torch.Tensor:
            told: torch.Tensor = self.head(torch.cat([self.steps(x[:, :4]), x[:, 4:, 0, 0]], 1))
            return told

    torch.manual_seed(seed)
    net = Judge()
    n = len(rows["label"])
    planes, numbers = torch.from_numpy(rows["planes"]), torch.from_numpy(rows["numbers"])
    label, fit, weight = (torch.from_numpy(rows[k]).float() for k in ("label", "fit", "weight"))
    held = torch.from_numpy(np.random.default_rng(seed).random(n) < 0.05)
    learn = torch.nonzero(~held)[:, 0]
    optimiser = torch.optim.AdamW(net.parameters(), lr=2e-3, weight_decay=1e-3)

    def shown(which: torch.Tensor, *, mirror: bool) -> tuple[torch.Tensor, torch.Tensor]:
        x = torch.cat([planes[which].float(), numbers[which][:, :, None, None].expand(-1, -1, 24, 24)], 1)
        aim = fit[which].clone()
        if mirror:
            flip = torch.rand(len(which)) < 0.5
            x[flip] = x[flip].flip(2)
            aim[flip, 2] *= -1
            x[:, 4:] += 0.1 * torch.randn(len(which), 6, 1, 1)
        return x, aim

    start = time.time()
    share = 0.0
    n_step = 0
    total = 0.0
    while share < 1.0:
        share = min(1.0, (time.time() - start) / (60 * minutes))
        for group in optimiser.param_groups:
            group["lr"] = 2e-3 * (0.02 + 0.98 * 0.5 * (1 + np.cos(np.pi * share)))
        which = learn[torch.randint(len(learn), (160,))]
        x, aim = shown(which, mirror=True)
        found = net(x)
        yes = label[which]
        loss = (F.binary_cross_entropy_with_logits(found[:, 0], yes, reduction="none") * weight[which]).mean()
        loss = loss + 1.0 * (F.smooth_l1_loss(found[:, 1:], aim, beta=0.1, reduction="none").mean(1) * yes * weight[which]).mean()
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
        total, n_step = total + float(loss.detach()), n_step + 1
        if n_step % 250 == 0:
            net.eval()
            with torch.no_grad():
                x, _ = shown(torch.nonzero(held)[:4000, 0], mirror=False)
                aside = F.binary_cross_entropy_with_logits(net(x)[:, 0], label[held][:4000])
            net.train()
            print(f"{n_step} steps, loss {total / 250:.4f}, kept apart {float(aside):.4f}", flush=True)
            total = 0.0
    net.eval()
    example = torch.zeros(128, 10, 24, 24)
    torch.onnx.export(net, (example,), str(out), input_names=["patches"], output_names=["told"], opset_version=13, dynamo=False)
    print(f"{n_step} steps in {time.time() - start:.0f} s; wrote {out}, {out.stat().st_size / 1e3:.0f} kB")


def _logistic(clues: Array, truth: Array, weights: Array, *, ridge: float = 0.1) -> list[float]:
    """Logistic regression by Newton's steps: intercept and slopes."""
    x = np.column_stack([np.ones(len(clues)), clues])
    beta = np.zeros(x.shape[1])
    for _ in range(50):
        p = 1 / (1 + np.exp(-np.clip(x @ beta, -30, 30)))
        slope = x.T @ (weights * (truth - p)) - ridge * np.r_[0.0, beta[1:]]
        curve = (x * (weights * p * (1 - p))[:, None]).T @ x + ridge * np.eye(len(beta))
        beta = beta + (step := np.linalg.solve(curve, slope))
        if np.abs(step).max() < 1e-7:
            break
    return [round(float(v), 4) for v in beta]


def last(lessons: Iterator[Any]) -> dict[str, Any]:
    """The calibrated last judgement with and without the learned eye, and how diameters are set straight and scatter."""
    from scipy.stats import theilslopes

    from toeline.spatter.particles import clues, look_closely

    told: dict[bool, list[tuple[Array, Array, float]]] = {True: [], False: []}
    sizes: list[Array] = []
    for lesson in lessons:
        sheet, levels, places = places_of(lesson)
        droplets, careless = on_sheet(lesson.droplets, sheet), on_sheet(lesson.careless, sheet)
        places, close = look_closely(levels, places)
        label, which = told_of(places.x_px, places.y_px, places.diameter_px, droplets, careless)
        label[places.diameter_px < 0.85 * sheet.smallest_px] = -1
        sure = label >= 0
        for with_eye in (True, False):
            if with_eye and lesson.eye is None:
                continue
            row = clues(places, close, plate_of=sheet.plate_of, eye=sheet.eye_at(places) if with_eye else None)
            told[with_eye].append((row[sure], label[sure].astype(float), min(lesson.weight, 2.0)))
        mine = (label == 1) & (close > 0)
        if mine.any():
            sizes.append(np.log(np.column_stack([places.diameter_px[mine], droplets[which[mine], 2]])))
    read, true = np.concatenate(sizes).T
    slope, start, *_ = theilslopes(true, read)
    wrong = np.abs(true - start - slope * read)
    edge = float(np.median(read))
    narrow, broad = (float(np.quantile(wrong[part], 0.6827)) for part in (read < edge, read >= edge))
    shrinking = max(0.0, narrow**2 - broad**2)
    at = [float(np.exp(read[part].mean())) for part in (read < edge, read >= edge)]
    blur = np.sqrt(shrinking / max(at[0] ** -2 - at[1] ** -2, 1e-9))
    floor = np.sqrt(max(broad**2 - (blur / at[1]) ** 2, 1e-4))
    return {
        **{
            key: _logistic(
                np.concatenate([c for c, _, _ in rows]),
                np.concatenate([t for _, t, _ in rows]),
                np.concatenate([np.full(len(t), w) for _, t, w in rows]),
            )
            for key, rows in (("last", told[False]), ("last_with_eye", told[True]))
        },
        "size": [round(float(start), 4), round(float(slope), 4)],
        "log_diameter_u": [round(float(floor), 4), round(float(blur), 4)],
    }


def main(given: Sequence[str] | None = None) -> None:
    """Gather, train or weigh."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("gather", "train", "last"))
    parser.add_argument("files", type=Path, nargs="*")
    parser.add_argument("--photos", type=Path, help="folder of the marked photos")
    parser.add_argument("--coupons", type=Path, action="append", help="folder of coupon photos with truth beside them")
    parser.add_argument("--pictures", type=Path, help="folder of rendered training pictures")
    parser.add_argument("--plates", type=int, default=300, help="how many made-up plates")
    parser.add_argument("--minutes", type=float, default=10.0)
    asked = parser.parse_args(given)
    if asked.what == "gather":
        np.savez(asked.files[0], **gather(lessons_from(asked, first_plate=0, n_plates=asked.plates)))  # type: ignore[arg-type]
    elif asked.what == "train":
        parts = [dict(np.load(path)) for path in asked.files[:-1]]
        train({key: np.concatenate([p[key] for p in parts]) for key in parts[0]}, asked.files[-1], minutes=asked.minutes)
    else:
        numbers = last(lessons_from(asked, first_plate=100_000, n_plates=asked.plates))
        kept = json.loads(RINGS.read_text(encoding="utf-8")) | numbers
        RINGS.write_text(json.dumps(kept, separators=(",", ":")), encoding="utf-8")
        print(json.dumps(numbers))


if __name__ == "__main__":
    main()
