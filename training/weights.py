"""Store weights written as ONNX at half the size.

python -m training.weights WEIGHTS.onnx…        # kept in half precision from here on; the engine still reckons in single precision
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import onnx
from onnx import TensorProto, helper, numpy_helper

HALF = "_half"
SMALLEST = 64
"""Arrays with fewer numbers stay as they are."""


def halve(path: Path) -> None:
    """Store a file's large arrays in half precision, each with a cast back; files that are halved already stay as they are."""
    model = onnx.load(str(path))
    graph = model.graph
    kept, casts = [], []
    for array in graph.initializer:
        values = numpy_helper.to_array(array)
        if values.dtype == np.float32 and values.size > SMALLEST:
            kept.append(numpy_helper.from_array(values.astype(np.float16), array.name + HALF))
            casts.append(helper.make_node("Cast", [array.name + HALF], [array.name], to=TensorProto.FLOAT))
        else:
            kept.append(array)
    nodes = [*casts, *graph.node]
    del graph.initializer[:]
    graph.initializer.extend(kept)
    del graph.node[:]
    graph.node.extend(nodes)
    onnx.checker.check_model(model)
    onnx.save(model, str(path))


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("weights", type=Path, nargs="+")
    for path in ask.parse_args().weights:
        halve(path)


if __name__ == "__main__":
    main()
