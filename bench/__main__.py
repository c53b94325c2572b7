"""`make bench`: accuracy against truth per photo, seconds per room, ratios to floors and peers in the same run.

python -m bench [--folder sample_images] [--photos FOLDER]
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from pathlib import Path
from statistics import median
from time import perf_counter

import cv2
import numpy as np
from rich.console import Console
from rich.table import Table
from skimage import color, feature, filters, io, measure, morphology

from bench.truth import Score, score_folder, summary
from toeline.photo import read_photo

ROOMS = ("photo", "scale", "bead", "measure", "surface", "spatter", "limits", "causes", "total")
out = Console(highlight=False, width=170)


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--folder", type=Path, default=Path("sample_images"))
    ask.add_argument("--photos", type=Path, help="folder of the marked real photos, for the bead finder's peers")
    ask.add_argument("--skip-peers", action="store_true")
    told = ask.parse_args()
    scores = score_folder(told.folder)
    _accuracy(scores)
    _speed(scores, told.folder)
    if not told.skip_peers:
        from bench.bead import bench_finders

        out.rule("bead finder against general segmentation")
        for row in bench_finders(told.photos):
            out.print(row)


def _accuracy(scores: list[Score]) -> None:
    table = Table(
        "photo", "size error mm (u)", "toe mm", "IoU", "confidence", "spatter found/true", "likely", "planted", box=None
    )
    for s in scores:
        sizes = ", ".join(f"{e:+.2f} ({s.u_mm[k]:.2f})" for k, e in s.errors_mm.items()) or f"refused: {s.refused}"
        likely = f"{s.causes[0][0]} {s.causes[0][1]:.2f}" if s.causes else ""
        table.add_row(
            s.name,
            sizes,
            f"{s.toe_mm:.2f}",
            f"{s.iou:.2f}",
            f"{s.confidence:.2f}",
            f"{s.n_hit_true}/{s.n_true}",
            likely,
            s.fault or "–",
        )
    out.print(table)
    for key, value in summary(scores).items():
        out.print(f"{key}: {value:.3f}")


def _speed(scores: list[Score], folder: Path) -> None:
    rooms = defaultdict(list)
    for s in scores:
        for room, seconds in s.seconds.items():
            rooms[room].append(seconds)
    out.print("median seconds: " + ", ".join(f"{room} {median(rooms[room]):.2f}" for room in ROOMS if rooms[room]))
    path = next(p for s in scores if not s.refused and (p := folder / s.name).suffix == ".jpg")
    photo = read_photo(path)
    twelve = cv2.resize(photo.pixels, (4000, 3000), interpolation=cv2.INTER_CUBIC)
    code = cv2.imencode(".jpg", cv2.cvtColor(twelve, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 92])[1].tobytes()
    start = perf_counter()
    read_photo(code, name="12MP.jpg")
    decode = perf_counter() - start
    start = perf_counter()
    _plain_pipeline(path)
    plain = perf_counter() - start
    total = median(rooms["total"])
    out.print(f"{path.name}: whole inspection {total:.2f} s")
    out.print(f"decoding a 12 MP JPEG {decode:.2f} s (ratio {total / decode:.1f})")
    out.print(f"a plain scikit-image pipeline {plain:.2f} s (ratio {total / plain:.1f})")


def _plain_pipeline(path: Path) -> None:
    """What one would write in ten lines of scikit-image: denoise, threshold, clean, label, measure, blobs; no scale, no toes."""
    grey = color.rgb2gray(io.imread(path))
    smooth = filters.gaussian(grey, 2)
    mask = morphology.closing(smooth > filters.threshold_otsu(smooth), morphology.disk(3))
    regions = measure.regionprops(measure.label(mask))
    np.array([r.axis_minor_length for r in regions])
    feature.blob_dog(smooth, max_sigma=8, threshold=0.05)


if __name__ == "__main__":
    main()
