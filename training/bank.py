"""Pictures held on the accelerator, and crops of them augmented there, a batch at a time."""

from __future__ import annotations

import json
import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from PIL import Image
from torch.nn import functional as F

NOT_WELD = 255
WELD, SLAG = 2, 4
Batch = tuple[torch.Tensor, torch.Tensor, torch.Tensor, torch.Tensor]


@dataclass(frozen=True)
class Picture:
    """One picture: name, group, its layers, shape (5, h, w) uint8 — red, green, blue, class, weight — and some places on the weld,
    shape (n, 2) [px]."""

    name: str
    group: str
    layers: torch.Tensor
    on_weld: np.ndarray


@dataclass(frozen=True)
class Shelf:
    """Pictures of one kind on the accelerator, reflected out to one size: layers, shape (n, 5, h, w) uint8, with weight 0 where reflected;
    each picture's own size, and its places on the weld."""

    layers: torch.Tensor
    sizes_px: np.ndarray
    on_weld: list[np.ndarray]


def load(folder: Path) -> list[Picture]:
    """Every prepared picture of a folder: NAME.jpg with NAME-classes.png (or NAME.png), and a weight and group where they are told."""

    def one(path: Path) -> Picture:
        base = path.with_suffix("")
        rgb = np.asarray(Image.open(path).convert("RGB"))
        classes_at = base.with_name(base.name + "-classes.png")
        classes = np.asarray(Image.open(classes_at if classes_at.exists() else base.with_suffix(".png")))
        classes = classes if classes.ndim == 2 else classes[..., 0]
        weight_at = base.with_name(base.name + "-weight.png")
        weight = np.asarray(Image.open(weight_at)) if weight_at.exists() else np.full(classes.shape, 255, np.uint8)
        told = base.with_suffix(".json")
        group = json.loads(told.read_text()).get("group", "rendered") if told.exists() else "rendered"
        layers = np.concatenate([rgb.transpose(2, 0, 1), classes[None], weight[None]]).astype(np.uint8)
        rows, columns = np.nonzero(classes[::8, ::8] == WELD)
        return Picture(base.name, str(group), torch.from_numpy(layers), 8.0 * np.stack([columns, rows], axis=1))

    whole = [path for path in sorted(folder.glob("*.jpg")) if path.with_suffix(".json").exists()]  # the rest were cut short
    with ThreadPoolExecutor(12) as pool:
        return list(pool.map(one, whole))


def shelve(pictures: list[Picture], device: str) -> Shelf:
    """Put pictures on the accelerator, all of the size of the largest."""
    h, w = (max(int(p.layers.shape[k]) for p in pictures) for k in (1, 2))
    shelf = np.empty((len(pictures), 5, h, w), np.uint8)
    for i, p in enumerate(pictures):
        _, below, right = p.layers.shape
        shelf[i] = np.pad(p.layers.numpy(), ((0, 0), (0, h - below), (0, w - right)), mode="reflect")
        shelf[i, 4, below:] = 0
        shelf[i, 4, :, right:] = 0
    sizes = np.array([[p.layers.shape[2], p.layers.shape[1]] for p in pictures], float)
    return Shelf(torch.from_numpy(shelf).to(device), sizes, [p.on_weld for p in pictures])


def crops(shelf: Shelf, rng: np.random.Generator, n: int, side: int) -> torch.Tensor:
    """n turned, flipped, scaled crops, shape (n, 5, side, side); class and weight outside the pictures are `NOT_WELD` and 0."""
    chosen = rng.integers(len(shelf.on_weld), size=n)
    thetas = [_placed(shelf, int(i), rng, side) for i in chosen]
    device = shelf.layers.device
    theta = torch.tensor(np.stack(thetas), dtype=torch.float32, device=device)
    layers = shelf.layers[torch.from_numpy(chosen).to(device)].float()
    fine = F.affine_grid(theta, [n, 1, 2 * side, 2 * side], align_corners=False)  # twice as fine, then averaged: nothing aliases
    colours = F.avg_pool2d(F.grid_sample(layers[:, :3], fine, padding_mode="reflection", align_corners=False), 2)
    grid = F.affine_grid(theta, [n, 1, side, side], align_corners=False)
    rest = F.grid_sample(layers[:, 3:] + 1, grid, mode="nearest", padding_mode="zeros", align_corners=False)
    outside = rest[:, :1] == 0
    classes = torch.where(outside, float(NOT_WELD), rest[:, :1] - 1)
    weight = torch.where(outside, 0.0, rest[:, 1:] - 1)
    return torch.cat([colours, classes, weight], 1)


def _placed(shelf: Shelf, i: int, rng: np.random.Generator, side: int) -> np.ndarray:
    """From the crop's own frame (−1 to 1) to the shelf's, shape (2, 3)."""
    zoom = math.exp(rng.uniform(math.log(0.5), math.log(2.0)))
    turn = math.radians(rng.normal(0, 12) if rng.random() < 0.7 else rng.uniform(0, 360))
    aspect = math.exp(rng.normal(0, 0.1))
    centre = rng.random(2) * shelf.sizes_px[i]
    weld = shelf.on_weld[i]
    if rng.random() < 0.75 and len(weld):
        centre = weld[int(rng.integers(len(weld)))] + rng.normal(0, side / 5 / zoom, 2)
    flips = np.diag(rng.choice([-1.0, 1.0], 2) * np.array([aspect, 1 / aspect]))
    turned = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    back = np.linalg.inv(zoom * turned @ flips)
    scale = 2.0 / np.array(shelf.layers.shape[:1:-1], float)
    return np.hstack([scale[:, None] * back * side / 2, (scale * (centre + 0.5) - 1)[:, None]])


