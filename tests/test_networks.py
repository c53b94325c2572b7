"""The networks that ship, against another engine: onnxruntime runs the same ONNX file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import onnxruntime
import pytest

from toeline.networks import run

PACKAGE = Path(__file__).parents[1] / "inspect" / "toeline"
FREE_SIDE = 96
"""Any multiple of 32 does where a network leaves its height or width free [px]."""


@pytest.mark.parametrize("file", sorted(str(path.relative_to(PACKAGE)) for path in PACKAGE.rglob("*.onnx")))
def test_two_engines_say_the_same(file: str) -> None:
    session = onnxruntime.InferenceSession(str(PACKAGE / file), providers=["CPUExecutionProvider"])
    taken = session.get_inputs()[0]
    shape = [side if isinstance(side, int) else FREE_SIDE for side in taken.shape]
    shape[0] = 1
    blob = np.random.default_rng(5).random(shape, dtype=np.float32)
    theirs = session.run(None, {taken.name: blob})[0]
    ours = run(file, blob)
    assert ours.shape == theirs.shape
    assert np.ptp(theirs) > 0.01, "a network that says the same everywhere tests nothing"
    assert np.abs(ours - theirs).max() < 1e-3
