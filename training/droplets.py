"""Train the network that finds droplets on a picture of plate: one look, everywhere at once.

    python -m training.droplets --grounds FILE --out FOLDER [--minutes 15] [--name droplets]

For every second pixel of a picture of plate laid flat at about 12.5 px per mm it says whether a droplet's middle is there, how wide the
droplet is and how sure that is, how far off its middle lies (a heat map with sizes and offsets, after Zhou, Wang and Krähenbühl 2019), and
whether drops of water lie about.
Needs PyTorch, OpenCV and numpy; what it learns from `training/grounds.py` gathers.
"""

from __future__ import annotations

import argparse
import json
import pickle
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn
from torch.nn import functional as F
from torch.utils.data import DataLoader, IterableDataset

from training.grounds import DROPLETS_KNOWN, NARROWEST_PX, WATER_KNOWN, WET, Ground
from training.network import write_onnx

Array = NDArray[np.float64]

STEP = 2
"""Pixels to one cell of the map."""
SIDE = 256
N_MOST = 96
"""Most droplets taught in one square; squares with more are cut elsewhere."""
N_STREWN = 40
"""Most droplets and empty places of one square that are laid on another."""
SHARES = (0.15, 0.45, 0.40)
"""Of squares from made-up plates, marked photos and rendered pictures."""
CLOSER_SHARE, CLOSEST_RATIO = 0.25, 3.0
"""Of squares that are cut more finely than usual, so that large droplets are seen often enough, and how much more at most."""
STREWN_SHARE = 0.3
"""Of squares on which another's droplets are laid."""
UNMARKED_PX = 5.5
"""Narrower droplets of marked photos may be unmarked [px of the photo]."""
AROUND_PX = 33
"""Side of the surroundings that brightness and contrast are told against [px]."""
WIDEST_SIGMA = 3.0
WATER_WEIGHT, WET_WEIGHT = 0.5, 4.0
"""How much telling water counts beside droplets, and a wet place beside a dry one."""


class Block(nn.Module):
    """Two 3 × 3 convolutions with a short cut."""

    def __init__(self, n: int) -> None:
        super().__init__()
        self.inner = nn.Sequential(
            nn.Conv2d(n, n, 3, padding=1, bias=False),
            nn.BatchNorm2d(n),
            nn.ReLU(),
            nn.Conv2d(n, n, 3, padding=1, bias=False),
            nn.BatchNorm2d(n),
        )

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        return torch.relu(x + self.inner(x))


class Finder(nn.Module):
    """A U-shaped network from half to a sixteenth of the resolution.

    Input: five channels from `shown`, height and width multiples of 16. Output, at half the height and width: log odds of a droplet's
    middle, log diameter [px], log of its spread, offset of the middle in x and y [cells], log odds of drops of water hereabouts.
    """

    def __init__(self, widths: Sequence[int], n_blocks: Sequence[int]) -> None:
        super().__init__()
        self.stem = nn.Sequential(nn.Conv2d(5, widths[0], 4, 2, 1, bias=False), nn.BatchNorm2d(widths[0]), nn.ReLU())
        self.steps = nn.ModuleList(
            nn.Sequential(nn.Conv2d(a, b, 3, 2, 1, bias=False), nn.BatchNorm2d(b), nn.ReLU())
            for a, b in zip(widths[:-1], widths[1:], strict=True)
        )
        self.down = nn.ModuleList(nn.Sequential(*(Block(w) for _ in range(n))) for w, n in zip(widths, n_blocks, strict=True))
        self.join = nn.ModuleList(nn.Conv2d(b, a, 1) for a, b in zip(widths[:-1], widths[1:], strict=True))
        self.up = nn.ModuleList(Block(w) for w in widths[:-1])
        self.head = nn.Conv2d(widths[0], 6, 3, padding=1)
        nn.init.zeros_(self.head.bias)
        with torch.no_grad():
            self.head.bias[:2] = torch.tensor([-4.0, 1.8])
            self.head.bias[5] = -2.0

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        x = self.stem(x)
        kept = []
        for number, block in enumerate(self.down):
            x = block(x if number == 0 else self.steps[number - 1](x))
            kept.append(x)
        for number in reversed(range(len(self.up))):
            x = F.interpolate(self.join[number](x), scale_factor=2.0, mode="nearest")
            x = self.up[number](x + kept[number])
        told: torch.Tensor = self.head(x)
        return told


