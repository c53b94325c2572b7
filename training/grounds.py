"""Plates to learn droplets from, as photographed, with the way from the plate to the photo: rendered pictures, made-up plates, marked photos.

    python -m training.grounds --rendered FOLDER… [--photos FOLDER] --out FILE

A `Ground` is one plate of one picture. Training cuts squares of it laid flat, turned, mirrored and sized at will, straight from the photo,
so that no picture is resampled twice.
"""

from __future__ import annotations

import argparse
import json
import pickle
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from training.hands import agreed, hands_of
from training.plates import plate_picture
from training.split import fold_of, split_of

Array = NDArray[np.float64]
Bytes = NDArray[np.uint8]

PX_PER_MM = (9.75, 17.5)
"""Resolutions at which rendered plates are looked at; finer pictures also up to their own, or the finest [px/mm]."""
FINEST_PX_PER_MM = 26.0
NARROWEST_PX = 3.0
"""Narrower droplets are neither taught nor punished [px]."""
DROPLETS_KNOWN, WATER_KNOWN, WET = 1, 2, 4
"""What is known of a pixel: which droplets lie there; whether drops of water do; that they do (sums of these)."""
WET_WITHIN, DRY_BEYOND = (0.5, 10.0), (0.5, 32.0)
"""Plate counts as wet up to so far from a drop's middle, and as dry beyond [share of its width, px at 12.5 px per mm]."""


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """One plate of one picture.

    Attributes
    ----------
    name : str
    rgb : ndarray of uint8, shape (h, w, 3)
        Red first.
    known : ndarray of uint8, shape (h, w)
        Sums of `DROPLETS_KNOWN`, `WATER_KNOWN` and `WET`.
    pose : ndarray, shape (3, 3)
        (along, across, 1) on the plate to the camera's frame, homogeneous; plate units are mm, or the picture's pixels.
    lens : ndarray, shape (7,)
        Focal length, principal point (x, y) [px], k1, k2, p1, p2.
    one_sided : bool
        The plate ends at ``across`` = 0: beyond lies another one.
    droplets : ndarray, shape (n, 4)
        Along, across, diameter, and 1 for what is to be found, 0 for what may be found or not.
    middles : list of ndarray, each shape (m, 2)
        Places to cut squares about: droplets; what may be taken for them; anywhere.
    px_per_unit : tuple of float
        Range of resolutions at which squares are cut.
    fold : int
        Of a marked photo, for cross-validation; −1 for others.
    """

    name: str
    rgb: Bytes
    known: Bytes
    pose: Array
    lens: Array
    one_sided: bool
    droplets: Array
    middles: list[Array]
    px_per_unit: tuple[float, float]
    fold: int = -1


def rendered(path: Path) -> list[Ground]:
    """The plates of a rendered picture `NAME.jpg` with classes in `NAME.png` and truth in `NAME.json`."""
    told = json.loads(path.read_text(encoding="utf-8"))
    if told["px_per_mm"] < 7.0:
        return []
    rgb = cv2.cvtColor(cv2.imread(str(path.with_suffix(".jpg"))), cv2.COLOR_BGR2RGB)
    classes = _classes(path.with_suffix(".png"))
    camera = told["camera"]
    lens = np.array([camera[key] for key in ("focal_px", "cx_px", "cy_px", "k1", "k2", "p1", "p2")], dtype=float)
    rng = np.random.default_rng(told["seed"])
    plates = []
    known = np.full(classes.shape, DROPLETS_KNOWN | WATER_KNOWN, dtype=np.uint8)
    poses = {
        plate["name"]: np.column_stack([np.array(plate["rotation"], dtype=float)[:, :2], plate["translation_mm"]])
        for plate in told["plates"]
    }
    drops = [d for d in told["distractors"] if d["kind"] == "water drop"]
    if drops:
        middles = [to_photo(np.array([[d["along_mm"], d["across_mm"]]], dtype=float), poses[d["plate"]], lens)[0] for d in drops]
        sizes_px = told["px_per_mm"] * np.array([d["size_mm"] for d in drops], dtype=float)
        _wet_at_drops(known, np.array(middles), sizes_px, told["px_per_mm"] / 12.5)
    for plate in told["plates"]:
        pose = poses[plate["name"]]
        mine = [p for p in told["particles"] if p["plate"] == plate["name"] and p["kind"] == "spatter"]
        row = [(p["along_mm"], p["across_mm"], p["diameter_mm"], float(p["visible"])) for p in mine]
        droplets = np.array(row, dtype=float).reshape(-1, 4)
        dirt = [p for p in told["particles"] if p["kind"] != "spatter" and p["visible"]] + told["distractors"]
        dirt_mm = np.array([(p["along_mm"], p["across_mm"]) for p in dirt if p["plate"] == plate["name"]], dtype=float)
        anywhere = _seen_plate(rng, classes, pose, lens, plate)
        if len(anywhere) < 20:
            continue
        in_view = [
            _inside(points.reshape(-1, 2), pose, lens, classes.shape) for points in (droplets[droplets[:, 3] > 0, :2], dirt_mm)
        ]
        plates.append(
            Ground(
                f"{path.stem}-{plate['name']}",
                rgb,
                known,
                pose,
                lens,
                len(told["plates"]) > 1,
                droplets,
                [*in_view, anywhere],
                (PX_PER_MM[0], max(PX_PER_MM[1], min(FINEST_PX_PER_MM, 1.1 * told["px_per_mm"]))),
            )
        )
    return plates


