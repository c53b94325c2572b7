"""Train the network that reads surface signs from beads laid straight.

    python -m training.signs --rendered FOLDER --out FOLDER [--minutes 7] [--close-ups FOLDER]

The folder holds training pictures of `sample_images.scene` with their masks; `straight.py` lays their beads straight. Most figures are
figures on rendered beads. Close-ups of real beads with boxes about their pores (one line a box: class, middle, size; class 0 a pore)
may teach pores besides; two of three are learnt from.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn
from torch.nn import functional as F

from training.bank import spoil
from training.network import Eye, write_onnx
from training.straight import N_BESIDE, N_FACE, SIGNS, WHOLE, Strip, keep_held, lay_all, lay_close_up, parted

WIDTHS = (16, 32, 56, 96, 112)
COLUMNS = 256
SWELL = 70
"""Columns to either side over which a width is the usual one."""
DRAWN = {
    "pores": 0.08, "undercut": 0.14, "overlap": 0.16, "crater unfilled": 0.1, "cold start": 0.07, "melt-through": 0.06,
    "wire left": 0.11, "arc strike": 0.09, "tack": 0.07, "restart": 0.06,
}  # fmt: skip
"""How often a crop is drawn for a sign's sake; the rest are crops of close-ups where there are any."""
WANTED = 0.6
"""How often a crop drawn for a sign's sake shows it."""
SHARE_OF_WHOLE = 0.3
"""How much a look of the whole bead counts against a sign that lies at a place."""
LEAST_SHOWN = 20


class Signs(nn.Module):
    """The U-shaped net on colours, on brightness and width against their surroundings, and on the row; scores for each point."""

    def __init__(self) -> None:
        super().__init__()
        self.eye = Eye(WIDTHS, len(SIGNS))
        self.eye.stem[0] = nn.Conv2d(9, WIDTHS[0], 4, stride=2, padding=1, bias=False)
        with torch.no_grad():
            assert self.eye.head.bias is not None
            self.eye.head.bias.fill_(-3.0)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """Scores, shape (batch, signs, rows, columns), from RGB and width in 0..1."""
        grey = torch.log((x[:, 0:1] + x[:, 1:2] + x[:, 2:3]) / 3 + 0.03)
        near = F.avg_pool2d(F.avg_pool2d(grey, (9, 1), 1, (4, 0)), (1, 21), 1, (0, 10))
        colour = (x[:, 0:1] - x[:, 2:3]) * 2 + 0.5
        width = x[:, 3:4, :1]
        usual = _about(width) / _about(width * 0 + 1)
        swell = 2.5 * (torch.log(width + 0.02) - torch.log(usual + 0.02)) + 0.5 + grey * 0
        place = grey * 0 + torch.linspace(0, 1, x.shape[2], device=x.device).reshape(1, 1, -1, 1)
        out: torch.Tensor = self.eye(torch.cat([x, grey - near + 0.5, grey / 2 + 1.25, colour, swell, place], 1))
        return out


