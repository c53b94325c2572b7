"""Bytes in, an upright sRGB photo out, or one clear sentence why not.

JPEG, PNG, HEIC, WebP and TIFF go through one reader (Pillow, with pillow-heif for HEIC). The header is checked against an explicit limit
before a single pixel is decoded, EXIF orientation is applied once, other colour spaces are turned into sRGB by their embedded profile.
"""

from __future__ import annotations

import hashlib
import io
import re
import warnings
from pathlib import Path

import numpy as np
from PIL import ExifTags, Image, ImageCms, ImageOps, UnidentifiedImageError
from pillow_heif import register_heif_opener

from toeline.errors import PhotoUnfit, PhotoUnreadable
from toeline.photo.result import CameraTag, Photo

register_heif_opener(thumbnails=False)

#: Largest picture that is decoded [px]; the largest phone sensors have 200 million.
LIMIT_PX = 220_000_000
#: Largest file that is read [bytes].
LIMIT_BYTES = 400_000_000
#: Smallest side that can hold a readable strip [px].
SMALLEST_SIDE_PX = 200
#: Formats that are let in, by Pillow's names; everything else is refused before it is decoded.
FORMATS = ("JPEG", "PNG", "HEIF", "WEBP", "TIFF", "BMP")
#: What a person would call a photo in a folder, by file ending.
SUFFIXES = (".jpg", ".jpeg", ".png", ".heic", ".heif", ".webp", ".tif", ".tiff", ".bmp")


def read_photo(source: Path | str | bytes, *, name: str | None = None) -> Photo:
    """Read one photo.

    Parameters
    ----------
    source : path or bytes
        A file, or its content.
    name : str, optional
        Name to show; a path's own name by default.

    Returns
    -------
    Photo

    Raises
    ------
    PhotoUnreadable
        No such file, empty, not a picture, broken, or larger than ``LIMIT_PX``.
    PhotoUnfit
        Smaller than ``SMALLEST_SIDE_PX`` on a side.
    """
    data, shown = _load(source, name)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", Image.DecompressionBombWarning)
        with _open(data, shown) as image:
            _check_header(image, shown)
            camera, taken_at, has_exif = _camera_tag(image)
            pixels = _decode(image, shown)
    return Photo(shown, hashlib.sha256(data).hexdigest(), pixels, taken_at, camera, has_exif)


def _load(source: Path | str | bytes, name: str | None) -> tuple[bytes, str]:
    if isinstance(source, bytes):
        data, shown = source, name or "photo"
    else:
        path = Path(source)
        shown = name or path.name
        try:
            if path.stat().st_size > LIMIT_BYTES:
                raise PhotoUnreadable(
                    f"{shown} has {path.stat().st_size / 1e6:.0f} MB, more than a photo needs.",
                    advice="Send the photo as JPEG or HEIC, as the phone took it.",
                )
            data = path.read_bytes()
        except OSError as error:
            raise PhotoUnreadable(
                f"{shown} can't be opened ({error.strerror or error}).", advice="Check the path and the permissions."
            ) from error
    if not data:
        raise PhotoUnreadable(
            f"{shown} is empty (0 bytes), so there is nothing to measure.", advice="Copy the photo from the phone again."
        )
    return data, shown


def _open(data: bytes, shown: str) -> Image.Image:
    try:
        return Image.open(io.BytesIO(data), formats=FORMATS)
    except UnidentifiedImageError as error:
        raise PhotoUnreadable(
            f"{shown} is not a picture{_really(data)}, whatever its name says.",
            advice="Choose a photo: JPEG, HEIC, PNG or WebP.",
        ) from error
    except Image.DecompressionBombError as error:
        raise _too_large(shown, "far too many") from error
    except (OSError, ValueError, SyntaxError, MemoryError, EOFError) as error:
        raise _broken(shown) from error


def _really(data: bytes) -> str:
    for start, what in ((b"%PDF", " but a PDF"), (b"PK", " but a zip or office file"), (b"GIF8", " but a GIF")):
        if data.startswith(start):
            return what
    return ""


