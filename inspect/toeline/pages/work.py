"""One inspection at a time, whoever asks: from the shelf if it was done before, else photo → inspection → overlay."""

from __future__ import annotations

import io
import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace
from threading import Semaphore

from PIL import Image

from toeline import __version__
from toeline.causes import Past
from toeline.coupon import Coupon, Hints, Scaling
from toeline.errors import ToelineError
from toeline.grading import grade
from toeline.inspection import METHOD, Inspection, correct_spatter, inspect_photo
from toeline.pages.shelf import Shelf, Shown, key_of
from toeline.photo import read_photo
from toeline.report.class_table import marks_as_dict
from toeline.report.close_up import close_up, close_up_box
from toeline.same_coupon import inspect_coupon
from toeline.spatter import Correction

#: Long side of the drawn picture [px]: sharp on a phone when zoomed in, small enough to send.
OVERLAY_PX = 1800
_held: tuple[str, Inspection] | None = None
"""The last inspection, by what it was asked with."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What a person said before the photo was measured, and what a hand put right on it.

    ``plate_photo`` is the hash of a photo on the shelf of the plates before this bead.
    """

    coupon: Coupon
    scaling: Scaling
    limit_set: str
    history: tuple[Past, ...] = ()
    hints: Hints = Hints()
    plate_photo: str | None = None
    corrections: tuple[Correction, ...] = ()

    @property
    def key(self) -> dict[str, object]:
        """The same as plain values, to tell one asking from another."""
        coupon = {field.name: getattr(self.coupon, field.name) for field in fields(self.coupon)}
        plain = {name: dict(value) if isinstance(value, Mapping) else value for name, value in coupon.items()}
        plain["history"] = [(past.record, past.change) for past in self.history]
        said = [asdict(c) for c in self.corrections]
        return {
            "coupon": plain,
            "scaling": asdict(self.scaling),
            "limits": self.limit_set,
            "plate_photo": self.plate_photo,
            "said": said,
            "hints": asdict(self.hints),
        }


def inspected(shelf: Shelf, turn: Semaphore, photo: str, name: str, asked: Asked) -> Shown:
    """What is found on a photo of the shelf; expected errors come back as ``trouble``, in words."""

    def look() -> Shown:
        found = correct_spatter(_found(shelf, photo, name, asked), asked.corrections, limit_set=asked.limit_set)
        return Shown(name, photo, found.as_dict(), _jpeg(found), grade=_marks(found), frame_px=close_up_box(found))

    return _shown(shelf, turn, [photo, name, asked.key], name, photo, look)


def inspected_together(shelf: Shelf, turn: Semaphore, photos: Sequence[tuple[str, str]], asked: Asked) -> Shown:
    """The one result of several photos of one coupon, each told by (hash, name); the picture is that of the leading photo."""
    told = ", ".join(name for _, name in photos)

    def look() -> Shown:
        found = inspect_coupon(
            [read_photo(shelf.photo(photo), name=name) for photo, name in photos],
            asked.coupon,
            scaling=asked.scaling,
            limit_set=asked.limit_set,
            history=asked.history,
        )
        lead = found.joint
        key = next(photo for (photo, _), one in zip(photos, found.photos, strict=True) if one.photo is lead.photo)
        return Shown(told, key, found.as_dict(), _jpeg(lead), grade=_marks(lead), frame_px=close_up_box(lead))

    return _shown(shelf, turn, ["together", list(photos), asked.key], told, photos[0][0], look)


def _shown(shelf: Shelf, turn: Semaphore, parts: Sequence[object], name: str, photo: str, look: Callable[[], Shown]) -> Shown:
    """From the shelf where exactly this was done before; else one at a time, with errors put into words."""
    key = key_of([*parts, METHOD, __version__])
    if (done := shelf.finished(key)) is not None:
        return done
    with turn:
        if (done := shelf.finished(key)) is not None:
            return done
        try:
            shown = look()
        except ToelineError as error:
            return Shown(name, photo, trouble=(error.message, error.advice))
        except Exception:
            logging.getLogger("toeline.pages").exception("inspection of %s broke", name)
            return Shown(
                name,
                photo,
                trouble=(
                    "Something in toeline itself went wrong on this photo; nothing was measured.",
                    "Try another photo of it.",
                ),
            )
    shelf.finish(key, shown)
    return shown


def _found(shelf: Shelf, photo: str, name: str, asked: Asked) -> Inspection:
    """The inspection before any correction; the last one is held, so that an answer is counted at once."""
    global _held
    key = key_of([photo, name, replace(asked, corrections=()).key])
    held = _held
    if held is not None and held[0] == key:
        return held[1]
    before = None if asked.plate_photo is None else read_photo(shelf.photo(asked.plate_photo), name="before")
    found = inspect_photo(
        read_photo(shelf.photo(photo), name=name),
        asked.coupon,
        scaling=asked.scaling,
        hints=asked.hints,
        limit_set=asked.limit_set,
        history=asked.history,
        before=before,
    )
    _held = (key, found)
    return found


def _marks(found: Inspection) -> dict[str, object] | None:
    """Marks by the rubric that ships; None where nothing was measured."""
    if found.refused is not None or found.size is None:
        return None
    return marks_as_dict(grade(found.size, surface=found.surface, spatter=found.spatter, coupon=found.coupon))


def _jpeg(found: Inspection) -> bytes:
    out = io.BytesIO()
    Image.fromarray(close_up(found, max_px=OVERLAY_PX)).save(out, "JPEG", quality=86)
    return out.getvalue()