def around_mean(x: torch.Tensor) -> torch.Tensor:
    """Mean over the surroundings, shape as given (n, c, h, w)."""
    half = AROUND_PX // 2
    padded = F.pad(x, (half,) * 4, mode="reflect")
    return F.avg_pool2d(F.avg_pool2d(padded, (1, AROUND_PX), 1), (AROUND_PX, 1), 1)


def shown(rgb: torch.Tensor) -> torch.Tensor:
    """What the network is shown of pictures in 0..1, shape (n, 3, h, w): colour against the surroundings, contrast, brightness around."""
    grey = (rgb * torch.tensor([0.3, 0.5, 0.2], device=rgb.device)[None, :, None, None]).sum(1, keepdim=True)
    around = around_mean(torch.cat([grey, grey * grey], 1))
    mean = around[:, :1]
    spread = (around[:, 1:] - mean * mean).clamp(min=0).sqrt()
    return torch.cat([3 * (rgb - mean), ((grey - mean) / (spread + 0.015)).clamp(-4, 4) / 2, 2 * mean - 1], 1)


class Squares(IterableDataset[tuple[torch.Tensor, ...]]):
    """Squares to cut: which ground, the way from the square to the plate, and the droplets in it; the pixels are cut on the device."""

    def __init__(self, grounds: list[Ground], seed: int, shares: Sequence[float] = SHARES) -> None:
        self.shares = shares
        self.kinds = [[k for k, g in enumerate(grounds) if test(g.name)] for test in (_is_plate, _is_photo, _is_rendered)]
        self.plans = [(g.droplets, [m.astype(np.float64) for m in g.middles], g.px_per_unit) for g in grounds]
        self.seed = seed

    def __iter__(self) -> Iterator[tuple[torch.Tensor, ...]]:
        worker = torch.utils.data.get_worker_info()
        rng = np.random.default_rng([self.seed, 0 if worker is None else worker.id])
        share = np.array(self.shares) * [len(kind) > 0 for kind in self.kinds]
        while True:
            kind = self.kinds[rng.choice(3, p=share / share.sum())]
            which = kind[int(rng.integers(len(kind)))]
            cut = self._cut(rng, which)
            if cut is not None:
                yield cut

    def _cut(self, rng: np.random.Generator, which: int) -> tuple[torch.Tensor, ...] | None:
        droplets, middles, (low, high) = self.plans[which]
        wanted = rng.choice(3, p=(0.45, 0.25, 0.3))
        places = middles[wanted] if len(middles[wanted]) else middles[2]
        closer = rng.uniform(0, np.log(CLOSEST_RATIO)) if rng.random() < CLOSER_SHARE else 0.0
        scale = float(np.exp(rng.uniform(np.log(low), np.log(high)) + closer))
        middle = places[int(rng.integers(len(places)))] + rng.uniform(-0.4, 0.4, 2) * SIDE / scale
        turn = rng.choice(4) * np.pi / 2 + rng.normal(0, 0.2)
        c, s = np.cos(turn), np.sin(turn)
        way = np.array([[c, -s], [s, c]]) @ np.diag([1.0, rng.choice([-1.0, 1.0])]) / scale  # square [px] to plate
        half = (SIDE - 1) / 2
        affine = np.eye(3)
        affine[:2, :2], affine[:2, 2] = way, middle - way @ [half, half]
        rows = np.zeros((N_MOST, 4), dtype=np.float32)
        if len(droplets):
            at = (droplets[:, :2] - middle) @ np.linalg.inv(way).T + half
            size = droplets[:, 2] * scale
            near = np.flatnonzero((np.abs(at - half) < half + 0.6 * size[:, None] + 2).all(axis=1))
            if len(near) > N_MOST:
                return None
            taught = (droplets[near, 3] > 0) & (size[near] >= NARROWEST_PX)
            rows[: len(near)] = np.column_stack([at[near], size[near], np.where(taught, 1.0, -1.0)])
        return torch.tensor(which), torch.from_numpy(affine), torch.from_numpy(rows)


