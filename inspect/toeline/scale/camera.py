"""Camera profiles: a phone's lens calibrated once from photos of a strip, written as TOML, used where the photo's
EXIF matches."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from math import sqrt
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from toeline.errors import BadUsage, NoScale, cant_write
from toeline.photo.result import CameraTag, Photo
from toeline.scale.budget import LensPrior, lens_prior
from toeline.scale.bundle import Sighting
from toeline.scale.corners import find_strips
from toeline.scale.solution import Lens

Array = NDArray[np.float64]

FEWEST_PHOTOS = 8
FOCUS_U_RATIO = 0.004
"""What focusing and stabilisation change in the focal length from photo to photo (own judgement) [ratio]."""
CENTRE_U_PX_RATIO = 0.002
"""What stabilisation moves the centre by, as a share of the photo's diagonal (own judgement) [ratio]."""
PARAMETERS = ("focal_px", "centre_x_px", "centre_y_px", "k1", "k2", "p1", "p2")


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """A calibrated camera.

    Attributes
    ----------
    camera : CameraTag
        Maker, model, lens, 35 mm equivalent focal length and zoom of the photos it was made from.
    size_px : (int, int)
        Longer and shorter side of those photos [px].
    lens : Lens
        As in a photo whose longer side lies flat.
    covariance : ndarray, shape (7, 7)
        Of (focal_px, centre_x_px, centre_y_px, k1, k2, p1, p2).
    residual_px : float
        Root mean square distance of corners from their projection [px].
    n_photos : int
    made_on : str
        Date, ISO 8601.
    """

    camera: CameraTag
    size_px: tuple[int, int]
    lens: Lens
    covariance: Array
    residual_px: float
    n_photos: int
    made_on: str


def calibrate(photos: Sequence[Photo]) -> Profile:
    """Calibrate a camera from eight or more photos of strips, seen from many sides (Zhang's method, as OpenCV has it).

    Every strip in a photo is a view of its own, so the uncut sheet serves as a board.

    Raises
    ------
    BadUsage
        Too few photos with a strip, or photos of different cameras or sizes.
    """
    first = photos[0] if photos else None
    views: list[Sighting] = []
    n_used = 0
    for photo in photos:
        if first is None or _key(photo.camera) != _key(first.camera) or _sides(photo) != _sides(first):
            raise BadUsage(
                f"{photo.name} comes from another camera, zoom or size than {first.name if first else ''}.",
                advice="Calibrate with photos of one camera at one zoom and full size.",
            )
        try:
            found = find_strips(photo.pixels)
        except NoScale:
            continue
        if not found.mirrored and (photo.width_px >= photo.height_px) == (first.width_px >= first.height_px):
            views += [s for s in found.strips if len(s.ids) >= 12]
            n_used += 1
    if first is None or n_used < FEWEST_PHOTOS:
        raise BadUsage(
            f"A strip was found in {n_used} photo{'' if n_used == 1 else 's'}; calibration needs {FEWEST_PHOTOS}, all held the same way.",
            advice="Fill the frame with the uncut sheet or a strip: from straight above, and tilted 30–40° to every side.",
        )
    size = (first.width_px, first.height_px)
    board = [_flat(s) for s in views]
    seen = [s.corners_px[:, None].astype(np.float32) for s in views]
    guess = lens_prior(*size, first.camera.focal_35mm)
    matrix = np.array([[guess.focal_px, 0, guess.centre_px[0]], [0, guess.focal_px, guess.centre_px[1]], [0, 0, 1.0]])
    flags = cv2.CALIB_USE_INTRINSIC_GUESS | cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_FIX_K3
    residual, matrix, bend, _, _, spread, *_ = cv2.calibrateCameraExtended(board, seen, size, matrix, np.zeros(5), flags=flags)
    bend = bend.ravel()
    k1, k2, p1, p2 = (float(v) for v in bend[:4])
    lens = Lens(float(matrix[0, 0]), float(matrix[0, 2]), float(matrix[1, 2]), k1, k2, p1, p2)
    # OpenCV reports u for (fx, fy, cx, cy, k1, k2, p1, p2, …), with none for fx when it hangs on fy
    u = spread.ravel()[[1, 2, 3, 4, 5, 6, 7]]
    made_on = (first.taken_at or date.today().isoformat())[:10]
    return Profile(first.camera, _sides(first), lens, np.diag(u**2), float(residual), n_used, made_on)


def _flat(sighting: Sighting) -> NDArray[np.float32]:
    corners = sighting.strip.corners_mm[sighting.ids]
    return np.column_stack([corners, np.zeros(len(corners))]).astype(np.float32)


def _key(camera: CameraTag) -> tuple[object, ...]:
    return camera.maker, camera.model, camera.lens, camera.focal_35mm, camera.zoom


def _sides(photo: Photo) -> tuple[int, int]:
    return max(photo.width_px, photo.height_px), min(photo.width_px, photo.height_px)


