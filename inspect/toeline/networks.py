"""The small networks that ship with the package, run in OpenCV's own engine: on any processor, each by one caller at a time."""

from __future__ import annotations

from functools import cache
from importlib.resources import as_file, files
from threading import Lock

import cv2
import numpy as np
from numpy.typing import NDArray

Array32 = NDArray[np.float32]

__all__ = ["run"]


def run(file: str, blob: Array32) -> Array32:
    """What a network says.

    Parameters
    ----------
    file : str
        Its ONNX file: a path within the package, or a whole path.
    blob : ndarray of float32, shape (n, channels, h, w)

    Returns
    -------
    ndarray of float32
        The network's only output, a copy.
    """
    network, lock = _read(file)
    with lock:
        network.setInput(np.ascontiguousarray(blob, dtype=np.float32))
        return np.array(network.forward(), dtype=np.float32)


@cache
def _read(file: str) -> tuple[cv2.dnn.Net, Lock]:
    with as_file(files("toeline").joinpath(file)) as path:
        return cv2.dnn.readNetFromONNX(str(path)), Lock()