def _is_plate(name: str) -> bool:
    return name.startswith("plate-")


def _is_photo(name: str) -> bool:
    return name.startswith("seam")


def _is_rendered(name: str) -> bool:
    return not _is_plate(name) and not _is_photo(name)


class Shelf:
    """All pictures in one long row of bytes on the device, from which squares are read."""

    def __init__(self, grounds: list[Ground], device: str) -> None:
        self.device = device
        start, where, parts = 0, {}, []
        table = []
        for ground in grounds:
            if id(ground.rgb) not in where:
                where[id(ground.rgb)] = start
                parts.append(np.concatenate([ground.rgb, ground.known[..., None]], axis=2).reshape(-1, 4))
                start += len(parts[-1])
            table.append((where[id(ground.rgb)], *ground.rgb.shape[:2]))
        self.bytes = torch.from_numpy(np.concatenate(parts)).to(device)
        self.table = torch.tensor(table, device=device)
        self.pose = torch.from_numpy(np.stack([g.pose for g in grounds])).to(device)
        self.lens = torch.from_numpy(np.stack([g.lens for g in grounds])).to(device)
        self.one_sided = torch.tensor([g.one_sided for g in grounds], device=device)
        self.is_photo = torch.tensor([_is_photo(g.name) for g in grounds], device=device)

    def read(
        self, which: torch.Tensor, affine: torch.Tensor, height: int, width: int
    ) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        """Squares in 0..1, shape (n, 3, h, w), where droplets are known, and water as 1, none as 0 and not known as −1, shape (n, h, w)."""
        y, x = torch.meshgrid(
            torch.arange(height, device=self.device, dtype=torch.float64),
            torch.arange(width, device=self.device, dtype=torch.float64),
            indexing="ij",
        )
        flat = torch.stack([x.reshape(-1), y.reshape(-1), torch.ones(height * width, device=self.device, dtype=torch.float64)])
        across = (affine @ flat)[:, 1]
        ray = (self.pose[which] @ affine) @ flat
        u, v = ray[:, 0] / ray[:, 2], ray[:, 1] / ray[:, 2]
        focal, cx, cy, k1, k2, p1, p2 = (value[:, None] for value in self.lens[which].T)
        r2 = u * u + v * v
        radial = 1 + r2 * (k1 + r2 * k2)
        px = (focal * (u * radial + 2 * p1 * u * v + p2 * (r2 + 2 * u * u)) + cx).float()
        py = (focal * (v * radial + p1 * (r2 + 2 * v * v) + 2 * p2 * u * v) + cy).float()
        start, h, w = (value[:, None] for value in self.table[which].T)
        inside = (px >= 0) & (py >= 0) & (px <= w - 1) & (py <= h - 1)
        px, py = torch.minimum(px.clamp(min=0), w - 1.001), torch.minimum(py.clamp(min=0), h - 1.001)
        x0, y0 = px.long(), py.long()
        fx, fy = (px - x0)[..., None], (py - y0)[..., None]
        at = start + y0 * w + x0
        corner = [self.bytes[at + dx + dy * w].float() for dy in (0, 1) for dx in (0, 1)]
        value = (corner[0] * (1 - fx) + corner[1] * fx) * (1 - fy) + (corner[2] * (1 - fx) + corner[3] * fx) * fy
        state = corner[0][..., 3].long()
        inside &= ~(self.one_sided[which][:, None] & (across < 0))
        known = inside & (state & DROPLETS_KNOWN > 0)
        water = torch.where(inside & (state & WATER_KNOWN > 0), (state & WET > 0).float(), torch.full_like(px, -1.0))
        rgb = value[..., :3].permute(0, 2, 1).reshape(len(which), 3, height, width) / 255
        return rgb, known.reshape(len(which), height, width), water.reshape(len(which), height, width)


