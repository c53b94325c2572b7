"""Reading photos: every format that phones write, and every spoilt file gets one clear sentence."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageCms

from toeline.errors import PhotoUnfit, PhotoUnreadable, ToelineError
from toeline.flags import registry
from toeline.photo import check_bead, check_photo, check_strips, find_photos, read_photo
from toeline.photo.fitness import edge_width_px


def scene(width: int = 640, height: int = 480, seed: int = 1) -> Image.Image:
    """A picture with detail, light and a clear top-left corner (red)."""
    rng = np.random.default_rng(seed)
    coarse = rng.integers(40, 215, (height // 16, width // 16, 3), dtype=np.uint8)
    pixels = cv2.resize(coarse, (width, height), interpolation=cv2.INTER_NEAREST)
    pixels[:64, :64] = (250, 10, 10)
    return Image.fromarray(pixels)


def encoded(image: Image.Image, kind: str, **options: object) -> bytes:
    out = io.BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "HEIF", "TIFF", "BMP"])
def test_reads_every_format(kind: str) -> None:
    photo = read_photo(encoded(scene(), kind), name=f"a.{kind.lower()}")
    assert photo.pixels.shape == (480, 640, 3)
    assert photo.pixels[20, 20, 0] > 200 and photo.pixels[20, 20, 1] < 80
    with pytest.raises(ValueError):
        photo.pixels[0, 0] = 0


@pytest.mark.parametrize("orientation", range(1, 9))
def test_applies_orientation_once(orientation: int) -> None:
    """All eight values of EXIF tag 274 (CIPA DC-008, table of orientations): the red corner ends at the top left."""
    upright = scene()
    undo = {
        1: None, 2: Image.Transpose.FLIP_LEFT_RIGHT, 3: Image.Transpose.ROTATE_180, 4: Image.Transpose.FLIP_TOP_BOTTOM,
        5: Image.Transpose.TRANSPOSE, 6: Image.Transpose.ROTATE_90, 7: Image.Transpose.TRANSVERSE, 8: Image.Transpose.ROTATE_270,
    }[orientation]  # fmt: skip
    stored = upright if undo is None else upright.transpose(undo)
    exif = Image.Exif()
    exif[274] = orientation
    photo = read_photo(encoded(stored, "JPEG", exif=exif), name="turned")
    assert (photo.width_px, photo.height_px) == (640, 480)
    assert photo.pixels[20, 20, 0] > 200 and photo.pixels[20, 20, 2] < 90


def test_heic_is_not_turned_twice() -> None:
    """In HEIF the picture is turned by its own `irot` property, which the decoder applies; EXIF's tag must not turn it again (ISO/IEC
    23008-12, 6.5.10 and annex A; from memory)."""
    exif = Image.Exif()
    exif[274] = 6
    photo = read_photo(encoded(scene(), "HEIF", exif=exif), name="a.heic")
    assert (photo.width_px, photo.height_px) == (640, 480) and photo.pixels[20, 20, 0] > 200


def test_tells_what_the_camera_wrote() -> None:
    exif = Image.Exif()
    exif[271], exif[272] = "Maker", "Phone 7"
    inner = exif.get_ifd(0x8769)
    inner[41989], inner[36867], inner[42036] = 26, "2026:03:01 10:11:12", "wide lens"
    photo = read_photo(encoded(scene(), "JPEG", exif=exif), name="a.jpg")
    assert (photo.camera.maker, photo.camera.model, photo.camera.lens) == ("Maker", "Phone 7", "wide lens")
    assert photo.camera.focal_35mm == 26 and photo.taken_at == "2026-03-01T10:11:12" and photo.has_exif


@pytest.mark.parametrize("mode", ["L", "LA", "RGBA", "P", "CMYK", "I;16", "1"])
def test_turns_every_mode_into_srgb(mode: str) -> None:
    image = scene().convert("L") if mode == "I;16" else scene().convert(mode)
    if mode == "I;16":
        image = Image.fromarray(np.asarray(image, dtype=np.uint16) * 257)
    photo = read_photo(encoded(image, "JPEG" if mode == "CMYK" else "PNG" if mode != "CMYK" else "TIFF"), name="a")
    reference = np.asarray(scene().convert("L"), dtype=float)
    grey = np.asarray(Image.fromarray(photo.pixels.copy()).convert("L"), dtype=float)
    if mode != "1":
        assert np.abs(grey - reference).mean() < 12


def test_applies_an_embedded_profile() -> None:
    """A picture tagged as linear-light grey must come out as Pillow's own colour engine (Little CMS) turns it."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB"))
    assert profile is not None  # the engine is there
    data = encoded(scene(), "PNG", icc_profile=ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    assert np.abs(read_photo(data, name="a.png").pixels.astype(int) - np.asarray(scene(), dtype=int)).max() <= 2


def bomb() -> bytes:
    """A PNG header that claims 60,000 × 60,000 pixels."""
    header = struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0)
    chunk = b"IHDR" + header
    return b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + chunk + struct.pack(">I", zlib.crc32(chunk)) + b"\0" * 64


