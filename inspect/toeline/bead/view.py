"""The coupon view: the photo's plates laid flat in one picture at constant px per mm, and the way between view,
plates and photo."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.bead.result import Bead
from toeline.errors import NoScale
from toeline.photo.result import Photo
from toeline.scale import rays
from toeline.scale.solution import Scale

Array = NDArray[np.float64]
Picture = NDArray[np.uint8]

REACH_MM = 120.0
"""How far beyond the strips a plate is unfolded along the weld, or every way on a flat plate [mm]."""
BEYOND_STRIP_MM = 10.0
"""How far beyond the strips' outer edge a tee's plate is unfolded [mm]."""
BESIDE_STRIP_MM = 1.0
FINEST_PX_PER_MM = 17.0
"""A finer view tells no more: the smallest droplet (0.3 mm) is 5 px wide in it, and a toe is known to a tenth of a millimetre [px/mm]."""
LARGEST_VIEW_PX = 24_000_000
NODE_PX = 8
"""Every how many pixels the way to the photo is worked out; between, it is interpolated [px]."""
NO_PLATE = 255


@dataclass(frozen=True, slots=True, eq=False)
class CouponView:
    """A picture whose columns are ``along`` and whose rows are ``across``.

    Attributes
    ----------
    image : ndarray of uint8, shape (h, w, 3)
        Red first.
    valid : ndarray of bool, shape (h, w)
        Inside the photo and on a plate.
    plate_of : ndarray of uint8, shape (h, w)
        Index into `plate_names`; 255 where there is no plate.
    strips : ndarray of bool, shape (h, w)
        Under a strip's paper, or within a millimetre of it.
    px_per_mm : float
        The same everywhere [px/mm].
    plate_names : tuple of str
    zero_row : float
        Row at which ``across`` is zero: the root of a tee; on one plate it may lie outside the picture [px].
    along0_mm : float
        ``along`` of column 0 [mm].
    """

    image: Picture
    valid: NDArray[np.bool_]
    plate_of: Picture
    strips: NDArray[np.bool_]
    px_per_mm: float
    plate_names: tuple[str, ...]
    zero_row: float
    along0_mm: float

    def __post_init__(self) -> None:
        for array in (self.image, self.valid, self.plate_of, self.strips):
            array.setflags(write=False)

    @property
    def root_row(self) -> float | None:
        """Row of a tee's root; None on one plate [px]."""
        return self.zero_row if "standing" in self.plate_names else None

    def grey(self) -> Picture:
        """The picture without colour, shape (h, w)."""
        return np.asarray(cv2.cvtColor(self.image, cv2.COLOR_RGB2GRAY), dtype=np.uint8)

    def near(self, bead: Bead, *, margin_mm: float = 6.0) -> NDArray[np.bool_]:
        """The bead and a margin of plate about it, shape (h, w)."""
        sides = [plate_to_view(self, bead.toes[name].plate, points) for name, points in bead.plate_points_mm.items()]
        mask = np.zeros(self.valid.shape, dtype=np.uint8)
        outline = np.round(np.concatenate([sides[0], sides[-1][::-1]])).astype(np.int32)
        cv2.fillPoly(mask, [outline], 1)
        cv2.polylines(mask, [outline], True, 1, max(1, round(2 * margin_mm * self.px_per_mm)))
        near: NDArray[np.bool_] = (mask > 0) & self.valid
        return near


def view_to_plate(view: CouponView, points_xy: Array) -> tuple[NDArray[np.int64], Array]:
    """View points (n, 2) as (column, row) [px] to plate index (n,) and (along, across) (n, 2) [mm]."""
    points = np.asarray(points_xy, dtype=float)
    along = view.along0_mm + points[..., 0] / view.px_per_mm
    up = (view.zero_row - points[..., 1]) / view.px_per_mm
    if view.root_row is None:
        return np.zeros(points.shape[:-1], dtype=np.int64), np.stack([along, up], axis=-1)
    base, standing = view.plate_names.index("base"), view.plate_names.index("standing")
    return np.where(up >= 0, standing, base), np.stack([along, np.abs(up)], axis=-1)


