"""Prepare training pictures: real photos with hand marks as class maps; rendered ones come as class maps already.

    python -m training.pictures --photos FOLDER --out FOLDER

A prepared picture is NAME.jpg, NAME-classes.png (a class's number, or 255: not weld, nobody says what else), NAME-weight.png (0 to 255: how
much to learn from a pixel) and NAME.json (its group). Weight 0 means "do not learn here".
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.draw import disk, polygon2mask

NOT_WELD = 255
WELD, SPATTER, SLAG = 2, 3, 4
LONG_SIDE_PX = 1024
FAR_WEIGHT = 0.15
"""Weight of a real photo's pixels far from every marked bead: there may be beads there that nobody marked."""


@dataclass(frozen=True)
class Sample:
    """One prepared picture; `group` tells near-duplicates together."""

    name: str
    group: str
    rgb: NDArray[np.uint8]
    classes: NDArray[np.uint8]
    weight: NDArray[np.uint8]


def marked_sample(mark: Path, photos: Path) -> Sample:
    """A real photo with its marks."""
    told = json.loads(mark.read_text(encoding="utf-8"))
    rgb = cv2.cvtColor(cv2.imread(str(photos / told["photo"])), cv2.COLOR_BGR2RGB)
    zoom = LONG_SIDE_PX / max(told["width_px"], told["height_px"])
    size = (round(told["width_px"] * zoom), round(told["height_px"] * zoom))
    if rgb.shape[1::-1] != size:
        rgb = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    shape = rgb.shape[:2]

    def inside(points: list[list[float]]) -> NDArray[np.bool_]:
        scaled = (np.array(points, float) + 0.5) * zoom - 0.5
        return np.asarray(polygon2mask(shape, scaled[:, ::-1]))

    classes = np.full(shape, NOT_WELD, np.uint8)
    weight = np.full(shape, FAR_WEIGHT, np.float32)
    beads = [bead["toes_px"][0] + bead["toes_px"][1][::-1] for bead in told["beads"]]
    for outline, bead in zip(beads, told["beads"], strict=True):
        face = inside(outline)
        length = np.linalg.norm(np.diff(np.array(bead["toes_px"][0], float), axis=0), axis=1).sum() * zoom
        reach = max(9, int(3 * max(face.sum() / max(length, 1.0), 6)) | 1)
        weight[cv2.dilate(face.astype(np.uint8), np.ones((reach, reach), np.uint8)) > 0] = 1.0
    for outline in beads:
        classes[inside(outline)] = WELD
    for points in told.get("slag", []):
        classes[inside(points) & (classes == WELD)] = SLAG
    spatter = told.get("spatter") or {}
    for region in spatter.get("complete_in") or []:
        if region:
            weight[inside(region) & (classes == NOT_WELD)] = 1.0
    for x, y, diameter in spatter.get("particles") or []:
        rows, columns = disk(((y + 0.5) * zoom - 0.5, (x + 0.5) * zoom - 0.5), max(0.8, diameter / 2 * zoom), shape=shape)
        classes[rows, columns] = SPATTER
    for points in told.get("ignore", []):
        weight[inside(points)] = 0.0
    return Sample(mark.stem, told["group"], rgb, classes, np.uint8(weight * 255))


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--photos", type=Path, required=True)
    ask.add_argument("--out", type=Path, required=True)
    told = ask.parse_args()
    told.out.mkdir(parents=True, exist_ok=True)
    folder = Path(__file__).parent / "marks"
    marks = [*sorted(folder.glob("seam-*.json")), *sorted((folder / "second").glob("seam-*.json"))]
    marks = [mark for mark in marks if json.loads(mark.read_text(encoding="utf-8"))["beads"]]
    for mark in marks:
        sample = marked_sample(mark, told.photos)
        name = sample.name + ("-second" if mark.parent != folder else "")
        base = str(told.out / name)
        cv2.imwrite(base + ".jpg", cv2.cvtColor(sample.rgb, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 84])
        cv2.imwrite(base + "-classes.png", sample.classes)
        cv2.imwrite(base + "-weight.png", sample.weight)
        (told.out / f"{name}.json").write_text(json.dumps({"group": sample.group}))
    print(f"{len(marks)} marked photos prepared in {told.out}")


if __name__ == "__main__":
    main()