def strewn_over(
    rgb: torch.Tensor, known: torch.Tensor, water: torch.Tensor, rows: torch.Tensor, share: float
) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor, torch.Tensor]:
    """Lay droplets of squares on other squares of the batch: real ones on rendered plate, and the other way about.

    Round pieces with a soft edge, as bright against their surroundings as they were; pieces without a droplet are laid too, so that
    the edge of a piece says nothing. What they cover is neither taught nor punished.

    Returns
    -------
    rgb, known, water, rows : tensor
        Shapes (n, 3, h, w), (n, h, w), (n, h, w), (n, N_MOST + N_STREWN, 4).
    """
    n, _, height, width = rgb.shape
    device = rgb.device
    number = torch.arange(n, device=device)
    giver = torch.where(torch.rand(n, device=device) < share, torch.randperm(n, device=device), number)
    theirs = rows[giver]
    n_empty = N_STREWN // 3
    first = torch.argsort((theirs[..., 3] <= 0).float() + 0.5 * torch.rand(theirs.shape[:2], device=device), dim=1)
    given = theirs.gather(1, first[:, : N_STREWN - n_empty, None].expand(-1, -1, 4)).clone()
    place = torch.rand(n, n_empty, 2, device=device) * torch.tensor([width, height], device=device)
    wide = 3.5 * torch.exp(1.5 * torch.rand(n, n_empty, 1, device=device))
    empty = torch.cat([place, wide, torch.zeros_like(wide)], 2)
    gap = (empty[:, :, None, :2] - theirs[:, None, :, :2]).norm(dim=3) - 0.9 * theirs[:, None, :, 2] - 0.7 * wide - 4
    clear = ((gap > 0) | (theirs[:, None, :, 2] <= 0)).all(2)
    taught = (given[..., 3] > 0) & (giver != number)[:, None]
    use = torch.cat([taught, clear & (giver != number)[:, None]], 1)
    pieces = torch.cat([given, empty], 1)
    reach = torch.where(use, 0.65 * pieces[..., 2] + 2.0, torch.full_like(pieces[..., 2], -1e3))
    line_x, line_y = torch.arange(0.5, width, 2, device=device), torch.arange(0.5, height, 2, device=device)
    dx = line_x - pieces[..., 0, None]
    dy = line_y - pieces[..., 1, None]
    away = torch.hypot(dx[:, :, None, :], dy[..., None])
    cover = ((reach[..., None, None] - away) / (0.2 * pieces[..., 2, None, None] + 1.5)).amax(1)
    cover = F.interpolate(cover.clamp(0, 1)[:, None], size=(height, width), mode="bilinear")
    light = (around_mean(rgb) + 0.02) / (around_mean(rgb[giver]) + 0.02)
    laid = (rgb[giver] * light.clamp(0.3, 3.0)).clamp(0, 1)
    at_x, at_y = rows[..., 0].round().long().clamp(0, width - 1), rows[..., 1].round().long().clamp(0, height - 1)
    hidden = cover[number[:, None], 0, at_y, at_x] > 0.15
    mine = rows.clone()
    mine[..., 3] = torch.where(hidden & (rows[..., 2] > 0), torch.full_like(rows[..., 3], -1.0), rows[..., 3])
    new = torch.where(taught[..., None], given, torch.zeros_like(given))
    nothing = torch.zeros(n, n_empty, 4, device=device)
    known = known & (known[giver] | (cover[:, 0] == 0))
    water = torch.where((cover[:, 0] > 0) & (water != water[giver]), torch.full_like(water, -1.0), water)
    return rgb + cover * (laid - rgb), known, water, torch.cat([mine, new, nothing], 1)


