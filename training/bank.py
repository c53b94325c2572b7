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


def load(folder: Path, device: str) -> list[Picture]:
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
        return Picture(base.name, str(group), torch.from_numpy(layers).to(device), 8.0 * np.stack([columns, rows], axis=1))

    whole = [path for path in sorted(folder.glob("*.jpg")) if path.with_suffix(".json").exists()]  # the rest were cut short
    with ThreadPoolExecutor(12) as pool:
        return list(pool.map(one, whole))


def crop(picture: Picture, rng: np.random.Generator, side: int) -> torch.Tensor:
    """One turned, flipped, scaled crop, shape (5, side, side); weight is zero outside the picture."""
    layers = picture.layers
    _, h, w = layers.shape
    zoom = math.exp(rng.uniform(math.log(0.5), math.log(2.0)))
    turn = rng.normal(0, 12) if rng.random() < 0.7 else rng.uniform(0, 360)
    aspect = math.exp(rng.normal(0, 0.1))
    centre = np.array([rng.uniform(0, w), rng.uniform(0, h)])
    if rng.random() < 0.75 and len(picture.on_weld):
        centre = picture.on_weld[int(rng.integers(len(picture.on_weld)))] + rng.normal(0, side / 5 / zoom, 2)
    cos, sin = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    flips = np.diag(rng.choice([-1.0, 1.0], 2) * np.array([aspect, 1 / aspect]))
    back = np.linalg.inv(zoom * np.array([[cos, -sin], [sin, cos]]) @ flips)
    scale = np.array([2.0 / w, 2.0 / h])
    theta = np.hstack([scale[:, None] * back * side / 2, (scale * (centre + 0.5) - 1)[:, None]])
    grid = F.affine_grid(
        torch.tensor(theta[None], dtype=torch.float32, device=layers.device), [1, 1, side, side], align_corners=False
    )
    rgb = layers[None, :3].float()
    if zoom < 0.9:  # average before shrinking
        k = max(1, round(1 / zoom))
        rgb = F.avg_pool2d(rgb, k, 1, k // 2, count_include_pad=False) if k > 1 else rgb
        rgb = rgb[..., :h, :w]
    colours = F.grid_sample(rgb, grid, mode="bilinear", padding_mode="reflection", align_corners=False)
    rest = F.grid_sample(layers[None, 3:].float() + 1, grid, mode="nearest", padding_mode="zeros", align_corners=False)
    outside = rest[:, :1] == 0
    classes = torch.where(outside, float(NOT_WELD), rest[:, :1] - 1)
    weight = torch.where(outside, 0.0, rest[:, 1:] - 1)
    return torch.cat([colours, classes, weight], 1)[0]


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
    chosen = torch.tensor(rng.random(n) < 0.5, device=dev)
    if bool(chosen.any()):
        x[chosen] = _compressed(
            x[chosen], torch.tensor(rng.uniform(0.2, 1.6, int(chosen.sum())), dtype=torch.float32, device=dev)
        )
    return x


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


def batch(
    real: list[Picture], rendered: list[Picture], rng: np.random.Generator, *, n: int, side: int, share_real: float
) -> Batch:
    """(rgb in 0..1, class, weight in 0..1, toe line) of n augmented crops."""
    crops = []
    for _ in range(n):
        pool = real if (real and rng.random() < share_real) or not rendered else rendered
        crops.append(crop(pool[int(rng.integers(len(pool)))], rng, side))
    layers = torch.stack(crops)
    classes = layers[:, 3].round()
    bead = ((classes == WELD) | (classes == SLAG)).float()[:, None]
    toe = (F.max_pool2d(bead, 3, 1, 1) + F.max_pool2d(-bead, 3, 1, 1))[:, 0]
    return spoil(layers[:, :3] / 255, rng), classes.long(), layers[:, 4] / 255, toe