def _classes(path: Path) -> Bytes:
    from PIL import Image

    return np.asarray(Image.open(path), dtype=np.uint8)


def to_photo(points: Array, pose: Array, lens: Array) -> Array:
    """Plate points (n, 2) to the photo, shape (n, 2) [px]; the lens as OpenCV has it."""
    ray = np.column_stack([points, np.ones(len(points))]) @ pose.T
    x, y = ray[:, 0] / ray[:, 2], ray[:, 1] / ray[:, 2]
    focal, cx, cy, k1, k2, p1, p2 = lens
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * k2)
    xd = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
    yd = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
    return np.column_stack([focal * xd + cx, focal * yd + cy])


def _inside(points: Array, pose: Array, lens: Array, shape: tuple[int, ...]) -> Array:
    if len(points) == 0:
        return points
    x, y = to_photo(points, pose, lens).T
    return points[(x > 4) & (y > 4) & (x < shape[1] - 5) & (y < shape[0] - 5)]


def _seen_plate(rng: np.random.Generator, classes: Bytes, pose: Array, lens: Array, plate: dict[str, Any]) -> Array:
    """Points of a plate that the picture shows as plate, chosen at random, shape (n, 2) [mm]."""
    (low, high), (near, far) = plate["along_mm"], plate["across_mm"]
    points = np.column_stack([rng.uniform(low, high, 3000), rng.uniform(near, far, 3000)])
    points = _inside(points, pose, lens, classes.shape)
    if len(points) == 0:
        return points
    column, row = np.round(to_photo(points, pose, lens)).astype(int).T
    return points[np.isin(classes[row, column], (1, 3))][:600]


def _wetted(known: Bytes, wet: Bytes, near: Bytes) -> None:
    """Mark in `known`, where anything is known, plate that is wet; what is only near water is not known to be wet or dry."""
    known[near > 0] &= DROPLETS_KNOWN
    known[(wet > 0) & (known > 0)] |= WATER_KNOWN | WET


def _wet_at_drops(known: Bytes, middles: Array, sizes_px: Array, scale: float) -> None:
    """Mark in `known` what lies at drops of water; `scale` is px to one at 12.5 px per mm."""

    def discs(share: float, more: float) -> Bytes:
        spot = np.zeros(known.shape, dtype=np.uint8)
        for (x, y), size in zip(middles, sizes_px, strict=True):
            if abs(x) < 2 * known.shape[1] and abs(y) < 2 * known.shape[0]:
                cv2.circle(spot, (round(float(x)), round(float(y))), round(float(share * size + more * scale)), 1, cv2.FILLED)
        return spot

    _wetted(known, discs(*WET_WITHIN), discs(*DRY_BEYOND))


