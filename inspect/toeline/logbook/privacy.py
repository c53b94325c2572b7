"""A photo file without what it tells about people: places, names, serial numbers, notes, thumbnails, hidden clips.

What is kept is a short list (camera, lens, focal length, exposure, time, orientation, colour profile); all else goes, known or
not. The picture itself is not touched: its compressed pixels are copied byte for byte, so a photo from the logbook measures the
same.

File layouts (all from memory): JPEG ITU-T T.81 annex B and JFIF 1.02; PNG W3C (third edition) chapter 11; WebP RFC 9649; HEIF
ISO/IEC 14496-12 (iloc, iinf) and 23008-12. EXIF tags: CIPA DC-008.
"""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass

from PIL import Image

KEPT_TAGS: dict[int, str] = {271: "Make", 272: "Model", 274: "Orientation"}
KEPT_EXIF_TAGS: dict[int, str] = {
    33434: "ExposureTime", 33437: "FNumber", 34855: "ISO", 36867: "DateTimeOriginal", 37386: "FocalLength",
    41988: "DigitalZoomRatio", 41989: "FocalLengthIn35mmFilm", 42035: "LensMake", 42036: "LensModel",
}  # fmt: skip
_EXIF_IFD = 0x8769
_EXIF_MARK = b"Exif\x00\x00"
_LONGEST_TEXT = 64


class CannotClean(Exception):
    """The file's layout is not one that can be cleaned without touching the picture."""


@dataclass(frozen=True, slots=True)
class CleanPhoto:
    """A photo's bytes without private data, and the suffix that fits them (``.jpg``, ``.png``, ``.webp``, ``.heic``)."""

    data: bytes
    suffix: str


def clean_photo(data: bytes) -> CleanPhoto:
    """The same picture without private data.

    Raises
    ------
    CannotClean
        For other formats and broken files.
    """
    try:
        if data[:2] == b"\xff\xd8":
            return CleanPhoto(_clean_jpeg(data), ".jpg")
        if data[:8] == b"\x89PNG\r\n\x1a\n":
            return CleanPhoto(_clean_png(data), ".png")
        if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
            return CleanPhoto(_clean_webp(data), ".webp")
        if data[4:8] == b"ftyp" and data[8:12] in (b"heic", b"heix", b"mif1", b"heif", b"heim", b"heis", b"msf1"):
            return CleanPhoto(_clean_heic(data), ".heic")
    except (struct.error, IndexError) as broken:
        raise CannotClean(f"the file breaks off: {broken}") from broken
    raise CannotClean("not a JPEG, PNG, WebP or HEIC file")


def short_exif(tiff: bytes) -> bytes:
    """The listed facts of an EXIF block (TIFF bytes in and out); empty when there is nothing to keep."""
    kept = Image.Exif()
    try:
        told = Image.Exif()
        told.load(_EXIF_MARK + tiff)
        for tag in KEPT_TAGS:
            if (value := _plain(told.get(tag))) is not None:
                kept[tag] = value
        told_more = told.get_ifd(_EXIF_IFD)
        more = {tag: value for tag in KEPT_EXIF_TAGS if (value := _plain(told_more.get(tag))) is not None}
    except (SyntaxError, ValueError, KeyError, TypeError, OSError, EOFError, struct.error):
        return b""
    if more:
        kept.get_ifd(_EXIF_IFD).update(more)
    return kept.tobytes()[len(_EXIF_MARK) :] if len(kept) or more else b""


def _plain(value: object) -> object | None:
    """A number or a short text; None for anything that could carry more than that."""
    if isinstance(value, str):
        return value.strip("\x00 ")[:_LONGEST_TEXT] or None
    if isinstance(value, bytes | tuple | list | dict):
        return None
    return value


# --- JPEG ------------------------------------------------------------