SPOILT = {
    "empty": b"",
    "noise": bytes(range(256)) * 20,
    "pdf": b"%PDF-1.7 something",
    "zip": b"PK\x03\x04 something",
    "truncated": encoded(scene(), "JPEG")[:6000],
    "truncated png": encoded(scene(), "PNG")[:3000],
    "bomb": bomb(),
}


@pytest.mark.parametrize("name", SPOILT)
def test_a_spoilt_file_gets_one_sentence(name: str) -> None:
    with pytest.raises(PhotoUnreadable) as caught:
        read_photo(SPOILT[name], name="bead.jpg")
    assert caught.value.message.startswith("bead.jpg") and caught.value.advice.endswith(".")


def test_a_missing_file_gets_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(PhotoUnreadable, match="can't be opened"):
        read_photo(tmp_path / "nothing.jpg")


def test_a_48_megapixel_photo_is_let_in_and_a_thumbnail_is_not() -> None:
    assert read_photo(encoded(Image.new("L", (8000, 6000), 90), "JPEG"), name="a.jpg").width_px == 8000
    with pytest.raises(PhotoUnfit, match="160 × 120"):
        read_photo(encoded(scene().resize((160, 120)), "JPEG"), name="a.jpg")


def test_a_folder_lists_its_photos_only(tmp_path: Path) -> None:
    for name in ("b.JPG", "a.heic", "notes.txt", ".hidden.jpg"):
        (tmp_path / name).write_bytes(b"x")
    assert [p.name for p in find_photos(tmp_path)] == ["a.heic", "b.JPG"]


@pytest.mark.parametrize(("value", "word"), [(0, "black"), (255, "burnt out"), (128, "one even grey")])
def test_nothing_to_see_is_refused(value: int, word: str) -> None:
    with pytest.raises(PhotoUnfit, match=word):
        check_photo(read_photo(encoded(Image.new("RGB", (640, 480), (value,) * 3), "PNG"), name="a.png"))


def test_edge_width_grows_with_blur_as_a_gaussian_says() -> None:
    """A step blurred by a Gaussian of s has slope 1/(s·√(2π)): its width is √(2π)·s = 2.5 s (calculus)."""
    step = np.zeros((200, 200), np.float32)
    step[:, 100:] = 200
    for s in (2.0, 3.0):
        soft = cv2.GaussianBlur(step, (0, 0), s).astype(np.uint8)
        assert edge_width_px(soft, np.ones(soft.shape, bool)) == pytest.approx(np.sqrt(2 * np.pi) * np.hypot(s, 0.7), rel=0.25)


def test_flags_of_the_bead_region_name_what_is_wrong() -> None:
    sharp = np.asarray(scene().convert("L"))
    everywhere = np.ones(sharp.shape, bool)
    names = lambda grey, dense=12.0: {f.name for f in check_bead(grey, everywhere, px_per_mm=dense)}  # noqa: E731
    assert names(sharp) == set()
    assert "blurred" in names(cv2.GaussianBlur(sharp, (0, 0), 6))
    assert "too-dark" in names((sharp * 0.12).astype(np.uint8))
    burnt = sharp.copy()
    burnt[:200] = 255
    assert "too-bright" in names(burnt)
    assert "low-resolution" in names(sharp, 3.0)


@pytest.mark.parametrize(
    ("black", "white", "flag"), [(55, 200, None), (140, 200, "smeared-lens"), (60, 255, "too-bright"), (10, 35, "too-dark")]
)
def test_the_strip_tells_of_light_and_lens(black: int, white: int, flag: str | None) -> None:
    found = {f.name for f in check_strips(np.full(20, float(black)), np.full(40, float(white)))}
    assert found == ({flag} if flag else set())


def test_lamp_banding_is_noticed() -> None:
    rows = 12 * np.sin(np.arange(480) / 480 * 2 * np.pi * 14)[:, None]
    plain = np.asarray(scene().filter(__import__("PIL.ImageFilter", fromlist=["BoxBlur"]).BoxBlur(40)), dtype=float)
    banded = np.clip(plain + rows[..., None], 0, 255).astype(np.uint8)
    assert "lamp-banding" in {f.name for f in check_photo(read_photo(encoded(Image.fromarray(banded), "PNG"), name="a"))}
    assert "lamp-banding" not in {f.name for f in check_photo(read_photo(encoded(scene(), "PNG"), name="a"))}


def test_every_error_and_flag_gives_advice() -> None:
    assert all(kind.meaning.endswith(".") and kind.advice.endswith(".") for kind in registry().values())
    assert str(ToelineError("Seen.", advice="Do.")) == "Seen. Do."