def plate_to_view(view: CouponView, plate: str, points_mm: Array) -> Array:
    """(along, across) on a plate, shape (n, 2) [mm], to (column, row) of the view [px]."""
    points = np.asarray(points_mm, dtype=float)
    up = -points[..., 1] if plate == "base" else points[..., 1]
    return np.stack([(points[..., 0] - view.along0_mm) * view.px_per_mm, view.zero_row - up * view.px_per_mm], axis=-1)


def view_to_photo(view: CouponView, scale: Scale, points_xy: Array) -> Array:
    """View points (n, 2) as (column, row) to the photo's pixels, shape (n, 2) [px]."""
    index, points = view_to_plate(view, points_xy)
    photo = np.empty_like(points)
    for i, name in enumerate(view.plate_names):
        mine = index == i
        photo[mine] = rays.to_photo_px(scale, name, points[mine])
    return photo


def unfold(photo: Photo, scale: Scale, *, px_per_mm: float | None = None) -> CouponView:
    """Lay the photo's plates flat.

    Sub-pixel exact; where the view shrinks the photo it is drawn finer and averaged, so nothing flickers or moves.

    Parameters
    ----------
    photo : Photo
    scale : Scale
        Of that photo.
    px_per_mm : float, optional
        Default: as many as the photo has along the weld in the middle of the plates, less when the picture would be
        huge [px/mm].

    Raises
    ------
    NoScale
        None of the plates is seen in the photo.
    """
    names = tuple(plate.name for plate in scale.plates)
    box = view_box_mm(photo, scale)
    along0, along1, low, high = box
    natural = scale.px_per_mm.value if scale.source != "strips" else min(scale.px_per_mm.value, FINEST_PX_PER_MM)
    wanted = natural if px_per_mm is None else px_per_mm
    wanted = min(wanted, (LARGEST_VIEW_PX / max(1e-9, (along1 - along0) * (high - low))) ** 0.5)
    width, height = ceil((along1 - along0) * wanted - 1e-6), ceil((high - low) * wanted - 1e-6)
    if width < 2 or height < 2:
        raise NoScale("The plates lie outside the photo.", advice="Keep strips and bead in the photo.")
    tee = "standing" in names
    view = CouponView(
        image=np.zeros((height, width, 3), dtype=np.uint8),
        valid=np.zeros((height, width), dtype=bool),
        plate_of=np.zeros((height, width), dtype=np.uint8),
        strips=np.zeros((height, width), dtype=bool),
        px_per_mm=wanted,
        plate_names=names,
        zero_row=(round(high * wanted) if tee else high * wanted) - 0.5,
        along0_mm=along0 + 0.5 / wanted,
    )
    at = _photo_places(view, scale)
    finer = _finer(at)
    image = look_up(photo, at if finer == 1 else _photo_places(view, scale, finer=finer))
    if finer > 1:
        image = np.asarray(cv2.resize(image, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8)
    inside = (at[..., 0] >= -0.5) & (at[..., 1] >= -0.5)
    inside &= (at[..., 0] <= photo.width_px - 0.5) & (at[..., 1] <= photo.height_px - 0.5)
    plate_of = np.zeros((height, width), dtype=np.uint8)
    if tee:
        above = np.arange(height) <= view.zero_row
        plate_of[above], plate_of[~above] = names.index("standing"), names.index("base")
    plate_of[~inside] = NO_PLATE
    return CouponView(image, inside, plate_of, _under_strips(view, scale), view.px_per_mm, names, view.zero_row, view.along0_mm)


def view_box_mm(photo: Photo, scale: Scale) -> tuple[float, float, float, float]:
    """What the view shows: along from and to, across (up in the view) from and to;
    what the photo sees, within reach of the strips [mm]."""
    border = _border_px(photo)
    if scale.source != "strips":
        seen = rays.to_plate_mm(scale, scale.plates[0].name, border)
        (along0, low), (along1, high) = seen.min(axis=0), seen.max(axis=0)
        return float(along0), float(along1), float(low), float(high)
    boxes = []
    for plate in scale.plates:
        outline = np.concatenate(list(plate.strip_outlines_mm.values()))
        low, high = outline.min(axis=0) - REACH_MM, outline.max(axis=0) + REACH_MM
        if plate.name != "plate":
            low[1], high[1] = 0.0, outline[:, 1].max() + BEYOND_STRIP_MM
        grid = np.stack(np.meshgrid(np.linspace(low[0], high[0], 200), np.linspace(low[1], high[1], 200)), axis=-1)
        at = rays.to_photo_px(scale, plate.name, grid.reshape(-1, 2))
        inside = (at > -0.5).all(axis=1) & (at < [photo.width_px - 0.5, photo.height_px - 0.5]).all(axis=1)
        if inside.any():
            mine = grid.reshape(-1, 2)[inside]
            (along0, low_across), (along1, high_across) = mine.min(axis=0), mine.max(axis=0)
            up = (-high_across, -low_across) if plate.name == "base" else (low_across, high_across)
            boxes.append((along0, along1, *up))
    if not boxes:
        raise NoScale("The plates lie outside the photo.", advice="Keep strips and bead in the photo.")
    every = np.array(boxes)
    return (
        float(every[:, 0].min()),
        float(every[:, 1].max()),
        float(every[:, 2].min()),
        float(every[:, 3].max()),
    )


def _border_px(photo: Photo) -> Array:
    right, bottom = photo.width_px - 1.0, photo.height_px - 1.0
    return np.array([[-0.5, -0.5], [right + 0.5, -0.5], [right + 0.5, bottom + 0.5], [-0.5, bottom + 0.5]])


def _photo_places(view: CouponView, scale: Scale, *, finer: int = 1) -> NDArray[np.float32]:
    """Where each view pixel (or each of `finer` × `finer` parts of it) is seen in the photo, shape (h, w, 2) [px]."""
    height, width = view.image.shape[0] * finer, view.image.shape[1] * finer
    step = NODE_PX
    xs = (step * np.arange(-1, width // step + 2) + 0.5 * step) / finer - 0.5
    ys = (step * np.arange(-1, height // step + 2) + 0.5 * step) / finer - 0.5
    nodes = np.stack(np.meshgrid(xs, ys), axis=-1)
    # each plate's nodes reach across the root, so that what lies between two nodes belongs to one plate
    places = np.empty((height, width, 2), dtype=np.float32)
    rows = (np.arange(height) + 0.5) / finer - 0.5
    for name in view.plate_names:
        up = (view.zero_row - nodes[..., 1]) / view.px_per_mm
        across = -up if name == "base" else up
        along = view.along0_mm + nodes[..., 0] / view.px_per_mm
        at = rays.to_photo_px(scale, name, np.stack([along, across], axis=-1))
        at = np.nan_to_num(at, nan=-1e6).astype(np.float32)
        dense = cv2.resize(at, (at.shape[1] * step, at.shape[0] * step), interpolation=cv2.INTER_LINEAR)
        dense = dense[step : step + height, step : step + width]
        mine = {"base": rows > view.zero_row, "standing": rows <= view.zero_row}.get(name, np.ones(height, dtype=bool))
        places[mine] = dense[mine]
    return places


def _finer(places: NDArray[np.float32]) -> int:
    """How many parts a view pixel must be drawn in, each way, so that no photo pixel is skipped."""
    sample = places[:: max(1, len(places) // 64), :: max(1, places.shape[1] // 64)]
    if sample.shape[0] < 2 or sample.shape[1] < 2:
        return 1
    rows, columns = places[1::16, ::16] - places[:-1:16, ::16], places[::16, 1::16] - places[::16, :-1:16]
    stretch = max(float(np.median(np.hypot(d[..., 0], d[..., 1]))) for d in (rows, columns) if d.size)
    return int(min(6, max(1, ceil(stretch - 0.25))))


def look_up(photo: Photo, places: NDArray[np.float32]) -> Picture:
    """The photo's colours at places (h, w, 2) [px], bicubic between pixels; black outside."""
    drawn = cv2.remap(
        photo.pixels, places[..., 0], places[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT, borderValue=(0, 0, 0)
    )
    return np.asarray(drawn, dtype=np.uint8)


def _under_strips(view: CouponView, scale: Scale) -> NDArray[np.bool_]:
    mask = np.zeros(view.valid.shape, dtype=np.uint8)
    for plate in scale.plates:
        for outline in plate.strip_outlines_mm.values():
            middle = outline.mean(axis=0)
            arm = outline - middle
            grown = middle + arm * (1.0 + BESIDE_STRIP_MM * 2**0.5 / np.linalg.norm(arm, axis=1, keepdims=True))
            corners = np.round(plate_to_view(view, plate.name, grown)).astype(np.int32)
            cv2.fillConvexPoly(mask, corners, 1)
    return mask > 0