def _clean_jpeg(data: bytes) -> bytes:
    kept: list[bytes] = []
    exif = b""
    for marker, body in _jpeg_segments(data):
        if marker == 0xE0 and body.startswith(b"JFIF\x00"):
            kept.append(_jpeg_segment(0xE0, body[:12] + b"\x00\x00"))
        elif marker == 0xE1 and body.startswith(_EXIF_MARK) and not exif:
            exif = short_exif(body[len(_EXIF_MARK) :])
        elif (marker == 0xE2 and body.startswith(b"ICC_PROFILE\x00")) or (marker == 0xEE and body.startswith(b"Adobe")):
            kept.append(_jpeg_segment(marker, body))
        elif marker == 0xDA:
            kept.append(body)
        elif not (0xE0 <= marker <= 0xEF or marker == 0xFE):
            kept.append(_jpeg_segment(marker, body))
    head = [_jpeg_segment(0xE1, _EXIF_MARK + exif)] if exif else []
    at = 1 if kept and kept[0][1] == 0xE0 else 0
    return b"\xff\xd8" + b"".join(kept[:at] + head + kept[at:]) + b"\xff\xd9"


def _jpeg_segment(marker: int, body: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, marker, len(body) + 2) + body


_AFTER_SCAN = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")


def _jpeg_segments(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Marker and body of every segment up to the end of the (first) picture; a scan (0xDA) comes whole with its marker."""
    at = 2
    while True:
        if data[at] != 0xFF:
            raise CannotClean("the JPEG's segments do not follow each other")
        while data[at + 1] == 0xFF:
            at += 1
        marker = data[at + 1]
        if marker == 0xD9:
            return
        (length,) = struct.unpack_from(">H", data, at + 2)
        if marker != 0xDA:
            if at + 2 + length > len(data):
                raise CannotClean("the JPEG breaks off")
            yield marker, data[at + 4 : at + 2 + length]
            at += 2 + length
            continue
        found = _AFTER_SCAN.search(data, at + 2 + length)
        if found is None:
            raise CannotClean("the JPEG breaks off")
        yield marker, data[at : found.start()]
        at = found.start()


# --- PNG ------------------------------------------------------------

_KEPT_CHUNKS = {b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"iCCP", b"sRGB", b"gAMA", b"cHRM", b"sBIT", b"cICP", b"pHYs"}


def _clean_png(data: bytes) -> bytes:
    kept: list[bytes] = []
    exif = b""
    at, kind = 8, b""
    while kind != b"IEND":
        length, kind = struct.unpack_from(">I4s", data, at)
        body = data[at + 8 : at + 8 + length]
        if len(body) != length:
            raise CannotClean("the PNG breaks off")
        if kind in _KEPT_CHUNKS:
            kept.append(data[at : at + 12 + length])
        elif kind == b"eXIf":
            exif = short_exif(body)
        at += 12 + length
    chunk = b"eXIf" + exif
    told = [struct.pack(">I", len(exif)) + chunk + struct.pack(">I", zlib.crc32(chunk))] if exif else []
    return data[:8] + b"".join(kept[:1] + told + kept[1:])


# --- WebP ------------------------------------------------------------

_KEPT_WEBP = {b"VP8 ", b"VP8L", b"ALPH", b"ICCP"}


def _clean_webp(data: bytes) -> bytes:
    (size,) = struct.unpack_from("<I", data, 4)
    if len(data) < size + 8:
        raise CannotClean("the WebP breaks off")
    header, kept, exif = b"", [], b""
    at = 12
    while at < size + 8:
        kind, length = struct.unpack_from("<4sI", data, at)
        body = data[at + 8 : at + 8 + length]
        if kind == b"VP8X":
            header = body
        elif kind in _KEPT_WEBP:
            kept.append(_webp_chunk(kind, body))
        elif kind == b"EXIF":
            exif = short_exif(body.removeprefix(_EXIF_MARK))
        elif kind in (b"ANIM", b"ANMF"):
            raise CannotClean("an animated WebP")
        at += 8 + length + length % 2
    if header:
        flags = (header[0] & ~0b00001100) | (0b00001000 if exif else 0)
        kept.insert(0, _webp_chunk(b"VP8X", bytes([flags]) + header[1:]))
        if exif:
            kept.append(_webp_chunk(b"EXIF", exif))
    body = b"WEBP" + b"".join(kept)
    return struct.pack("<4sI", b"RIFF", len(body)) + body


def _webp_chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack("<4sI", kind, len(body)) + body + b"\x00" * (len(body) % 2)


# --- HEIC ------------------------------------------------------------


def _clean_heic(data: bytes) -> bytes:
    """Overwritten in place, so that nothing moves: EXIF by its short form, other side data by zeros, unknown boxes by nothing."""
    out = bytearray(data)
    meta: tuple[int, int] | None = None
    for kind, start, end in _boxes(data, 0, len(data)):
        if kind == b"meta":
            meta = (start, end)
        elif kind not in (b"ftyp", b"mdat", b"free", b"skip"):
            out[start - 4 : start] = b"free"
            out[start:end] = bytes(end - start)
    if meta is None:
        raise CannotClean("the HEIC has no list of its parts")
    parts = {kind: (start, end) for kind, start, end in _boxes(data, meta[0] + 4, meta[1])}
    if b"iinf" not in parts or b"iloc" not in parts:
        raise CannotClean("the HEIC has no list of its parts")
    if b"uuid" in parts:
        raise CannotClean("the HEIC keeps data of its maker's own kind")
    places = _heic_places(data, *parts[b"iloc"])
    for item, kind in _heic_kinds(data, *parts[b"iinf"]):
        if kind in (b"Exif", b"mime", b"uri "):
            for number, (start, length) in enumerate(places[item]):
                if start + length > len(data):
                    raise CannotClean("the HEIC breaks off")
                fresh = _heic_exif(data[start : start + length]) if kind == b"Exif" and number == 0 else b""
                out[start : start + length] = fresh.ljust(length, b"\x00")
    return bytes(out)


def _heic_exif(item: bytes) -> bytes:
    """An EXIF item in its short form, or bare when that would not fit in the old one's place."""
    (skip,) = struct.unpack_from(">I", item, 0)
    short = short_exif(item[4 + skip :])
    whole = struct.pack(">I", len(_EXIF_MARK)) + _EXIF_MARK + short
    return whole if short and len(whole) <= len(item) else b""


def _boxes(data: bytes, at: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """Kind, start and end of every box's content."""
    while at + 8 <= end:
        size, kind = struct.unpack_from(">I4s", data, at)
        head = 8
        if size == 1:
            (size,) = struct.unpack_from(">Q", data, at + 8)
            head = 16
        elif size == 0:
            size = end - at
        if size < head or at + size > end:
            raise CannotClean("the HEIC breaks off")
        if head == 16 and kind != b"mdat":
            raise CannotClean("a HEIC box of unusual size")
        yield kind, at + head, at + size
        at += size


def _heic_kinds(data: bytes, start: int, end: int) -> Iterator[tuple[int, bytes]]:
    """Item number and kind, from the item information box."""
    head = 6 if data[start] == 0 else 8
    for kind, at, _ in _boxes(data, start + head, end):
        if kind != b"infe" or data[at] not in (2, 3):
            raise CannotClean("a HEIC item list of an old kind")
        wide = data[at] == 3
        (item,) = struct.unpack_from(">I" if wide else ">H", data, at + 4)
        after = at + (10 if wide else 8)
        yield item, data[after : after + 4]


def _heic_places(data: bytes, at: int, end: int) -> dict[int, list[tuple[int, int]]]:
    """Where each item's bytes lie in the file, from the item location box."""
    version = data[at]
    sizes, more = data[at + 4], data[at + 5]
    width = {"offset": sizes >> 4, "length": sizes & 15, "base": more >> 4, "index": more & 15 if version in (1, 2) else 0}
    at += 6

    def number(n_bytes: int) -> int:
        nonlocal at
        value = int.from_bytes(data[at : at + n_bytes], "big")
        at += n_bytes
        if at > end:
            raise CannotClean("the HEIC breaks off")
        return value

    places: dict[int, list[tuple[int, int]]] = {}
    for _ in range(number(4 if version == 2 else 2)):
        item = number(4 if version == 2 else 2)
        method = number(2) & 15 if version in (1, 2) else 0
        number(2)
        base = number(width["base"])
        extents = []
        for _ in range(number(2)):
            number(width["index"])
            offset = number(width["offset"])
            extents.append((base + offset, number(width["length"])))
        places[item] = extents if method == 0 else _NoPlaces()
    return places


class _NoPlaces(list[tuple[int, int]]):
    """Items kept elsewhere than in the file's data; asking for them gives up."""

    def __iter__(self) -> Iterator[tuple[int, int]]:
        raise CannotClean("a HEIC that keeps its side data in an unusual place")
