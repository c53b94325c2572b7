"""Take up training again from weights that were written as ONNX."""

from __future__ import annotations

from pathlib import Path

import onnx
import torch
from onnx import numpy_helper
from torch import nn

from training.network import Block, Eye


def start_from(net: Eye, path: Path) -> None:
    """Load weights written by `training.train.write_onnx` into a network of the same widths.

    Writing folded every normalisation into its convolution, so the normalisations are set to do nothing but add the folded bias; keep
    them in evaluation mode from here on (`hold_norms`).
    """
    graph = onnx.load(str(path)).graph
    kept = {i.name: torch.from_numpy(numpy_helper.to_array(i).copy()) for i in graph.initializer}
    named = {name.removeprefix("inner."): value for name, value in kept.items() if name.startswith("inner.")}
    folded = [value for name, value in kept.items() if not name.startswith("inner.")]
    pairs = list(zip(folded[0::2], folded[1::2], strict=True))
    blocks: list[Block] = [*net.down, net.deep, *reversed(list(net.up))]
    stages = [net.stem, *(stage for block in blocks for stage in (block.first, block.second))]
    if len(pairs) != len(stages):
        raise ValueError(f"{path} holds {len(pairs)} folded layers, this network has {len(stages)}")
    with torch.no_grad():
        for stage, (weight, bias) in zip(stages, pairs, strict=True):
            convolution, norm = stage[0], stage[1]
            convolution.weight.copy_(weight)
            norm.running_mean.zero_()
            norm.running_var.fill_(1.0 - norm.eps)
            norm.weight.fill_(1.0)
            norm.bias.copy_(bias)
        own = net.state_dict()
        for name, value in named.items():
            own[name].copy_(value)


def hold_norms(net: nn.Module) -> None:
    """Keep every normalisation in evaluation mode."""
    for module in net.modules():
        if isinstance(module, nn.BatchNorm2d):
            module.eval()