def varied(rgb: torch.Tensor) -> torch.Tensor:
    """Other light, another camera: gain, gamma, tint, blur or sharpening, noise."""
    n, device = len(rgb), rgb.device

    def draw(spread: float, channels: int = 1) -> torch.Tensor:
        return spread * torch.randn(n, channels, 1, 1, device=device)

    kernel = torch.tensor([0.25, 0.5, 0.25], device=device)
    soft = F.conv2d(F.pad(rgb, (1, 1, 1, 1), mode="replicate"), torch.outer(kernel, kernel).expand(3, 1, 3, 3), groups=3)
    much = torch.rand(n, 1, 1, 1, device=device)
    share = torch.where(much < 0.3, 1.0 * torch.rand_like(much), torch.where(much > 0.8, -0.6 * torch.rand_like(much), 0.0))
    rgb = (rgb + share * (soft - rgb)).clamp(0, 1)
    rgb = rgb.clamp(min=1e-4) ** torch.exp(draw(0.18))
    grey = rgb.mean(1, keepdim=True)
    colourful = (1 + draw(0.25)) * (torch.rand(n, 1, 1, 1, device=device) > 0.04)
    rgb = (grey + colourful * (rgb - grey)) * torch.exp(draw(0.18) + draw(0.05, 3))
    noise = torch.randn_like(rgb) * torch.randn(n, 1, 1, 1, device=device).abs() * 0.012
    return (rgb + noise).clamp(0, 1)


def targets(rows: torch.Tensor, side: int) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor, torch.Tensor]:
    """Heat (n, s, s), fit targets (n, 3, s, s), their weight (n, s, s) and where nothing is asked (n, s, s), from droplets (n, k, 4)."""
    n_cells = side // STEP
    line = torch.arange(n_cells, device=rows.device, dtype=torch.float32)
    x, y = (rows[..., 0] + 0.5) / STEP - 0.5, (rows[..., 1] + 0.5) / STEP - 0.5
    size = rows[..., 2] / STEP
    taught = rows[..., 3] > 0
    sigma = (0.17 * size).clamp(0.7, WIDEST_SIGMA)
    dx, dy = line[None, None] - x[..., None], line[None, None] - y[..., None]
    gap2 = dx[:, :, None] ** 2 + dy[:, :, :, None] ** 2
    each = torch.exp(-gap2 / (2 * sigma[..., None, None] ** 2)) * taught[..., None, None]
    heat, own = each.max(1)
    at_x, at_y = x.round().long(), y.round().long()
    inside = taught & (at_x >= 0) & (at_y >= 0) & (at_x < n_cells) & (at_y < n_cells)
    batch = torch.arange(len(rows), device=rows.device)[:, None].expand_as(at_x)
    heat[batch[inside], at_y[inside], at_x[inside]] = 1.0
    heat = torch.where(heat < 1.0, heat * 0.98, heat)

    def of_own(value: torch.Tensor) -> torch.Tensor:
        return value.gather(1, own.flatten(1)).view_as(heat)

    fit = torch.stack(
        [
            of_own(rows[..., 2].clamp(min=1.0).log()),
            of_own(x) - line[None, None, :],
            of_own(y) - line[None, :, None],
        ],
        1,
    )
    excused = (rows[..., 3] < 0) & (rows[..., 2] > 0)
    reach = (0.7 * size).clamp(min=1.5)
    free = ((gap2 < reach[..., None, None] ** 2) & excused[..., None, None]).any(1) & (heat < 0.3)
    return heat, fit, heat * (heat > 0.35), free


