"""The coupon view: sub-pixel exact against drawn grids, never mirrored, and clean where it shrinks."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from sample_images.scene import geometry
from tests import strip_photos

from toeline.bead.view import CouponView, plate_to_view, unfold, view_to_photo, view_to_plate
from toeline.coupon import Scaling
from toeline.photo.result import Photo
from toeline.scale import Scale, find_scale, rays

Array = NDArray[np.float64]


@cache
def _unfolded(joint: str, how: str = "upright") -> tuple[geometry.Case, Photo, Scale, CouponView]:
    case = geometry.make_case(
        7,
        joint=joint,
        pair=("A", "B"),
        n_strips=2,
        lift_mm=0.0,
        curl_mm=0.0,
        thickness_mm=0.1,
        width_px=1200,
        height_px=900,
        fill_ratio=0.7,
    )
    pixels = strip_photos.draw(case, noise=0.5)
    if how == "mirrored":
        pixels = pixels[:, ::-1]
    if how == "sideways":
        pixels = np.rot90(pixels)
    photo = strip_photos.photo_of(pixels, focal_35mm=case.focal_35mm_mm)
    scale = find_scale(photo, joint=joint, scaling=Scaling(strip_thickness_mm=0.1, plate_scraped=True))
    return case, photo, scale, unfold(photo, scale)


def _dots(view: CouponView, scale: Scale, plate: str) -> Array:
    """Middles of the drawn dots (every 5 mm on each plate) seen on one plate of the view, as (along, across) [mm]."""
    index = view.plate_names.index(plate)
    free = cv2.dilate((~view.valid | view.strips | (view.plate_of != index)).astype(np.uint8), np.ones((47, 47))) == 0
    grey = cv2.GaussianBlur(view.grey(), (0, 0), 1.0).astype(np.float32)
    dark = (cv2.blur(grey, (41, 41)) - grey > 12) & free
    n, _, stats, middles = cv2.connectedComponentsWithStats(dark.astype(np.uint8))
    size = np.pi / 4 * (1.0 * view.px_per_mm) ** 2
    kept = [k for k in range(1, n) if 0.4 * size < stats[k, cv2.CC_STAT_AREA] < 1.8 * size]
    found = view_to_plate(view, middles[kept])[1]
    # where beads lie: the tilt's own uncertainty grows with the distance from the strips
    outlines = [o for fit in scale.plates if fit.name == plate for o in fit.strip_outlines_mm.values()]
    return found[np.linalg.norm(found - np.concatenate(outlines).mean(axis=0), axis=1) < 50.0]


@pytest.mark.parametrize("how", ["upright", "mirrored", "sideways"])
@pytest.mark.parametrize(("joint", "plate"), [("tee", "base"), ("tee", "standing"), ("plate", "plate")])
def test_drawn_grid_comes_out_square(joint: str, plate: str, how: str) -> None:
    """Dots drawn every 5 mm on the plates lie every 5 mm in the view, square to each other;
    on a tee, counted from the root."""
    _, _, scale, view = _unfolded(joint, how)
    found = _dots(view, scale, plate)
    assert len(found) > 40
    # the along origin (and on one plate the whole frame) is the view's own: fit a rigid motion to the 5 mm grid
    shift, turn = np.zeros(2), 0.0
    if plate == "plate":
        nearest = np.linalg.norm(found[:, None] - found[None], axis=2) + 1e9 * np.eye(len(found))
        pairs = found[nearest.argmin(axis=1)] - found
        turn = float(np.angle(np.mean(np.exp(4j * np.arctan2(pairs[:, 1], pairs[:, 0])))) / 4)
    for _ in range(4):
        c, s = np.cos(turn), np.sin(turn)
        level = found @ np.array([[c, -s], [s, c]])
        shift = np.angle(np.mean(np.exp(2j * np.pi * level / 5.0), axis=0)) * 5.0 / (2 * np.pi)
        off = level - shift
        off = off - 5.0 * np.round(off / 5.0)
        if plate != "plate":
            break
        arm = level - level.mean(axis=0)
        turn += float(np.sum(arm[:, 0] * off[:, 1] - arm[:, 1] * off[:, 0]) / np.sum(arm**2))
    if plate != "plate":
        assert abs(shift[1]) < 0.12  # the dots' rows are counted from the root
    assert np.sqrt(np.mean(off**2)) < 0.08


@pytest.mark.parametrize("how", ["upright", "mirrored", "sideways"])
def test_view_is_never_mirrored(how: str) -> None:
    """The strips' markers can be read in the view, which a mirrored view would not allow; the standing plate is above."""
    _, _, _, view = _unfolded("tee", how)
    markers, ids, _ = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)).detectMarkers(
        view.grey()
    )
    assert ids is not None and len(ids) > 20
    rows = {int(i): float(m[0, :, 1].mean()) for i, m in zip(ids.ravel(), markers, strict=True)}
    assert view.root_row is not None
    assert all((row > view.root_row) == (i < 18) for i, row in rows.items())
    columns = {int(i): float(m[0, :, 0].mean()) for i, m in zip(ids.ravel(), markers, strict=True)}
    pairs = [(columns[i], columns[i + 1]) for i in (0, 1, 2, 3, 6, 7) if i in columns and i + 1 in columns]
    assert pairs and all(a < b for a, b in pairs)


