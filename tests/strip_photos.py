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
    ys, xs = np.mgrid[0 : height * finer, 0 : width * finer].astype(np.float64)
    fine = np.stack([(xs + 0.5) / finer - 0.5, (ys + 0.5) / finer - 0.5], axis=-1)
    rays = camera.normalised(fine, n_iterations=4)
    picture = np.full(fine.shape[:2], 90.0, dtype=np.float32)
    for k, (name, plate) in enumerate(case.plates.items()):
        face = plate.meet(rays)
        mine = face[..., 1] > 0 if case.joint == "tee" else np.ones(picture.shape, dtype=bool)
        dots = np.hypot(*(np.mod(face[mine] + 2.5, 5.0) - 2.5).T) < 0.5
        picture[mine] = np.where(dots, 60.0, 120.0 + 20.0 * k)
        for view in case.strips:
            if view.placement.plate == name:
                _lay(picture, mine, plate, view.placement, rays)
    picture = cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA)
    picture = cv2.GaussianBlur(picture, (0, 0), blur_px)
    picture += np.random.default_rng(case.seed).normal(0.0, noise, picture.shape)
    return np.repeat(np.clip(np.round(picture), 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def _lay(
    picture: NDArray[np.float32], mine: NDArray[np.bool_], plate: geometry.PlatePose, placement: geometry.Placement, rays: Array
) -> None:
    board = placement.board
    met = plate.meet(rays, height_mm=placement.thickness_mm + placement.lift_mm) - [placement.along_mm, placement.across_mm]
    c, s = np.cos(np.radians(placement.turn_deg)), np.sin(np.radians(placement.turn_deg))
    upward = -1.0 if placement.plate == "base" else 1.0
    up = upward * met[..., 1]
    x = c * met[..., 0] + s * up + 0.5 * board.length_mm + board.margin_mm
    y = -(c * up - s * met[..., 0]) + 0.5 * board.height_mm + board.margin_mm
    texture = cv2.GaussianBlur(printed(board.name), (0, 0), 2.0)
    sampled = cv2.remap(
        texture,
        (x * TEXTURE_PX_PER_MM - 0.5).astype(np.float32),
        (y * TEXTURE_PX_PER_MM - 0.5).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=0,
    )
    on = (x > 0) & (y > 0) & (x < board.length_mm + 2 * board.margin_mm) & (y < board.height_mm + 2 * board.margin_mm) & mine
    picture[on] = 25.0 + 200.0 * sampled[on] / 255.0


def photo_of(pixels: Picture, *, focal_35mm: float | None = None, name: str = "drawn") -> Photo:
    """The picture as a photo."""
    return Photo(name, "", np.ascontiguousarray(pixels), camera=CameraTag(focal_35mm=focal_35mm), has_exif=focal_35mm is not None)
