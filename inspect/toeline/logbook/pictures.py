"""The folder beside the logbook: pictures by content hash, written whole or not at all."""

from __future__ import annotations

import hashlib
import io
import os
import tempfile
from collections.abc import Callable
from pathlib import Path

from PIL import Image

from toeline.logbook.privacy import CannotClean, CleanPhoto, clean_photo


def content_hash(data: bytes) -> str:
    """SHA-256 of the bytes, in hex."""
    return hashlib.sha256(data).hexdigest()


def private_copy(data: bytes, upright: Callable[[], Image.Image]) -> CleanPhoto:
    """The photo without private data; where its file can't be cleaned, its upright pixels as PNG (lossless)."""
    try:
        return clean_photo(data)
    except CannotClean:
        out = io.BytesIO()
        bare = upright().convert("RGB")
        Image.frombytes("RGB", bare.size, bare.tobytes()).save(out, "PNG", compress_level=3)
        return CleanPhoto(out.getvalue(), ".png")


class Pictures:
    """Pictures by content hash in one folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def path(self, sha256: str, suffix: str) -> Path:
        return self.folder / sha256[:2] / f"{sha256}{suffix}"

    def keep(self, data: bytes, suffix: str) -> str:
        """Write the bytes unless they are there already; returns their hash.

        A half-written file never bears the final name: it is written under another one, forced to the disk, then renamed.
        """
        sha256 = content_hash(data)
        final = self.path(sha256, suffix)
        if final.exists() and final.stat().st_size == len(data):
            return sha256
        final.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(prefix=".writing-", dir=final.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            os.replace(temporary, final)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise
        _force_folder(final.parent)
        return sha256

    def read(self, sha256: str, suffix: str) -> bytes | None:
        """The picture's bytes; None where the file is gone."""
        try:
            return self.path(sha256, suffix).read_bytes()
        except FileNotFoundError:
            return None


def _force_folder(folder: Path) -> None:
    """Make a rename outlast a power cut (only POSIX lets folders be forced to disk)."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