def _too_large(shown: str, pixels: str) -> PhotoUnreadable:
    return PhotoUnreadable(
        f"{shown} claims {pixels} pixels; more than {LIMIT_PX // 1_000_000} million can't be a photo of a bead.",
        advice="Send the photo as the phone took it.",
    )


def _broken(shown: str) -> PhotoUnreadable:
    return PhotoUnreadable(
        f"{shown} breaks off or is damaged, so parts of the picture are missing.",
        advice="Copy the photo from the phone again.",
    )


def _check_header(image: Image.Image, shown: str) -> None:
    width, height = image.size
    if width * height > LIMIT_PX:
        raise _too_large(shown, f"{width} × {height}")
    if min(width, height) < SMALLEST_SIDE_PX:
        raise PhotoUnfit(
            f"{shown} has only {width} × {height} pixels; nothing can be measured in so few.",
            advice="Send the original photo, not a thumbnail.",
        )


def _decode(image: Image.Image, shown: str) -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
    try:
        image.load()
        upright = ImageOps.exif_transpose(image) or image
        return np.array(_to_srgb(upright), dtype=np.uint8)
    except (OSError, ValueError, SyntaxError, EOFError, MemoryError) as error:
        raise _broken(shown) from error


def _to_srgb(image: Image.Image) -> Image.Image:
    """8-bit sRGB of any mode: 16-bit grey is scaled, transparency is laid on white, profiles are applied."""
    if image.mode.startswith("I") or image.mode == "F":
        values = np.asarray(image, dtype=np.float64)
        top = 65535.0 if values.max(initial=0) > 255 else 255.0
        return Image.fromarray(np.uint8(np.clip(values / top, 0, 1) * 255 + 0.5)).convert("RGB")
    profile = image.info.get("icc_profile")
    if image.mode in ("RGBA", "LA", "PA") or "transparency" in image.info:
        rgba = image.convert("RGBA")
        white = Image.new("RGBA", rgba.size, "white")
        white.alpha_composite(rgba)
        image = white.convert("RGB")
    if profile and image.mode in ("RGB", "CMYK"):
        try:
            source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
            turned = ImageCms.profileToProfile(image, source, ImageCms.createProfile("sRGB"), outputMode="RGB")
            if turned is not None:
                return turned
        except ImageCms.PyCMSError:
            pass
    return image.convert("RGB")


def _camera_tag(image: Image.Image) -> tuple[CameraTag, str | None, bool]:
    try:
        exif = image.getexif()
        inner = exif.get_ifd(ExifTags.IFD.Exif)
    except (OSError, ValueError, SyntaxError, KeyError, TypeError):
        return CameraTag(), None, False
    base = ExifTags.Base

    def text(value: object) -> str:
        return re.sub(r"[^\x20-\x7e\u00a0-\uffff]", "", str(value or "")).strip()

    def number(value: object) -> float | None:
        try:
            got = float(value)  # type: ignore[arg-type]
        except (TypeError, ValueError, ZeroDivisionError):
            return None
        return got if np.isfinite(got) and got > 0 else None

    focal = number(inner.get(base.FocalLengthIn35mmFilm))
    camera = CameraTag(
        text(exif.get(base.Make)),
        text(exif.get(base.Model)),
        text(inner.get(base.LensModel)),
        focal if focal is not None and 5 <= focal <= 1000 else None,
        number(inner.get(base.DigitalZoomRatio)),
    )
    match = re.fullmatch(r"(\d{4}):(\d\d):(\d\d) (\d\d:\d\d:\d\d).*", text(inner.get(base.DateTimeOriginal)))
    taken_at = f"{match[1]}-{match[2]}-{match[3]}T{match[4]}" if match else None
    return camera, taken_at, bool(len(exif) or len(inner))


def find_photos(path: Path) -> tuple[Path, ...]:
    """The photos at a path: the file itself, or a folder's pictures in the order of their names (not its subfolders)."""
    if path.is_dir():
        return tuple(sorted(p for p in path.iterdir() if p.suffix.lower() in SUFFIXES and not p.name.startswith(".")))
    return (path,)