def _flat(
    name: str, rgb: Bytes, known: Bytes, droplets: Array, px_per_unit: tuple[float, float], seed: int, *, fold: int = -1
) -> Ground:
    """A picture seen from straight above; its units are its own pixels. Droplets: x, y, diameter, and 1 or 0 as in `Ground`."""
    rng = np.random.default_rng(seed)
    rows, columns = np.nonzero(known & DROPLETS_KNOWN)
    some = rng.integers(0, len(rows), 300)
    anywhere = np.column_stack([columns[some], rows[some]]).astype(float)
    lens = np.array([1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    some_of = [droplets[droplets[:, 3] == sure, :2] for sure in (1, 0)]
    return Ground(name, rgb, known, np.eye(3), lens, False, droplets, [*some_of, anywhere], px_per_unit, fold)


def made_up(seed: int) -> list[Ground]:
    """A made-up plate; every second one is dirtier."""
    picture = plate_picture(seed, dirt_ratio=(1.0, 2.5)[seed % 2])
    known = np.full(picture.rgb.shape[:2], DROPLETS_KNOWN | WATER_KNOWN, dtype=np.uint8)
    _wet_at_drops(known, picture.water[:, :2], picture.water[:, 2], 1.0)
    sure = np.column_stack([picture.droplets, np.ones(len(picture.droplets))])
    return [_flat(f"plate-{seed}", picture.rgb, known, sure, (0.7, 1.25), seed)]


def marked(marks: Path, photos: Path, *, split: str = "train") -> Iterator[Ground]:
    """Photos with marked droplets, of one split, cut to where all droplets are marked."""
    for number, path in enumerate(sorted(marks.glob("*.json"))):
        told = json.loads(path.read_text(encoding="utf-8"))
        regions = [np.array(r, dtype=float) for r in told.get("spatter", {}).get("complete_in", []) if r]
        if not regions or split_of(told["group"]) != split:
            continue
        rgb = cv2.cvtColor(cv2.imread(str(photos / told["photo"])), cv2.COLOR_BGR2RGB)
        known = np.zeros(rgb.shape[:2], dtype=np.uint8)
        for region in regions:
            cv2.fillPoly(known, [np.round(region * 16).astype(np.int32)], DROPLETS_KNOWN, cv2.LINE_8, 4)
        wet = told["spatter"].get("wet")
        if wet is not None:
            known[known > 0] |= WATER_KNOWN
            spot = np.zeros_like(known)
            for region in wet:
                cv2.fillPoly(spot, [np.round(np.array(region, dtype=float)).astype(np.int32)], 1)
            _wetted(known, spot, cv2.dilate(spot, np.ones((41, 41), np.uint8)))
        parts = agreed(hands_of(told))
        droplets = np.concatenate([np.column_stack([part, np.full(len(part), 1.0 - k)]) for k, part in enumerate(parts)])
        yield _flat(path.stem, rgb, known, droplets, (0.6, 1.1), number, fold=fold_of(told["group"]))


def gather(folders: list[Path], photos: Path | None, n_plates: int, pool: Executor) -> tuple[list[Ground], list[Ground]]:
    """All grounds to learn from and, of every twentieth rendered picture and made-up plate, those kept apart."""
    paths = [path for folder in folders for path in sorted(folder.glob("*.json"))]
    learn: list[Ground] = []
    kept: list[Ground] = []
    for some in (pool.map(rendered, paths, chunksize=8), pool.map(made_up, range(n_plates), chunksize=8)):
        for number, grounds in enumerate(some):
            (kept if number % 20 == 7 else learn).extend(grounds)
    if photos is not None:
        learn += list(marked(Path(__file__).resolve().parent / "marks", photos))
    return learn, kept


def main() -> None:
    """Gather once what several trainings read."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--rendered", type=Path, nargs="*", default=[], help="folders of rendered pictures with classes and truth")
    ask.add_argument("--photos", type=Path, help="folder of the marked photos")
    ask.add_argument("--plates", type=int, default=1200, help="how many made-up plates")
    ask.add_argument("--out", type=Path, required=True, help="file to write: some gigabytes, for training.droplets alone")
    ask.add_argument("--workers", type=int, default=12)
    told = ask.parse_args()
    with ProcessPoolExecutor(told.workers, mp_context=get_context("spawn"), initializer=cv2.setNumThreads, initargs=(1,)) as pool:
        learn, kept = gather(told.rendered, told.photos, told.plates, pool)
    told.out.parent.mkdir(parents=True, exist_ok=True)
    with told.out.open("wb") as file:
        pickle.dump((learn, kept), file, protocol=5)
    print(f"{len(learn)} plates to learn from, {len(kept)} kept apart")


if __name__ == "__main__":
    from training import grounds

    grounds.main()  # under its own name, so that what it writes can be read anywhere
