"""Camera profiles: calibration against a known lens, the file and back, and when a profile is used."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from sample_images.scene import geometry
from tests import strip_photos

from toeline.coupon import Scaling
from toeline.errors import BadUsage
from toeline.photo.result import CameraTag, Photo
from toeline.scale import find_scale
from toeline.scale.camera import Profile, calibrate, matches, profile_prior, read_profile, write_profile

CAMERA = geometry.Camera(900, 675, 680.0, 452.0, 334.0, 0.03, -0.02)
TAG = CameraTag("Maker", 'Phone "7"', "back wide", 26.0, None)


@cache
def _photos() -> tuple[Photo, ...]:
    """Ten views of strip A and B on one plate by one known lens."""
    rng = np.random.default_rng(0)
    photos = []
    for k in range(10):
        base = geometry.make_case(
            k, joint="plate", pair=("A", "B"), n_strips=2, lift_mm=0.0, curl_mm=0.0, width_px=900, height_px=675
        )
        pitch, yaw = 33.0 * np.cos(0.7 * k + 0.3), 33.0 * np.sin(0.7 * k + 0.3)
        turn, shift = geometry.look_at(
            np.array([60.0, 0, 0]) + rng.normal(0, 8, 3), 190.0, pitch, yaw, float(rng.uniform(-40, 40))
        )
        plates = geometry.plate_poses("plate", 180.0, turn, shift)
        placements = [replace(v.placement, thickness_mm=0.0) for v in base.strips]
        strips = tuple(geometry.strip_view(p, CAMERA, plates) for p in placements)
        case = replace(base, camera=CAMERA, plates=plates, strips=strips)
        photo = strip_photos.photo_of(strip_photos.draw(case, noise=1.0), focal_35mm=26.0, name=f"{k}.png")
        photos.append(replace(photo, camera=TAG))
    return tuple(photos)


@cache
def _profile() -> Profile:
    return calibrate(_photos())


def test_calibration_finds_the_known_lens() -> None:
    profile = _profile()
    assert profile.residual_px < 0.15
    assert profile.lens.focal_px == pytest.approx(CAMERA.focal_px, rel=0.004)
    assert profile.lens.centre_x_px == pytest.approx(CAMERA.cx_px, abs=4)
    assert profile.lens.centre_y_px == pytest.approx(CAMERA.cy_px, abs=4)
    u = np.sqrt(np.diag(profile.covariance))
    assert abs(profile.lens.focal_px - CAMERA.focal_px) < 5 * u[0]


def test_profile_survives_its_file(tmp_path: Path) -> None:
    profile = _profile()
    write_profile(profile, tmp_path / "deep" / "camera.toml")
    again = read_profile(tmp_path / "deep" / "camera.toml")
    assert again.lens == profile.lens and again.camera == profile.camera and again.size_px == profile.size_px
    assert np.allclose(again.covariance, profile.covariance, rtol=1e-5)


def test_profile_is_for_its_own_camera_only(tmp_path: Path) -> None:
    profile, photo = _profile(), _photos()[0]
    assert matches(profile, photo)
    for other in (replace(TAG, model="Phone 8"), replace(TAG, zoom=2.0), replace(TAG, lens="back tele")):
        assert not matches(profile, replace(photo, camera=other))
    write_profile(profile, tmp_path / "camera.toml")
    with pytest.raises(BadUsage, match="another camera"):
        find_scale(
            replace(photo, camera=replace(TAG, zoom=2.0)), joint="plate", scaling=Scaling(camera=str(tmp_path / "camera.toml"))
        )


def test_profile_tightens_the_lens(tmp_path: Path) -> None:
    photo = _photos()[3]
    write_profile(_profile(), tmp_path / "camera.toml")
    plain = find_scale(photo, joint="plate", scaling=Scaling(strip_thickness_mm=0.0))
    known = find_scale(photo, joint="plate", scaling=Scaling(strip_thickness_mm=0.0, camera=str(tmp_path / "camera.toml")))

    def focal_u(effects: dict[str, np.ndarray]) -> float:
        return float(np.linalg.norm([e[0] for e in effects.values()]))

    assert abs(known.lens.focal_px / CAMERA.focal_px - 1) < 0.006
    assert focal_u(dict(known.lens_effects)) < focal_u(dict(plain.lens_effects))


def test_portrait_photo_keeps_the_focal_length() -> None:
    photo = _photos()[0]
    upright = replace(photo, pixels=np.ascontiguousarray(np.rot90(photo.pixels)))
    assert matches(_profile(), upright)
    prior = profile_prior(_profile(), upright)
    assert prior.focal_px == _profile().lens.focal_px
    assert prior.centre_u_px[0] >= profile_prior(_profile(), photo).centre_u_px[0]


def test_too_few_or_mixed_photos_are_refused() -> None:
    photos = _photos()
    with pytest.raises(BadUsage, match="calibration needs 8"):
        calibrate(photos[:4])
    with pytest.raises(BadUsage, match="another camera"):
        calibrate([*photos[:7], replace(photos[7], camera=replace(TAG, zoom=3.0))])
    with pytest.raises(BadUsage):
        calibrate([])


@pytest.mark.parametrize("text", ["", "format = 1", 'format = "camera-profile"\n[parameters]\ncovariance = [[1]]'])
def test_broken_profile_is_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "broken.toml"
    path.write_text(text)
    with pytest.raises(BadUsage, match="can't be read as a camera profile"):
        read_profile(path)
    with pytest.raises(BadUsage):
        read_profile(tmp_path / "missing.toml")