def loss_of(
    told: torch.Tensor, rows: torch.Tensor, known: torch.Tensor, water: torch.Tensor, unmarked_px: torch.Tensor
) -> torch.Tensor:
    """Penalty-reduced focal loss of the middles, Laplace likelihood of log diameters, absolute offsets, cross entropy of water."""
    heat, fit, weight, free = targets(rows, told.shape[2] * STEP)
    ask = F.avg_pool2d(known[:, None].float(), STEP)[:, 0] > 0.9
    small = told[:, 1].detach().exp() < unmarked_px[:, None, None]  # marks leave out small droplets: their finding is no fault
    ask = ask & ~free & ~(small & (heat < 0.3) & (told[:, 0].detach() > -1.0))
    log_yes, log_no = F.logsigmoid(told[:, 0]), F.logsigmoid(-told[:, 0])
    p = told[:, 0].sigmoid()
    yes = heat == 1.0
    n_yes = (yes & ask).sum().clamp(min=1)
    middle = -(yes * (1 - p) ** 2 * log_yes + ~yes * (1 - heat) ** 4 * p**2 * log_no)
    weight = weight * ask
    total = weight.sum().clamp(min=1)
    spread = told[:, 2].clamp(-4, 1)
    wide = ((told[:, 1] - fit[:, 0]).abs() * torch.exp(-spread) + spread) * weight
    off = (told[:, 3:5] - fit[:, 1:]).abs().sum(1) * weight
    sure = (F.max_pool2d(-water[:, None], STEP)[:, 0] < 0.5).float()
    wet = F.avg_pool2d(water[:, None], STEP)[:, 0].clamp(0, 1)
    each = F.binary_cross_entropy_with_logits(
        told[:, 5], wet, weight=sure, pos_weight=told.new_tensor(WET_WEIGHT), reduction="sum"
    )
    seen = each / sure.sum().clamp(min=1)
    return (middle * ask).sum() / n_yes + 0.25 * wide.sum() / total + 0.25 * off.sum() / total + WATER_WEIGHT * seen


def train(
    net: Finder,
    grounds: list[Ground],
    *,
    minutes: float,
    device: str,
    batch: int,
    n_workers: int,
    top_rate: float,
    seed: int,
    shares: Sequence[float] = SHARES,
) -> tuple[nn.Module, int]:
    """Train for a given time on a rising and falling rate; weights are averaged exponentially."""
    torch.manual_seed(seed)
    loader = iter(DataLoader(Squares(grounds, seed, shares), batch, num_workers=n_workers, pin_memory=device == "cuda"))
    shelf = Shelf(grounds, device)
    net = net.to(device, memory_format=torch.channels_last).train()
    average = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998), use_buffers=True
    )
    optimiser = torch.optim.AdamW(net.parameters(), lr=1e-3, weight_decay=0.02)
    start, done, step = time.monotonic(), 0.0, 0
    while done < 1:
        rate = top_rate * min(1.0, done / 0.05 + 0.02) * 0.5 * (1 + np.cos(np.pi * done))
        for group in optimiser.param_groups:
            group["lr"] = rate
        which, affine, rows = (part.to(device, non_blocking=True) for part in next(loader))
        with torch.no_grad():
            rgb, known, water = shelf.read(which, affine, SIDE, SIDE)
            rgb, known, water, rows = strewn_over(rgb, known, water, rows, STREWN_SHARE)
            x = shown(varied(rgb)).contiguous(memory_format=torch.channels_last)
            scale = (affine[:, :2, :2].det().abs() ** -0.5).float()
            unmarked = torch.where(shelf.is_photo[which], UNMARKED_PX * scale, torch.zeros_like(scale))
        with torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
            told = net(x)
        loss = loss_of(told.float(), rows, known, water, unmarked)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 3.0)
        optimiser.step()
        average.update_parameters(net)
        step += 1
        if step % 100 == 0:
            print(f"{done:.2f} step {step} loss {loss.item():.4f}", flush=True)
        done = (time.monotonic() - start) / (60 * minutes)
    return average.module, step