def spoil(rgb: torch.Tensor, rng: np.random.Generator) -> torch.Tensor:
    """Light, colour, sharpness, noise and compression, each picture of a batch in its own way; rgb in 0..1, shape (n, 3, h, w)."""
    n, _, h, w = rgb.shape
    dev = rgb.device

    def per(values: np.ndarray) -> torch.Tensor:
        return torch.tensor(values, dtype=torch.float32, device=dev).reshape(n, -1, 1, 1)

    grey = rgb.mean(1, keepdim=True)
    saturation = per(np.where(rng.random(n) < 0.2, 0.0, np.where(rng.random(n) < 0.4, rng.uniform(0.2, 1.9, n), 1.0)))
    x = (grey + (rgb - grey) * saturation).clamp(0, 1)
    x = (
        x.clamp_min(1e-4) ** per(np.exp(rng.normal(0, 0.3, n)))
        * per(np.exp(rng.normal(0, 0.2, n)))
        * per(np.exp(rng.normal(0, 0.09, (n, 3))))
    )
    field = F.interpolate(torch.randn(n, 1, 4, 4, device=dev), size=(h, w), mode="bicubic", align_corners=False)
    x = x * torch.exp(0.35 * field * per((rng.random(n) < 0.5).astype(float)))
    soft = _blurred(x, 1.2)
    softer = _blurred(x, 2.2)
    kind = rng.random(n)
    mix1 = per(np.where(kind < 0.25, rng.uniform(0.3, 1.0, n), np.where(kind > 0.6, -rng.uniform(0.2, 1.0, n), 0.0)))
    mix2 = per(np.where((kind > 0.25) & (kind < 0.4), rng.uniform(0.3, 1.0, n), 0.0))
    x = x + mix1 * (soft - x) + mix2 * (softer - x)
    x = (x + torch.randn_like(x) * per(np.where(rng.random(n) < 0.6, rng.uniform(0.005, 0.05, n), 0.0))).clamp(0, 1)
    strength = torch.tensor(rng.uniform(0.2, 1.6, n), dtype=torch.float32, device=dev)
    return torch.where(per((rng.random(n) < 0.5).astype(float)) > 0, _compressed(x, strength), x)


def _blurred(x: torch.Tensor, sigma: float) -> torch.Tensor:
    reach = int(3 * sigma)
    kernel = torch.exp(-0.5 * (torch.arange(-reach, reach + 1, device=x.device) / sigma) ** 2)
    kernel = (kernel / kernel.sum()).to(x.dtype)
    c = x.shape[1]
    x = F.pad(x, (reach, reach, reach, reach), mode="reflect")
    x = F.conv2d(x, kernel.reshape(1, 1, 1, -1).expand(c, 1, 1, -1), groups=c)
    return F.conv2d(x, kernel.reshape(1, 1, -1, 1).expand(c, 1, -1, 1), groups=c)


_TABLE = torch.tensor(
    [
        [16, 11, 10, 16, 24, 40, 51, 61],
        [12, 12, 14, 19, 26, 58, 60, 55],
        [14, 13, 16, 24, 40, 57, 69, 56],
        [14, 17, 22, 29, 51, 87, 80, 62],
        [18, 22, 37, 56, 68, 109, 103, 77],
        [24, 35, 55, 64, 81, 104, 113, 92],
        [49, 64, 78, 87, 103, 121, 120, 101],
        [72, 92, 95, 98, 112, 100, 103, 99],
    ],
    dtype=torch.float32,
)  # luminance table of ITU-T T.81 annex K


def _compressed(x: torch.Tensor, strength: torch.Tensor) -> torch.Tensor:
    """Block quantisation as in JPEG (ITU-T T.81), per colour; strength 1 is the standard's own table. Sides must be multiples of 8."""
    k = torch.arange(8, device=x.device, dtype=torch.float32)
    basis = torch.cos((2 * k[None] + 1) * k[:, None] * math.pi / 16) * 0.5
    basis[0] /= math.sqrt(2)
    n, c, h, w = x.shape
    blocks = (x.float() * 255 - 128).reshape(n, c, h // 8, 8, w // 8, 8).transpose(3, 4)
    table = _TABLE.to(x.device) * strength.reshape(n, 1, 1, 1, 1, 1)
    waves = torch.round(basis @ blocks @ basis.T / table) * table
    back = (basis.T @ waves @ basis).transpose(3, 4).reshape(n, c, h, w)
    return ((back + 128) / 255).clamp(0, 1)


def batch(real: Shelf | None, rendered: Shelf | None, rng: np.random.Generator, *, n: int, side: int, share_real: float) -> Batch:
    """(rgb in 0..1, class, weight in 0..1, toe line) of n augmented crops."""
    n_real = int(rng.binomial(n, share_real)) if rendered is not None else n
    n_real = n_real if real is not None else 0
    parts = [crops(s, rng, k, side) for s, k in ((real, n_real), (rendered, n - n_real)) if s is not None and k]
    layers = torch.cat(parts)
    classes = layers[:, 3].round()
    bead = ((classes == WELD) | (classes == SLAG)).float()[:, None]
    toe = (F.max_pool2d(bead, 3, 1, 1) + F.max_pool2d(-bead, 3, 1, 1))[:, 0]
    return spoil(layers[:, :3] / 255, rng), classes.long(), layers[:, 4] / 255, toe