@pytest.mark.parametrize("joint", ["tee", "plate"])
def test_ways_between_view_plate_and_photo_agree(joint: str) -> None:
    _, _, scale, view = _unfolded(joint)
    points = np.random.default_rng(0).uniform([5, 5], [view.image.shape[1] - 5, view.image.shape[0] - 5], (200, 2))
    index, plates = view_to_plate(view, points)
    photo = view_to_photo(view, scale, points)
    for i, name in enumerate(view.plate_names):
        mine = index == i
        assert np.allclose(plate_to_view(view, name, plates[mine]), points[mine], atol=1e-6)
        assert np.allclose(rays.to_plate_mm(scale, name, photo[mine]), plates[mine], atol=1e-6)


def test_picture_is_where_the_map_says() -> None:
    """A smooth picture sampled at the exact places: the view shows it to a grey level or two."""
    _, photo, scale, view = _unfolded("tee")
    y, x = np.mgrid[0 : photo.height_px, 0 : photo.width_px].astype(float)
    wave = 128 + 60 * np.sin(x / 9.0) * np.cos(y / 11.0)
    smooth = strip_photos.photo_of(np.repeat(np.round(wave).astype(np.uint8)[..., None], 3, axis=2))
    shown = unfold(smooth, scale, px_per_mm=view.px_per_mm)
    rows, columns = np.nonzero(cv2.erode(shown.valid.astype(np.uint8), np.ones((9, 9))))
    pick = np.random.default_rng(1).integers(0, len(rows), 3000)
    at = view_to_photo(shown, scale, np.column_stack([columns, rows])[pick])
    exact = 128 + 60 * np.sin(at[:, 0] / 9.0) * np.cos(at[:, 1] / 11.0)
    assert np.abs(shown.image[rows[pick], columns[pick], 0] - exact).max() < 2.5


def test_shrunk_view_neither_flickers_nor_moves() -> None:
    """Stripes finer than the view's pixels average to grey; a dot stays where it is."""
    case, photo, scale, view = _unfolded("tee")
    stripes = np.zeros((photo.height_px, photo.width_px, 3), dtype=np.uint8)
    stripes[:, ::2] = 200
    coarse = unfold(strip_photos.photo_of(stripes), scale, px_per_mm=view.px_per_mm / 4)
    inside = cv2.erode(coarse.valid.astype(np.uint8), np.ones((7, 7))) > 0
    assert coarse.image[inside].std() < 12
    small = unfold(photo, scale, px_per_mm=view.px_per_mm / 2)
    reference = cv2.resize(view.grey(), (small.image.shape[1], small.image.shape[0]), interpolation=cv2.INTER_AREA)
    both = cv2.erode(small.valid.astype(np.uint8), np.ones((15, 15))) > 0
    shift, _ = cv2.phaseCorrelate(np.where(both, reference, 0).astype(float), np.where(both, small.grey(), 0).astype(float))
    assert np.hypot(*shift) < 0.7  # pixels of the small view; rounding of its own grid is half of one
    del case


def test_strips_are_masked_and_plates_told() -> None:
    case, _, scale, view = _unfolded("tee")
    for sighted in case.strips:
        name = sighted.placement.plate
        middle = case.camera.project(case.plates[name].to_camera(sighted.placement.on_plate(np.array([[48.0, 12.0]]))))
        column, row = np.round(plate_to_view(view, name, rays.to_plate_mm(scale, name, middle))[0]).astype(int)
        assert view.strips[row, column]
        assert view.plate_names[view.plate_of[row, column]] == name
    assert 0.02 < view.strips.mean() < 0.6
    assert (view.plate_of[~view.valid] == 255).all()


def test_unscaled_view_is_the_photo() -> None:
    photo = strip_photos.photo_of(np.random.default_rng(0).integers(0, 255, (120, 160, 3)).astype(np.uint8))
    scale = find_scale(photo, joint="plate", scaling=Scaling(unscaled=True))
    view = unfold(photo, scale)
    assert view.px_per_mm == 1.0 and view.root_row is None
    assert view.image.shape == photo.pixels.shape
    assert np.array_equal(view.image, photo.pixels)
    assert np.allclose(view_to_photo(view, scale, np.array([[10.0, 20.0]])), [[10.0, 20.0]])