def peaks(told: NDArray[np.float32], least: float) -> Array:
    """Middles on a map (5, h, w): rows of x, y, diameter [px], log odds."""
    odds = told[0]
    top = (odds >= cv2.dilate(odds, np.ones((3, 3), np.uint8))) & (odds > least)
    row, column = np.nonzero(top)
    wide, _, dx, dy = told[1:5, row, column]
    x, y = (column + dx + 0.5) * STEP - 0.5, (row + dy + 0.5) * STEP - 0.5
    return np.column_stack([x, y, np.exp(wide), odds[row, column]]).astype(float)


@torch.no_grad()
def figures(net: nn.Module, grounds: list[Ground], device: str, *, n_most: int = 80) -> dict[str, float]:
    """Recall, precision and errors of diameters on squares of grounds kept apart, at the log odds where F1 is best."""
    if not grounds:
        return {}
    net.eval()
    shelf = Shelf(grounds, device)
    half, found_all, truth_all = 255.5, [], 0
    wide: list[float] = []
    wet = np.zeros(4)  # wet told wet, wet told dry, dry told wet, dry told dry [cells]
    for number, ground in enumerate(grounds[:n_most]):
        scale = float(np.sqrt(np.prod(ground.px_per_unit)) / 1.04)
        middle = np.median(ground.middles[2], axis=0)
        affine = np.eye(3)
        affine[:2, :2] /= scale
        affine[:2, 2] = middle - half / scale
        rgb, known, water = shelf.read(torch.tensor([number], device=device), torch.from_numpy(affine)[None].to(device), 512, 512)
        told = net(shown(rgb))[0].float().cpu().numpy()
        here_water = water[0].cpu().numpy()[::STEP, ::STEP]
        wet += [np.sum((here_water == is_wet) & ((told[5] > 0) == told_wet)) for is_wet in (1, 0) for told_wet in (True, False)]
        sure = cv2.erode(known[0].cpu().numpy().astype(np.uint8), np.ones((9, 9), np.uint8), borderValue=0) > 0
        at = (ground.droplets[:, :2] - middle) * scale + half
        size = ground.droplets[:, 2] * scale
        found = peaks(told, -6.0)
        found = found[_where(sure, found[:, :2])]
        here = _where(sure, at) & (ground.droplets[:, 3] > 0) & (size >= 3.75)
        truth_all += int(here.sum())
        taken = np.zeros(len(at), dtype=bool)
        for x, y, d, odds in found[np.argsort(-found[:, 3])]:
            gap = np.hypot(at[:, 0] - x, at[:, 1] - y) / np.maximum(0.5 * size, 3.0) if len(at) else np.array([9.0])
            gap[taken] = 9.0
            best = int(gap.argmin()) if len(gap) else -1
            if best >= 0 and gap[best] < 1.0:
                taken[best] = True
                if here[best]:
                    found_all.append((odds, 1.0))
                    wide.append(float(np.log(d / size[best])))
            elif not (len(at) and np.any(np.hypot(at[:, 0] - x, at[:, 1] - y) < 0.8 * size + 1)) and d >= 3.75:
                found_all.append((odds, 0.0))
    ranked = np.array(sorted(found_all, reverse=True)).reshape(-1, 2)
    hit, n = np.cumsum(ranked[:, 1]), np.arange(1, len(ranked) + 1)
    f1 = 2 * hit / (n + truth_all)
    best = int(f1.argmax()) if len(f1) else 0
    scatter = float(1.4826 * np.median(np.abs(np.array(wide) - np.median(wide)))) if wide else float("nan")
    if len(f1) == 0:
        return {"n": float(truth_all), "f1": 0.0}
    return {
        "n": float(truth_all),
        "f1": round(float(f1[best]), 4),
        "recall": round(float(hit[best] / max(1, truth_all)), 4),
        "precision": round(float(hit[best] / n[best]), 4),
        "log_odds": round(float(ranked[best, 0]), 3),
        "diameter_scatter": round(scatter, 4),
        "diameter_bias": round(float(np.median(wide)), 4) if wide else float("nan"),
        "wet_told": round(float(wet[0] / max(1.0, wet[:2].sum())), 4),
        "dry_told_wet": round(float(wet[2] / max(1.0, wet[2:].sum())), 4),
    }


