"""Plain pictures of strips on plates, drawn from a geometry-only coupon:
for finding strips and unfolding plates, not for beads."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from sample_images.scene import geometry

from toeline.photo.result import CameraTag, Photo

Array = NDArray[np.float64]
Picture = NDArray[np.uint8]

TEXTURE_PX_PER_MM = 40
NODE = 8


def printed(letter: str) -> Picture:
    """The strip as printed, margins included, by OpenCV's own drawing of the board, grey."""
    board = geometry.BOARDS[letter]
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    ids = np.arange(board.first_id, board.first_id + board.n_markers)
    drawn = cv2.aruco.CharucoBoard((board.n_x, board.n_y), board.square_mm, board.marker_mm, dictionary, ids)
    size = (round(board.length_mm * TEXTURE_PX_PER_MM), round(board.height_mm * TEXTURE_PX_PER_MM))
    margin = round(board.margin_mm * TEXTURE_PX_PER_MM)
    return cv2.copyMakeBorder(drawn.generateImage(size), margin, margin, margin, margin, cv2.BORDER_CONSTANT, value=255)


def draw(case: geometry.Case, *, finer: int = 2, noise: float = 2.0, blur_px: float = 0.7) -> Picture:
    """The case's plates in two greys with a grid of dots, and its strips on them;
    drawn finer and averaged, then blurred, with noise."""
    camera = case.camera
    height, width = camera.height_px, camera.width_px
    full = (height * finer, width * finer)
    rows, columns = (NODE * np.arange(-1, n // NODE + 2) + 0.5 * NODE for n in full)
    nodes = np.stack(np.meshgrid(columns / finer - 0.5, rows / finer - 0.5), axis=-1)
    rays = camera.normalised(nodes)
    picture = np.full(full, 90.0, dtype=np.float32)
    for k, (name, plate) in enumerate(case.plates.items()):
        along, across = _spread(plate.meet(rays), full)
        mine = across > 0 if case.joint == "tee" else np.ones(full, dtype=bool)
        dots = np.hypot(along - 5 * np.round(along / 5), across - 5 * np.round(across / 5)) < 0.5
        np.copyto(picture, np.where(dots, np.float32(60.0), np.float32(120.0 + 20.0 * k)), where=mine)
        for view in case.strips:
            if view.placement.plate == name:
                _lay(picture, mine, plate, view.placement, rays)
    picture = cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA)
    picture = cv2.GaussianBlur(picture, (0, 0), blur_px)
    picture += np.random.default_rng(case.seed).normal(0.0, noise, picture.shape)
    return np.repeat(np.clip(np.round(picture), 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def _spread(at_nodes: Array, full: tuple[int, int]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Plate places known at every NODE-th pixel, at every pixel: between nodes they run straight to a thousandth of a millimetre."""
    size = (at_nodes.shape[1] * NODE, at_nodes.shape[0] * NODE)
    dense = cv2.resize(at_nodes.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)[
        NODE : NODE + full[0], NODE : NODE + full[1]
    ]
    return np.ascontiguousarray(dense[..., 0]), np.ascontiguousarray(dense[..., 1])


def _lay(
    picture: NDArray[np.float32], mine: NDArray[np.bool_], plate: geometry.PlatePose, placement: geometry.Placement, rays: Array
) -> None:
    board = placement.board
    met = plate.meet(rays, height_mm=placement.thickness_mm + placement.lift_mm)
    along, across = _spread(met - [placement.along_mm, placement.across_mm], picture.shape)
    c, s = float(np.cos(np.radians(placement.turn_deg))), float(np.sin(np.radians(placement.turn_deg)))
    upward = -1.0 if placement.plate == "base" else 1.0
    up = upward * across
    x = c * along + s * up + 0.5 * board.length_mm + board.margin_mm
    y = -(c * up - s * along) + 0.5 * board.height_mm + board.margin_mm
    texture = cv2.GaussianBlur(printed(board.name), (0, 0), 2.0)
    sampled = cv2.remap(
        texture,
        np.float32(TEXTURE_PX_PER_MM) * x - np.float32(0.5),
        np.float32(TEXTURE_PX_PER_MM) * y - np.float32(0.5),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=0,
    )
    on = (x > 0) & (y > 0) & (x < board.length_mm + 2 * board.margin_mm) & (y < board.height_mm + 2 * board.margin_mm) & mine
    picture[on] = 25.0 + 200.0 * sampled[on] / 255.0


def photo_of(pixels: Picture, *, focal_35mm: float | None = None, name: str = "drawn") -> Photo:
    """The picture as a photo."""
    return Photo(name, "", np.ascontiguousarray(pixels), camera=CameraTag(focal_35mm=focal_35mm), has_exif=focal_35mm is not None)
