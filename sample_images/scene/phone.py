"""From linear light to the file a phone writes: shake, blur, noise, white balance, tone, sharpening, JPEG and EXIF.

Nothing here moves a point of the picture: blurs are symmetric, and the lens was traced already.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image
from sample_images.scene.coupon import Coupon

Picture = NDArray[Any]
Bytes = NDArray[np.uint8]


def _shake(length_px: float, turn_deg: float) -> Picture:
    """Symmetric motion kernel."""
    half = int(np.ceil(length_px / 2.0)) + 1
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(np.float64)
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    along, across = c * x + s * y, -s * x + c * y
    kernel = np.clip(0.5 * length_px + 0.5 - np.abs(along), 0.0, 1.0) * np.clip(1.0 - np.abs(across), 0.0, 1.0)
    out: Picture = (kernel / kernel.sum()).astype(np.float32)
    return out


def expose(light: Picture, coupon: Coupon) -> Picture:
    """Scale so that the coupon, not the paper, is middling, as a phone's meter does."""
    luminance = light.mean(axis=-1)
    height, width = luminance.shape
    middle = luminance[height // 5 : -height // 5, width // 8 : -width // 8]
    meter = 0.6 * float(np.median(middle)) + 0.4 * float(middle.mean())
    gain = 0.155 / max(meter, 1e-4) * 2.0**coupon.phone.exposure_ev
    bright = float(np.quantile(luminance[::3, ::3], 0.93)) * gain
    if bright > 0.95:  # highlights are held back, in part
        gain *= (0.95 / bright) ** 0.55
    return light * np.float32(gain)


def develop(light: Picture, coupon: Coupon) -> Bytes:
    """The phone's picture of linear light.

    Parameters
    ----------
    light : ndarray, shape (h, w, 3)
        Linear, any scale.
    coupon : Coupon
        Whose phone and camera to use.

    Returns
    -------
    ndarray, shape (h, w, 3), uint8
        sRGB.
    """
    phone = coupon.phone
    rng = np.random.default_rng([coupon.seed, 5])
    scale = light.shape[1] / 2000.0
    picture = expose(light, coupon)
    height, width = picture.shape[:2]
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    r2 = ((x - width / 2) ** 2 + (y - height / 2) ** 2) / np.float32((width / 2) ** 2 + (height / 2) ** 2)
    picture *= (1.0 - np.float32(rng.uniform(0.05, 0.3)) * r2)[..., None]
    # veiling glare and bloom around highlights
    small = cv2.resize(picture, (width // 8, height // 8), interpolation=cv2.INTER_AREA)
    bloom = cv2.GaussianBlur(np.clip(small, 0.0, 8.0), (0, 0), 0.02 * width / 8 + 0.5)
    share = np.float32(rng.uniform(0.01, 0.05))
    picture = (1.0 - share) * picture + share * cv2.resize(bloom, (width, height), interpolation=cv2.INTER_LINEAR)
    picture = cv2.GaussianBlur(picture, (0, 0), float(rng.uniform(0.45, 0.75)))
    length = phone.motion_px * scale
    if length > 0.4:
        picture = cv2.filter2D(picture, -1, _shake(length, phone.motion_deg), borderType=cv2.BORDER_REFLECT_101)
    picture = _sensor(picture, phone.noise_iso_ratio, phone.denoise, rng)
    picture *= np.array(phone.white_balance, np.float32)
    picture = _tone(picture, phone.contrast, phone.saturation, phone.local_contrast)
    if phone.sharpening > 0.0:
        radius = float(rng.uniform(0.7, 1.3))
        soft = cv2.GaussianBlur(picture, (0, 0), radius)
        picture = picture + np.float32(phone.sharpening) * np.clip(picture - soft, -0.12, 0.12)
    return np.asarray(np.clip(picture, 0.0, 1.0) * 255.0 + 0.5, dtype=np.uint8)


def _sensor(picture: Picture, iso: float, denoise: float, rng: np.random.Generator) -> Picture:
    """Shot and read noise, softened as a demosaic and a noise filter leave it."""
    sigma = np.sqrt(np.maximum(picture, 0.0) * 6e-5 * iso + 4e-6 * iso)
    grain = rng.standard_normal(picture.shape, dtype=np.float32)
    grain = 0.6 * grain + 1.1 * cv2.GaussianBlur(grain, (0, 0), 0.9)
    picture = np.maximum(picture + sigma * grain, 0.0)
    if denoise > 0.05:
        soft = cv2.GaussianBlur(picture, (0, 0), 1.1)
        detail = np.abs(picture - soft).mean(axis=-1, keepdims=True)
        keep = detail / (detail + np.float32(denoise) * 1.5 * sigma.mean(axis=-1, keepdims=True) + 1e-6)
        picture = soft + keep * (picture - soft)
    out: Picture = picture.astype(np.float32)
    return out


def _tone(picture: Picture, contrast: float, saturation: float, local_contrast: float) -> Picture:
    """Local lifting, a film-like curve, sRGB, saturation."""
    luminance = picture.mean(axis=-1)
    height, width = luminance.shape
    small = cv2.resize(np.log(luminance + 0.01), (width // 8, height // 8), interpolation=cv2.INTER_AREA)
    around = cv2.resize(cv2.GaussianBlur(small, (0, 0), 0.05 * width / 8 + 0.5), (width, height))
    lift = np.exp(-0.45 * np.float32(local_contrast) * (around - np.float32(np.log(0.18))))
    picture = picture * np.clip(lift, 0.5, 2.2)[..., None]
    # shoulder: straight to 0.6, then bending towards 1
    over = np.maximum(picture - 0.55, 0.0)
    picture = np.minimum(picture, 0.55) + 0.45 * (1.0 - np.exp(-over / 0.45))
    coded = np.where(picture <= 0.0031308, 12.92 * picture, 1.055 * np.maximum(picture, 1e-6) ** (1 / 2.4) - 0.055)
    steep = np.float32(contrast - 1.0) * 0.9
    coded = coded + steep * (coded - 0.45) * 4.0 * coded * (1.0 - coded)
    grey = coded.mean(axis=-1, keepdims=True)
    out: Picture = (grey + np.float32(saturation) * (coded - grey)).astype(np.float32)
    return out


def write_photo(path: Path, picture: Bytes, coupon: Coupon) -> None:
    """Write a picture as the phone would, JPEG or HEIC by the name, with or without EXIF.

    With orientation 6 in the EXIF the picture is stored turned, and shown upright by whoever obeys it.
    """
    image = Image.fromarray(picture)
    exif = Image.Exif()
    data: dict[str, Any] | None = coupon.exif
    if data:
        exif[0x010F], exif[0x0110] = data["make"], data["model"]
        exif[0x0112] = data["orientation"]
        if data["orientation"] == 6:  # shown turned clockwise, so stored turned anticlockwise
            image = image.transpose(Image.Transpose.ROTATE_90)
        more = exif.get_ifd(0x8769)
        more[0x9003] = data["taken_at"]
        more[0x920A] = data["focal_mm"]
        more[0xA405] = data["focal_35mm"]
        more[0x8827] = data["iso"]
        more[0xA434] = f"{data['model']} back camera"
    coded = exif.tobytes() if data else b""
    if path.suffix.lower() == ".heic":
        import pillow_heif

        pillow_heif.register_heif_opener()
        image.save(path, quality=min(80, coupon.phone.quality), exif=coded)
    else:
        image.save(path, quality=coupon.phone.quality, subsampling=2, exif=coded)