def _about(values: torch.Tensor) -> torch.Tensor:
    """Mean over the columns around each; what lies beyond the picture counts as nothing."""
    return F.avg_pool2d(values, (1, 2 * SWELL + 1), 1, (0, SWELL))


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

    def __init__(self, strips: list[Strip], close_ups: list[Strip], device: str) -> None:
        every = [*strips, *close_ups]
        wide = max(COLUMNS, *(s.rgbw.shape[1] for s in every))
        rows = every[0].rgbw.shape[0]
        self.rgbw = torch.zeros((len(every), rows, wide, 4), dtype=torch.uint8, device=device)
        self.told = torch.zeros((len(every), rows, wide, 2), dtype=torch.int16, device=device)
        for i, s in enumerate(every):
            n = s.rgbw.shape[1]
            self.rgbw[i, :, :n] = torch.from_numpy(s.rgbw).to(device)
            self.told[i, :, :n] = torch.from_numpy(np.dstack([s.shown, s.known]).view(np.int16)).to(device)
        self.spare = np.array([max(0, s.rgbw.shape[1] - COLUMNS) for s in every])
        self.region = torch.from_numpy(_regions()).to(device)
        self.device, self.n_rendered = device, len(strips)
        shows = [[np.flatnonzero((s.shown >> SIGNS.index(sign) & 1).any(axis=0)) for sign in DRAWN] for s in strips]
        counts = [[np.count_nonzero(s.shown >> SIGNS.index(sign) & 1) for sign in DRAWN] for s in strips]
        self.having = [[(i, shows[i][k]) for i in range(len(strips)) if counts[i][k] >= LEAST_SHOWN] for k in range(len(DRAWN))]
        pores = [(len(strips) + i, np.flatnonzero((s.shown & 1).any(axis=0))) for i, s in enumerate(close_ups)]
        self.having.append([(i, columns) for i, columns in pores if len(columns)])
        share = np.array([*DRAWN.values(), 1 - sum(DRAWN.values()) if close_ups else 0.0])
        self.share = share / share.sum()

    def _places(self, rng: np.random.Generator, n: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Which strip each crop is cut from, and its first column."""
        which, first = np.empty(n, np.int64), np.empty(n, np.int64)
        for j, k in enumerate(rng.choice(len(self.share), size=n, p=self.share)):
            low, high = (0, self.n_rendered) if k < len(DRAWN) else (self.n_rendered, len(self.spare))
            if rng.random() < WANTED and self.having[k]:
                which[j], columns = self.having[k][int(rng.integers(len(self.having[k])))]
                start = int(columns[int(rng.integers(len(columns)))] - rng.integers(COLUMNS))
            else:
                which[j] = int(rng.integers(low, high))
                start = int(rng.integers(self.spare[which[j]] + 1))
            first[j] = min(max(start, 0), self.spare[which[j]])
        return which, first

    def batch(self, rng: np.random.Generator, n: int) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        """n crops flipped at random, two of three spoilt: input, what shows, what is known; the last two (n, signs, rows, columns)."""
        which, first = self._places(rng, n)
        rows = np.tile(np.arange(self.rgbw.shape[1]), (n, 1))
        columns = first[:, None] + np.arange(COLUMNS)
        seen = np.ones(rows.shape, bool)
        close = rng.random(n) < 0.12  # cropped close to the toes
        seen[close] = (rows[close] >= N_BESIDE - rng.integers(8, size=(n, 1))[close]) & (
            rows[close] < N_BESIDE + N_FACE + rng.integers(8, size=(n, 1))[close]
        )
        for index in (rows, columns):
            turned = rng.random(n) < 0.5
            index[turned] = index[turned, ::-1]
        seen = np.take_along_axis(seen, rows, axis=1)
        at = (
            torch.from_numpy(which).to(self.device)[:, None, None],
            torch.from_numpy(rows).to(self.device)[:, :, None],
            torch.from_numpy(columns).to(self.device)[:, None],
        )
        keep = torch.from_numpy(seen).to(self.device)[:, None, :, None]
        x = self.rgbw[at].permute(0, 3, 1, 2).float() / 255
        told = self.told[at].int()
        visible = (x[:, :3].sum(1, keepdim=True) > 0) * keep
        m = 2 * n // 3
        mixed = torch.from_numpy(rng.permutation(n)).to(self.device)
        x, told, visible, keep = x[mixed], told[mixed], visible[mixed], keep[mixed]
        rgb = torch.cat([spoil(x[:m, :3], rng), x[m:, :3]])
        known = _bits(told[..., 1]) * self.region[None, :, :, None] * keep
        return torch.cat([rgb * visible, x[:, 3:]], 1), _bits(told[..., 0]), known


def _bits(layer: torch.Tensor) -> torch.Tensor:
    return torch.stack([(layer >> k) & 1 for k in range(len(SIGNS))], 1).float()


def _loss(scores: torch.Tensor, there: torch.Tensor, told: torch.Tensor) -> torch.Tensor:
    """Cross entropy where a sign is looked for and known, over that of one who knows only how often it shows, and overlap over the batch;
    looks of the whole bead count less."""
    count = torch.tensor([SHARE_OF_WHOLE if sign in WHOLE else 1.0 for sign in SIGNS], device=scores.device)
    n_told = told.sum((0, 2, 3)).clamp(min=1)
    points = (F.binary_cross_entropy_with_logits(scores, there, reduction="none") * told).sum((0, 2, 3)) / n_told
    share = ((there * told).sum((0, 2, 3)) / n_told).clamp(0.004, 0.5)
    guessing = -(share * share.log() + (1 - share) * (1 - share).log())
    guess = torch.sigmoid(scores) * told
    both = (guess * there).sum((0, 2, 3))
    apart = 1 - (2 * both + 50) / (guess.sum((0, 2, 3)) + (there * told).sum((0, 2, 3)) + 50)
    return (count * (points / guessing + 0.3 * apart)).sum()


def train(lessons: Lessons, *, minutes: float, seed: int, device: str, n: int) -> tuple[Signs, int]:
    """Learn for a time; weights averaged exponentially."""
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    torch.backends.cudnn.benchmark = True
    net = Signs().to(device, memory_format=torch.channels_last)
    average = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998), use_buffers=True
    )
    optimiser = torch.optim.AdamW(net.parameters(), lr=1e-3, weight_decay=0.05, fused=device == "cuda")
    start, done, step = time.monotonic(), 0.0, 0
    while done < 1:
        rate = 3e-3 * min(1.0, done / 0.06 + 0.02) * 0.5 * (1 + np.cos(np.pi * done))
        for group in optimiser.param_groups:
            group["lr"] = rate
        x, there, told = lessons.batch(rng, n)
        with torch.autocast("cuda", torch.bfloat16, enabled=device == "cuda"):
            scores = net(x.contiguous(memory_format=torch.channels_last))
        loss = _loss(scores.float(), there, told)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimiser.step()
        average.update_parameters(net)
        if step % 200 == 0:
            print(f"{done:.2f} step {step} loss {loss.item():.3f}", flush=True)
        step += 1
        done = (time.monotonic() - start) / (60 * minutes)
    return average.module, step


def ranked(score: list[float], right: list[bool]) -> float:
    """Share of pairs, one with and one without, that the score puts in order; 0.5 is guessing."""
    s, y = np.array(score), np.array(right, bool)
    if y.all() or not y.any():
        return float("nan")
    without = np.sort(s[~y])
    below, not_above = (np.searchsorted(without, s[y], side=side) for side in ("left", "right"))
    return float((below + not_above).mean() / (2 * len(without)))


def _average_precision(score: torch.Tensor, true: torch.Tensor) -> float:
    hit = true[score.argsort(descending=True)].double()
    precision = hit.cumsum(0) / torch.arange(1, len(hit) + 1)
    return float((precision * hit).sum() / hit.sum().clamp(min=1))


@torch.no_grad()
def figures(net: Signs, strips: list[Strip], device: str) -> dict[str, dict[str, float]]:
    """On strips not learnt from: average precision over points where each sign is known, and how beads are put in order by their
    strongest place (of a look, by their mean)."""
    net.eval()
    score: list[list[torch.Tensor]] = [[] for _ in SIGNS]
    truth: list[list[torch.Tensor]] = [[] for _ in SIGNS]
    strongest: list[list[float]] = [[] for _ in SIGNS]
    has: list[list[bool]] = [[] for _ in SIGNS]
    region = torch.from_numpy(_regions())[:, :, None]
    for s in strips:
        x = torch.from_numpy(np.ascontiguousarray(s.rgbw)).to(device).permute(2, 0, 1)[None].float() / 255
        x = F.pad(x, (0, -x.shape[3] % 32))
        p = torch.sigmoid(net(x))[0, :, :, : s.rgbw.shape[1]].cpu()
        for k, sign in enumerate(SIGNS):
            know = torch.from_numpy((s.known >> k) & 1 > 0) & region[k]
            if not know.any():
                continue
            shown = torch.from_numpy(((s.shown >> k) & 1).astype(np.int32)) * know
            score[k].append(p[k][know][::7])
            truth[k].append(shown[know][::7])
            smooth = F.avg_pool2d((p[k] * know)[None, None], (3, 9), 1, (1, 4))
            strongest[k].append(float(p[k][know].mean() if sign in WHOLE else smooth.max()))
            has[k].append(int(shown.sum()) >= LEAST_SHOWN)
    out = {}
    for k, name in enumerate(SIGNS):
        if score[k]:
            p, t = torch.cat(score[k]), torch.cat(truth[k])
            out[name] = {
                "average_precision": _average_precision(p, t),
                "share": float(t.double().mean()),
                "mean_probability": float(p.mean()),
                "beads_in_order": ranked(strongest[k], has[k]),
                "beads_with": sum(has[k]),
                "beads": len(has[k]),
            }
    return out


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--rendered", type=Path, required=True)
    ask.add_argument("--out", type=Path, required=True)
    ask.add_argument("--minutes", type=float, default=7)
    ask.add_argument("--seed", type=int, default=7)
    ask.add_argument("--workers", type=int, default=12)
    ask.add_argument("--takes", type=int, default=2, help="how often each bead is laid straight")
    ask.add_argument("--crops", type=int, default=64, help="crops at once")
    ask.add_argument("--close-ups", type=Path, help="real close-ups, with a folder boxes/ in it")
    told = ask.parse_args()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    start = time.monotonic()
    learn, held = parted(lay_all(told.rendered, takes=told.takes, workers=told.workers))
    paths = sorted(told.close_ups.glob("*.jpg")) if told.close_ups else []
    real_held = [s for path in paths[::3] if (s := lay_close_up(path))]
    real_learn = [s for i, path in enumerate(paths) if i % 3 for take in range(4) if (s := lay_close_up(path, take))]
    lessons = Lessons(learn, real_learn, device)
    print(
        f"{len(learn)} beads to learn from, {len(held)} held, {len(real_learn)} close-ups, {time.monotonic() - start:.0f} s",
        flush=True,
    )
    print({sign: len(h) for sign, h in zip((*DRAWN, "close-ups"), lessons.having, strict=True)}, flush=True)
    net, steps = train(lessons, minutes=told.minutes, seed=told.seed, device=device, n=told.crops)
    told.out.mkdir(parents=True, exist_ok=True)
    keep_held(held, told.out / "held")
    found = figures(net.to(device), held, device)
    on_real = figures(net, real_held, device).get("pores") if real_held else None
    example = torch.rand(1, 4, 2 * N_BESIDE + N_FACE, COLUMNS)
    write_onnx(
        nn.Sequential(net, nn.Sigmoid()),
        example,
        told.out / "signs.onnx",
        taken=("rgbw", {3: "w"}),
        told=("probability", {3: "w"}),
    )
    record = {
        "signs": SIGNS,
        "widths": WIDTHS,
        "n_learnt": len(learn),
        "n_held": len(held),
        "seed": told.seed,
        "minutes": told.minutes,
        "steps": steps,
        "crops": told.crops,
        "torch": torch.__version__,
        "device": torch.cuda.get_device_name() if device == "cuda" else "cpu",
        "held": found,
        "close_ups": {"n_learnt": len(paths) - len(real_held), "n_held": len(real_held), "pores": on_real},
    }
    (told.out / "signs.json").write_text(json.dumps(record, indent=1))
    for sign, row in found.items():
        print(f"{sign:18}", {key: round(value, 3) for key, value in row.items()}, flush=True)
    print("pores on close-ups", on_real, flush=True)


if __name__ == "__main__":
    main()
