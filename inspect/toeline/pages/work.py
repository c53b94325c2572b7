"""One inspection at a time, whoever asks: from the shelf if it was done before, else photo → inspection → overlay."""

from __future__ import annotations

import io
import logging
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from threading import Semaphore

from PIL import Image

from toeline import __version__
from toeline.causes import Past
from toeline.coupon import Coupon, Hints, Scaling
from toeline.errors import ToelineError
from toeline.grading import grade
from toeline.inspection import METHOD, Inspection, inspect_photo
from toeline.pages.shelf import Shelf, Shown, key_of
from toeline.photo import read_photo
from toeline.report.class_table import marks_as_dict
from toeline.report.close_up import close_up, close_up_box

#: Long side of the drawn picture [px]: sharp on a phone when zoomed in, small enough to send.
OVERLAY_PX = 1800


@dataclass(frozen=True, slots=True)
class Asked:
    """What a person said before the photo was measured, and what a hand put right on it."""

    coupon: Coupon
    scaling: Scaling
    limit_set: str
    history: tuple[Past, ...] = ()
    hints: Hints = Hints()

    @property
    def key(self) -> dict[str, object]:
        """The same as plain values, to tell one asking from another."""
        coupon = {field.name: getattr(self.coupon, field.name) for field in fields(self.coupon)}
        plain = {name: dict(value) if isinstance(value, Mapping) else value for name, value in coupon.items()}
        before = [(past.record, past.change) for past in self.history]
        hints = asdict(self.hints)
        return {"coupon": plain, "scaling": asdict(self.scaling), "limits": self.limit_set, "before": before, "hints": hints}


def inspected(shelf: Shelf, turn: Semaphore, photo: str, name: str, asked: Asked) -> Shown:
    """What is found on a photo of the shelf; expected errors come back as ``trouble``, in words."""
    key = key_of([photo, name, asked.key, METHOD, __version__])
    if (done := shelf.finished(key)) is not None:
        return done
    with turn:
        if (done := shelf.finished(key)) is not None:
            return done
        try:
            found = inspect_photo(
                read_photo(shelf.photo(photo), name=name),
                asked.coupon,
                scaling=asked.scaling,
                hints=asked.hints,
                limit_set=asked.limit_set,
                history=asked.history,
            )
            shown = Shown(name, photo, found.as_dict(), _jpeg(found), grade=_marks(found), frame_px=close_up_box(found))
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


def _marks(found: Inspection) -> dict[str, object] | None:
    """Marks by the rubric that ships; None where nothing was measured."""
    if found.refused is not None or found.size is None:
        return None
    return marks_as_dict(grade(found.size, surface=found.surface, spatter=found.spatter, coupon=found.coupon))


def _jpeg(found: Inspection) -> bytes:
    out = io.BytesIO()
    Image.fromarray(close_up(found, max_px=OVERLAY_PX)).save(out, "JPEG", quality=86)
    return out.getvalue()
