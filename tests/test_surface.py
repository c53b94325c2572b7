"""The network of surface signs against another engine; what it finds on the samples is in test_samples.py."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from toeline.surface.learned import N_BESIDE, N_FACE, SIGNS, _run

WEIGHTS = Path(__file__).parents[1] / "inspect" / "toeline" / "surface" / "signs.onnx"


def test_the_network_gives_the_same_in_another_engine() -> None:
    onnxruntime = pytest.importorskip("onnxruntime")
    rng = np.random.default_rng(1)
    rgb = np.asarray(
        cv2.GaussianBlur(rng.integers(0, 255, (2 * N_BESIDE + N_FACE, 192, 3), dtype=np.uint8), (0, 0), 1.5), np.uint8
    )
    session = onnxruntime.InferenceSession(str(WEIGHTS), providers=["CPUExecutionProvider"])
    other = session.run(None, {"rgb": rgb.transpose(2, 0, 1)[None].astype(np.float32) / np.float32(255)})[0][0]
    ours = _run(rgb)
    assert ours.shape == (len(SIGNS), 2 * N_BESIDE + N_FACE, 192)
    assert np.abs(ours - other).max() < 1e-5