def _where(mask: NDArray[np.bool_], points: Array) -> NDArray[np.bool_]:
    column, row = np.round(points[:, 0]).astype(int), np.round(points[:, 1]).astype(int)
    within = (row >= 0) & (column >= 0) & (row < mask.shape[0]) & (column < mask.shape[1])
    within[within] = mask[row[within], column[within]]
    return within


def write(net: nn.Module, path: Path) -> float:
    """Write the network (height and width are free); returns how far OpenCV's reading of it is off [log odds and so on]."""
    free, example = {2: "h", 3: "w"}, torch.randn(1, 5, 160, 224)
    net = write_onnx(
        net.to(memory_format=torch.contiguous_format), example, path, taken=("shown", free), told=("told", free), opset=13
    )
    read = cv2.dnn.readNetFromONNX(str(path))
    read.setInput(example.numpy())
    with torch.no_grad():
        return float(np.abs(read.forward() - net(example).numpy()).max())


def main() -> None:
    """Gather, train, measure, write."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--grounds", type=Path, required=True, help="what python -m training.grounds wrote")
    ask.add_argument("--out", type=Path, required=True)
    ask.add_argument("--name", default="droplets")
    ask.add_argument("--minutes", type=float, default=15.0)
    ask.add_argument("--widths", default="24,48,80,128")
    ask.add_argument("--blocks", default="1,2,2,2")
    ask.add_argument("--batch", type=int, default=96)
    ask.add_argument("--workers", type=int, default=10)
    ask.add_argument("--top-rate", type=float, default=2e-3)
    ask.add_argument("--seed", type=int, default=7)
    ask.add_argument("--shares", default=",".join(map(str, SHARES)), help="of squares: made-up plates, marked photos, rendered")
    ask.add_argument("--without-fold", type=int, help="leave one fold of the marked photos out, for cross-validation")
    ask.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    told = ask.parse_args()
    cv2.setNumThreads(1)
    with told.grounds.open("rb") as file:
        learn, kept = pickle.load(file)
    learn = [g for g in learn if told.without_fold is None or g.fold != told.without_fold]
    print(f"{len(learn)} plates to learn from, {len(kept)} kept apart", flush=True)
    net = Finder([int(w) for w in told.widths.split(",")], [int(n) for n in told.blocks.split(",")])
    done, steps = train(
        net, learn, minutes=told.minutes, device=told.device, batch=told.batch, n_workers=told.workers,
        top_rate=told.top_rate, seed=told.seed, shares=[float(v) for v in told.shares.split(",")],
    )  # fmt: skip
    sets = {"rendered": _is_rendered, "made up": _is_plate}
    reached = {key: figures(done, [g for g in kept if test(g.name)], told.device) for key, test in sets.items()}
    told.out.mkdir(parents=True, exist_ok=True)
    differs = write(done, told.out / f"{told.name}.onnx")
    record = {
        "widths": told.widths, "blocks": told.blocks, "minutes": told.minutes, "steps": steps, "batch": told.batch, "seed": told.seed,
        "n_learnt": {key: sum(test(g.name) for g in learn) for key, test in (*sets.items(), ("photos", _is_photo))},
        "n_droplets": int(sum((g.droplets[:, 3] > 0).sum() for g in learn)),
        "shares": told.shares, "without_fold": told.without_fold,
        "strewn_share": STREWN_SHARE, "kept_apart": reached, "opencv_differs": differs,
        "torch": torch.__version__, "device": torch.cuda.get_device_name() if told.device == "cuda" else "cpu",
    }  # fmt: skip
    (told.out / f"{told.name}.json").write_text(json.dumps(record, indent=1))
    print(json.dumps(record), flush=True)


if __name__ == "__main__":
    main()
