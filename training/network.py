"""The network: a small U-shaped convolutional net with residual blocks (after Ronneberger et al. 2015 and He et al. 2016).

Input: RGB in 0..1, shape (batch, 3, h, w), h and w multiples of 32. Output, same h and w: six class scores
(other, plate, weld, spatter, slag, strip; softmax makes them probabilities) and one toe-line score (sigmoid).
The first layer halves the resolution, so that no block runs at full size; the last doubles it again.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import torch
from torch import nn

CLASSES = ("other", "plate", "weld", "spatter", "slag", "strip")


class Block(nn.Module):
    """Two 3 × 3 convolutions with a short cut."""

    def __init__(self, n_in: int, n_out: int) -> None:
        super().__init__()
        self.first = nn.Sequential(nn.Conv2d(n_in, n_out, 3, padding=1, bias=False), nn.BatchNorm2d(n_out), nn.ReLU())
        self.second = nn.Sequential(nn.Conv2d(n_out, n_out, 3, padding=1, bias=False), nn.BatchNorm2d(n_out))
        self.short = nn.Identity() if n_in == n_out else nn.Conv2d(n_in, n_out, 1, bias=False)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        return torch.relu(self.second(self.first(x)) + self.short(x))


class Eye(nn.Module):
    """The learned eye; `widths` are the channels from half resolution down to 1/32, `n_out` the scores for each pixel."""

    def __init__(self, widths: tuple[int, ...] = (24, 40, 72, 120, 160), n_out: int = len(CLASSES) + 1) -> None:
        super().__init__()
        self.stem = nn.Sequential(
            nn.Conv2d(3, widths[0], 4, stride=2, padding=1, bias=False), nn.BatchNorm2d(widths[0]), nn.ReLU()
        )
        self.down = nn.ModuleList(Block(a, b) for a, b in zip((widths[0], *widths[:-1]), widths, strict=True))
        self.deep = Block(widths[-1], widths[-1])
        self.join = nn.ModuleList(nn.Conv2d(b, a, 1, bias=False) for a, b in zip(widths[:-1], widths[1:], strict=True))
        self.up = nn.ModuleList(Block(a, a) for a in widths[:-1])
        self.head = nn.ConvTranspose2d(widths[0], n_out, 4, stride=2, padding=1)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        x = self.stem(x * 2 - 1)
        kept = []
        for i, block in enumerate(self.down):
            x = block(x if i == 0 else nn.functional.max_pool2d(x, 2))
            kept.append(x)
        x = self.deep(x)
        for i in reversed(range(len(self.up))):
            x = nn.functional.interpolate(self.join[i](x), scale_factor=2, mode="bilinear", align_corners=False)
            x = self.up[i](x + kept[i])
        return self.head(x)


def write_onnx(
    net: nn.Module,
    example: torch.Tensor,
    path: Path,
    *,
    taken: tuple[str, Mapping[int, str]],
    told: tuple[str, Mapping[int, str]],
    opset: int = 17,
) -> nn.Module:
    """Write a network as ONNX, and give back what was written: in single precision, on the processor, no longer learning.

    `taken` and `told` name what it takes, such as the example, and what it says, each with those of its axes that are free.
    """
    net = net.float().cpu().eval()
    names = (taken[0], told[0])
    torch.onnx.export(
        net,
        (example,),
        str(path),
        input_names=names[:1],
        output_names=names[1:],
        dynamic_axes={taken[0]: dict(taken[1]), told[0]: dict(told[1])},
        opset_version=opset,
        dynamo=False,
    )
    return net