def write_profile(profile: Profile, path: Path) -> None:
    """Write a profile as TOML.

    Raises
    ------
    BadUsage
        Its folder can't be made, or the file can't be written.
    """
    camera = profile.camera
    lines = [
        "# Camera profile, made from photos of a printed strip. Lengths in px, distortion as in OpenCV.",
        'format = "camera-profile"',
    ]
    lines += [f"{key} = {_quoted(getattr(camera, key))}" for key in ("maker", "model", "lens")]
    lines += [f"{key} = {getattr(camera, key)!r}" for key in ("focal_35mm", "zoom") if getattr(camera, key) is not None]
    lines += [
        f"size_px = [{profile.size_px[0]}, {profile.size_px[1]}]",
        f'made_on = "{profile.made_on}"',
        f"n_photos = {profile.n_photos}",
        f"residual_px = {profile.residual_px:.4f}",
        "",
        "[parameters]",
    ]
    lines += [f"{name} = {float(getattr(profile.lens, name))!r}" for name in PARAMETERS]
    rows = ",\n  ".join("[" + ", ".join(f"{v:.6e}" for v in row) + "]" for row in profile.covariance)
    lines += ["", "# of the parameters above, in their order", f"covariance = [\n  {rows},\n]", ""]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("\n".join(lines), encoding="utf-8")
    except OSError as error:
        raise cant_write("The camera profile", path, error) from error


def _quoted(text: str) -> str:
    kept = "".join(c if c.isprintable() else " " for c in text)
    return '"' + kept.replace("\\", "\\\\").replace('"', '\\"') + '"'


def read_profile(path: Path) -> Profile:
    """Read a profile.

    Raises
    ------
    BadUsage
        Not there, or not a profile.
    """
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
        values = table["parameters"]
        covariance = np.array(values["covariance"], dtype=float)
        if table["format"] != "camera-profile" or covariance.shape != (7, 7) or not np.isfinite(covariance).all():
            raise ValueError("not a camera profile")
        lens = Lens(**{name: float(values[name]) for name in PARAMETERS})  # type: ignore[arg-type]
        camera = CameraTag(table["maker"], table["model"], table["lens"], table.get("focal_35mm"), table.get("zoom"))
        long_px, short_px = (int(v) for v in table["size_px"])
        return Profile(
            camera,
            (long_px, short_px),
            lens,
            covariance,
            float(table["residual_px"]),
            int(table["n_photos"]),
            str(table["made_on"]),
        )
    except OSError as error:
        raise BadUsage(
            f"The camera profile {path} can't be read ({error.strerror or error}).",
            advice="Check its path, or make one with `toeline camera`.",
        ) from error
    except (ValueError, KeyError, TypeError) as error:
        raise BadUsage(
            f"{path} can't be read as a camera profile ({error}).", advice="Make one with `toeline camera`."
        ) from error


def matches(profile: Profile, photo: Photo) -> bool:
    """Whether a photo was taken by that camera, lens and zoom, at that size."""
    return _key(profile.camera) == _key(photo.camera) and profile.size_px == _sides(photo)


def profile_prior(profile: Profile, photo: Photo) -> LensPrior:
    """What a matching profile says of a photo's lens; focal length and centre stay a little free.

    Photos held the other way round carry the same lens turned by a quarter; which way is not known, so the centre is
    then freer.
    """
    lens, u = profile.lens, np.sqrt(np.diag(profile.covariance))
    width, height = photo.width_px, photo.height_px
    free = CENTRE_U_PX_RATIO * float(np.hypot(width, height))
    landscape = width >= height
    centre = (lens.centre_x_px, lens.centre_y_px) if landscape else ((width - 1) / 2, (height - 1) / 2)
    off = 0.0 if landscape else float(np.hypot(lens.centre_x_px - (height - 1) / 2, lens.centre_y_px - (width - 1) / 2))
    unsure = 0.0 if landscape else 2e-4
    tangential = (lens.p1, lens.p2) if landscape else (0.0, 0.0)
    return LensPrior(
        focal_px=lens.focal_px,
        focal_u_ratio=sqrt((u[0] / lens.focal_px) ** 2 + FOCUS_U_RATIO**2),
        centre_px=centre,
        centre_u_px=(sqrt(u[1] ** 2 + free**2 + off**2), sqrt(u[2] ** 2 + free**2 + off**2)),
        distortion=(lens.k1, lens.k2, *tangential),
        distortion_u=(float(u[3]), float(u[4]), float(u[5]) + unsure, float(u[6]) + unsure),
        focal_dof=10.0,
    )


def mirrored_prior(prior: LensPrior, width_px: int) -> LensPrior:
    """The same lens in a photo that was mirrored left to right."""
    return replace(prior, centre_px=(width_px - 1 - prior.centre_px[0], prior.centre_px[1]))
