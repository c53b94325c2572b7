"""Photos and finished inspections of this server's run, on disk, so that memory holds only what is being worked on."""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from toeline.errors import ToelineError
from toeline.logbook.pictures import Pictures, content_hash
from toeline.spatter import Correction

#: Oldest files go once the shelf holds more than this [bytes].
LIMIT_BYTES = 3_000_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """One photo as the pages show it.

    Attributes
    ----------
    name, photo : str
        The file's name, and the hash of its bytes.
    record : mapping or None
        The result's JSON object; None where the photo could not even be read, then ``trouble`` says why.
    overlay : bytes or None
        JPEG with what was found drawn on it.
    trouble : (message, advice) or None
    frame_px : (left, top, right, bottom) or None
        What of the photo the overlay shows [px].
    grade : mapping or None
        Marks by the rubric, as :func:`toeline.report.class_table.marks_as_dict` gives them.
    """

    name: str
    photo: str
    record: Mapping[str, Any] | None = None
    overlay: bytes | None = None
    trouble: tuple[str, str] | None = None
    grade: Mapping[str, Any] | None = None
    frame_px: tuple[float, float, float, float] | None = None


class ShelfTrouble(ToelineError):
    """The server's disk takes no more."""

    reason = "server disk trouble"


class Shelf:
    """A folder of photos by content hash and of finished inspections by what went into them."""

    def __init__(self, folder: Path, *, limit_bytes: int = LIMIT_BYTES) -> None:
        self.folder = folder
        self.limit_bytes = limit_bytes
        self._photos = Pictures(folder / "photos")
        self._done = folder / "done"
        self._said = folder / "said"

    def put(self, data: bytes) -> str:
        """Keep a photo's bytes; returns their hash."""
        try:
            self._make_room(len(data))
            return self._photos.keep(data, ".photo")
        except OSError as error:
            raise ShelfTrouble(
                f"The photo could not be kept while it is worked on ({error.strerror or error}).",
                advice="Free some space on the computer that runs toeline, then add the photo again.",
            ) from error

    def photo(self, sha256: str) -> bytes:
        """A photo's bytes."""
        data = self._photos.read(sha256, ".photo")
        if data is None:
            raise ShelfTrouble("This photo is no longer at hand.", advice="Add it again.")
        return data

    def finished(self, key: str) -> Shown | None:
        """What was found before for exactly this; None if it never was."""
        try:
            told = json.loads((self._done / f"{key}.json").read_text(encoding="utf-8"))
            overlay = (self._done / f"{key}.jpg").read_bytes() if told["overlay"] else None
        except (OSError, ValueError, KeyError):
            return None
        return Shown(told["name"], told["photo"], told["record"], overlay, grade=told["grade"], frame_px=_four(told["frame_px"]))

    def finish(self, key: str, shown: Shown) -> None:
        """Keep what was found; a disk that takes no more only means that it is worked out again next time."""
        told = {name: getattr(shown, name) for name in ("name", "photo", "record", "grade", "frame_px")}
        told["overlay"] = shown.overlay is not None
        try:
            self._done.mkdir(parents=True, exist_ok=True)
            if shown.overlay is not None:
                (self._done / f"{key}.jpg").write_bytes(shown.overlay)
            part = self._done / f"{key}.part"
            part.write_text(json.dumps(told), encoding="utf-8")
            part.replace(self._done / f"{key}.json")
        except OSError:
            return

    def corrections(self, sha256: str) -> tuple[Correction, ...]:
        """What a hand said of the doubtful particles on a photo."""
        try:
            told = json.loads((self._said / f"{sha256}.json").read_text(encoding="utf-8"))
            return tuple(Correction(row["x_px"], row["y_px"], row["droplet"]) for row in told)
        except (OSError, ValueError, KeyError, TypeError):
            return ()

    def keep_corrections(self, sha256: str, corrections: Sequence[Correction]) -> None:
        """Keep a hand's answers, whole or not at all."""
        try:
            self._said.mkdir(parents=True, exist_ok=True)
            part = self._said / f"{sha256}.part"
            part.write_text(json.dumps([asdict(c) for c in corrections]), encoding="utf-8")
            part.replace(self._said / f"{sha256}.json")
        except OSError as error:
            raise ShelfTrouble(
                f"Your answer could not be kept ({error.strerror or error}).",
                advice="Free some space on the computer that runs toeline, then tap again.",
            ) from error

    def clear(self) -> None:
        """Throw everything away."""
        shutil.rmtree(self.folder, ignore_errors=True)

    def _make_room(self, n_bytes: int) -> None:
        files = sorted((p.stat().st_mtime, p.stat().st_size, p) for p in self.folder.rglob("*") if p.is_file())
        held = sum(size for _, size, _ in files) + n_bytes
        for _, size, path in files:
            if held <= self.limit_bytes:
                return
            path.unlink(missing_ok=True)
            held -= size


def _four(told: list[float] | None) -> tuple[float, float, float, float] | None:
    return None if told is None else (told[0], told[1], told[2], told[3])


def key_of(parts: object) -> str:
    """A file name for what went into an inspection."""
    return content_hash(json.dumps(parts, sort_keys=True, default=str).encode())
