"""The logbook: every inspection that a person chose to keep, in one SQLite file with its pictures in a folder beside it.

Records are added, or withdrawn with a reason; they are never changed. Saving writes the pictures first (whole or not at all),
then the record in one transaction: a power cut leaves the record complete or absent. Saving the same twice keeps one record.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from types import MappingProxyType, TracebackType
from typing import Any, Self

from PIL import Image
from sqlalchemy import Connection, Engine, Row, create_engine, event, text
from sqlalchemy.exc import SQLAlchemyError

from toeline import __version__
from toeline.causes import Past
from toeline.coupon import Coupon
from toeline.errors import LogbookTrouble, PhotoUnfit, PhotoUnreadable
from toeline.logbook.migrations import migrate
from toeline.logbook.pictures import Pictures, private_copy
from toeline.logbook.privacy import CleanPhoto
from toeline.logbook.trouble import in_words
from toeline.photo import read_photo
from toeline.quantity import Measured

#: A chain of coupons is followed back no further: what one of long ago taught has faded.
MOST_BEFORE = 6
#: Names another logbook file than the one in the home folder.
PLACE = "TOELINE_LOGBOOK"


def default_path() -> Path:
    """``$TOELINE_LOGBOOK``, or ``toeline/logbook.sqlite`` in the home folder."""
    return Path(os.environ.get(PLACE) or Path.home() / "toeline" / "logbook.sqlite")


@dataclass(frozen=True, slots=True)
class Labels:
    """What a person writes on a coupon: whose it is, which one, which setting it belongs to, a note."""

    learner: str = ""
    coupon: str = ""
    setting: str = ""
    note: str = ""

    def __post_init__(self) -> None:
        for field in fields(self):
            object.__setattr__(self, field.name, " ".join(str(getattr(self, field.name)).split()))


@dataclass(frozen=True, slots=True, eq=False)
class Entry:
    """One record without its full result: enough for lists and trends.

    Attributes
    ----------
    id : int
    saved_at : str
        UTC, ISO 8601.
    taken_at : str or None
        Local time that the camera wrote, ISO 8601.
    labels : Labels
    coupon : Coupon
    invented : bool
        Demo data: made up, and says so.
    refused : str or None
        The reason where there are no numbers.
    method : mapping of room to int
    spatter_n, spatter_area_cm2
        Particles on the plate that could be seen [cm²]; None where spatter was not counted.
    photo_sha256 : str
        Of the photo as it was handed in.
    kept_photo, kept_overlay : str or None
        Hash of the kept copy without private data, and of the picture with what was found drawn on it.
    """

    id: int
    saved_at: str
    taken_at: str | None
    labels: Labels
    coupon: Coupon
    invented: bool
    refused: str | None
    method: Mapping[str, int]
    spatter_n: int | None
    spatter_area_cm2: float | None
    photo_name: str
    photo_sha256: str
    kept_photo: str | None
    kept_overlay: str | None
    measures: Mapping[str, Measured]

    @property
    def when(self) -> datetime:
        """When the coupon was photographed as far as that is known, else when it was saved; both without a time zone."""
        if self.taken_at:
            try:
                return datetime.fromisoformat(self.taken_at).replace(tzinfo=None)
            except ValueError:
                pass
        return datetime.fromisoformat(self.saved_at).astimezone().replace(tzinfo=None)


def once_a_photo(entries: Iterable[Entry]) -> list[Entry]:
    """Each photo's newest record only, oldest coupon first: a coupon that was saved twice is still one coupon."""
    newest = {entry.photo_sha256: entry for entry in sorted(entries, key=lambda entry: entry.id)}
    return sorted(newest.values(), key=lambda entry: (entry.when, entry.id))


class Logbook:
    """An open logbook.

    Parameters
    ----------
    path : path, optional
        The SQLite file; made with its folder if it is not there. By default :func:`default_path`.
    wait_s : float
        How long to wait while another program writes [s].

    Raises
    ------
    LogbookTrouble
        From every method, with a sentence, when file or disk will not have it.
    """

    def __init__(self, path: Path | str | None = None, *, wait_s: float = 5.0) -> None:
        self.path = Path(path) if path is not None else default_path()
        self.pictures = Pictures(self.path.with_suffix(".photos"))
        with self._telling():
            self.path.parent.mkdir(parents=True, exist_ok=True)
        self._engine = _engine(self.path, wait_s)
        try:
            with self._telling():
                migrate(self._engine)
        except LogbookTrouble:
            self._engine.dispose()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._engine.dispose()

    def save(
        self,
        record: Mapping[str, Any],
        photo: bytes | None = None,
        *,
        overlay: bytes | None = None,
        labels: Labels | None = None,
        invented: bool = False,
        saved_at: datetime | None = None,
    ) -> Entry:
        """Keep one inspection.

        Parameters
        ----------
        record : mapping
            The result's JSON object, as ``Inspection.as_dict()`` gives it; it carries what was said of the coupon.
        photo : bytes, optional
            The photo's file; a copy without private data is kept.
        overlay : bytes, optional
            JPEG of the photo with what was found drawn on it.
        labels : Labels, optional
        invented : bool
            Mark as made-up demo data.
        saved_at : datetime, optional
            Now by default; with its time zone.

        Returns
        -------
        Entry
            The new entry, or the one that already holds exactly this.

        Raises
        ------
        LogbookTrouble
            Disk full, read-only, locked …; no record was written, what was saved before is untouched.
        """
        row = _row(record, labels or Labels(), invented) | {"saved_at": _stamp(saved_at or datetime.now(UTC))}
        kept_photo = None if photo is None else _private(photo, row["photo_name"])
        with self._telling(), self._writing() as connection:
            saved = _id_of(connection, row["digest"])
            if saved is None:
                row["kept_photo"] = kept_photo and self._keep(connection, kept_photo.data, kept_photo.suffix)
                row["kept_overlay"] = overlay and self._keep(connection, overlay, ".jpg")
                saved = _insert(connection, row, record)
                _link(connection, saved, record.get("after") or {})
        return self.entry(saved)

    def number_of(self, record: Mapping[str, Any], *, labels: Labels | None = None, invented: bool = False) -> int | None:
        """Number of the entry that already holds exactly this; None where saving it would make a new one."""
        with self._telling(), self._engine.connect() as connection:
            return _id_of(connection, _row(record, labels or Labels(), invented)["digest"])

    def withdraw(self, record_id: int, why: str) -> None:
        """Take a record out of lists and trends; it stays in the file, with the reason."""
        with self._telling(), self._writing() as connection:
            connection.execute(
                text("INSERT OR IGNORE INTO withdrawals SELECT id, :at, :why FROM records WHERE id = :id"),
                {"id": record_id, "at": _now(), "why": why.strip() or "no reason given"},
            )

    def entry(self, record_id: int) -> Entry:
        """One record."""
        found = self._entries("records.id = :id", {"id": record_id})
        if not found:
            raise _no_record(record_id)
        return found[0]

    def entries(self, *, learner: str | None = None, process: str | None = None) -> tuple[Entry, ...]:
        """All records that were not withdrawn, newest first."""
        wanted = {"learner": learner, "process": process}
        clauses = [f"records.{name} = :{name}" for name, value in wanted.items() if value is not None]
        clauses.append("records.id NOT IN (SELECT record_id FROM withdrawals)")
        return self._entries(" AND ".join(clauses), {name: value for name, value in wanted.items() if value is not None})

    def result(self, record_id: int) -> Mapping[str, Any]:
        """The full result of a record, as it was saved."""
        with self._telling(), self._engine.connect() as connection:
            found = connection.execute(text("SELECT result_json FROM records WHERE id = :id"), {"id": record_id}).scalar()
        if found is None:
            raise _no_record(record_id)
        return MappingProxyType(json.loads(str(found)))

    def history(self, record_id: int, changed: str | None) -> tuple[Past, ...]:
        """What the next coupon needs of this one and of those it followed, oldest first.

        Parameters
        ----------
        record_id : int
            The coupon before.
        changed : str or None
            Key or name of the cause whose change was made after it; None: nothing was changed.

        Raises
        ------
        LogbookTrouble
            There is no such record.
        """
        chain: list[Past] = []
        at, change = record_id, changed
        while len(chain) < MOST_BEFORE:
            told = self.result(at)
            chain.append(_past(told, at, change))
            with self._telling(), self._engine.connect() as connection:
                found = connection.execute(text("SELECT after_id, changed FROM links WHERE record_id = :id"), {"id": at}).first()
            if found is None:
                break
            at, change = int(found.after_id), found.changed
        return tuple(reversed(chain))

    def picture(self, sha256: str | None) -> bytes | None:
        """A kept picture's bytes; None where none was kept or its file is gone."""
        if sha256 is None:
            return None
        with self._telling():
            with self._engine.connect() as connection:
                suffix = connection.execute(text("SELECT suffix FROM pictures WHERE sha256 = :s"), {"s": sha256}).scalar()
            return None if suffix is None else self.pictures.read(sha256, str(suffix))

    def learners(self) -> tuple[str, ...]:
        """Names on the records, in alphabetical order."""
        return tuple(sorted({entry.labels.learner for entry in self.entries() if entry.labels.learner}, key=str.casefold))

    def remember(self, choices: Mapping[str, Any], *, who: str = "") -> None:
        """Keep what was chosen last, to offer it again."""
        with self._telling(), self._writing() as connection:
            connection.execute(
                text("INSERT OR REPLACE INTO choices VALUES (:who, :at, :json)"),
                {"at": _now(), "who": who, "json": _json(choices)},
            )

    def remembered(self, *, who: str = "") -> Mapping[str, Any]:
        """What was chosen last; empty if nothing ever was."""
        with self._telling(), self._engine.connect() as connection:
            found = connection.execute(text("SELECT choices_json FROM choices WHERE who = :who"), {"who": who}).scalar()
        return MappingProxyType(json.loads(str(found)) if found else {})

    @contextmanager
    def _telling(self) -> Iterator[None]:
        try:
            yield
        except (SQLAlchemyError, OSError) as error:
            raise in_words(error, self.path) from error

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        with self._engine.connect().execution_options(toeline_write=True) as connection, connection.begin():
            yield connection

    def _keep(self, connection: Connection, data: bytes, suffix: str) -> str:
        """Write a picture and its row; if the record then fails, the file stays, does no harm, and serves the next try."""
        sha256 = self.pictures.keep(data, suffix)
        connection.execute(
            text("INSERT OR IGNORE INTO pictures VALUES (:sha256, :suffix, :n_bytes, :at)"),
            {"sha256": sha256, "suffix": suffix, "n_bytes": len(data), "at": _now()},
        )
        return sha256

    def _entries(self, where: str, values: Mapping[str, Any]) -> tuple[Entry, ...]:
        listed = f"SELECT {_ENTRY_COLUMNS} FROM records WHERE {where} ORDER BY records.id DESC"
        measured = f"SELECT measures.* FROM measures JOIN records ON records.id = record_id WHERE {where}"
        with self._telling(), self._engine.connect() as connection:
            rows = connection.execute(text(listed), values).all()
            told = connection.execute(text(measured), values).all()
        measures: dict[int, dict[str, Measured]] = {}
        for record_id, key, value, u, shared in told:
            measures.setdefault(int(record_id), {})[str(key)] = _measured(value, u, json.loads(shared))
        return tuple(_entry(row, measures.get(row.id, {})) for row in rows)


#: All columns of a record but the full result, which is long.
_ENTRY_COLUMNS = ", ".join(
    f"records.{name}"
    for name in (
        *("id", "saved_at", "taken_at", "learner", "coupon_label", "setting_label", "note", "coupon_json", "invented", "refused"),
        *("method_json", "spatter_n", "spatter_area_cm2", "photo_name", "photo_sha256", "kept_photo", "kept_overlay"),
    )
)


def _no_record(record_id: int) -> LogbookTrouble:
    return LogbookTrouble(
        f"There is no record {record_id} in this logbook.",
        advice="Its number is told when a coupon is saved; the Logbook page lists them all.",
    )


def _engine(path: Path, wait_s: float) -> Engine:
    """SQLite with write-ahead log, full syncing, foreign keys, and transactions that begin when we say so."""
    engine = create_engine(f"sqlite:///{path}", connect_args={"timeout": wait_s, "check_same_thread": False})

    @event.listens_for(engine, "connect")
    def _connected(connection: Any, _record: Any) -> None:
        connection.isolation_level = None
        for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON"):
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def _begins(connection: Connection) -> None:
        writes = connection.get_execution_options().get("toeline_write", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def _private(photo: bytes, name: str) -> CleanPhoto | None:
    """The copy of the photo to keep; None for a file that no one can read as a picture."""
    try:
        return private_copy(photo, lambda: Image.fromarray(read_photo(photo, name=name).pixels))
    except (PhotoUnreadable, PhotoUnfit):
        return None


def _id_of(connection: Connection, digest: str) -> int | None:
    """The record that holds exactly this, unless it was withdrawn."""
    query = "SELECT id FROM records WHERE digest = :d AND id NOT IN (SELECT record_id FROM withdrawals)"
    found = connection.execute(text(query), {"d": digest}).scalar()
    return None if found is None else int(found)


def _coupon(record: Mapping[str, Any]) -> dict[str, Any]:
    """What a record says of the coupon, by :class:`Coupon`'s own names."""
    said = {**record["coupon"], **{name: record[name] for name in ("joint", "process", "position")}}
    return {field.name: said[field.name] for field in fields(Coupon) if field.name in said}


def _row(record: Mapping[str, Any], labels: Labels, invented: bool) -> dict[str, Any]:
    """The record's columns; its digest covers everything but how long the inspection took."""
    stable = {key: value for key, value in record.items() if key != "seconds"}
    written = {field.name: getattr(labels, field.name) for field in fields(labels)}
    spatter = record["spatter"] or {}
    refused = record["refused"] or {}
    return {
        "digest": hashlib.sha256(_json([stable, written, invented]).encode()).hexdigest(),
        "toeline_version": __version__,
        "learner": labels.learner,
        "coupon_label": labels.coupon,
        "setting_label": labels.setting,
        "note": labels.note,
        "invented": int(invented),
        "process": record["process"],
        "joint": record["joint"],
        "refused": refused.get("reason"),
        "taken_at": record["photo"]["taken_at"],
        "photo_name": record["photo"]["name"],
        "photo_sha256": record["photo"]["sha256"],
        **{  # a count that is only a lower bound is compared with nothing
            f"spatter_{key}": None if spatter.get("at_least") else spatter.get(key) for key in ("n", "area_cm2")
        },
        "coupon_json": _json(_coupon(record)),
        "method_json": _json(record["method"]),
        "result_json": _json(record),
    }


def _insert(connection: Connection, row: Mapping[str, Any], record: Mapping[str, Any]) -> int:
    columns = ", ".join(row)
    places = ", ".join(f":{name}" for name in row)
    saved = connection.execute(text(f"INSERT INTO records ({columns}) VALUES ({places}) RETURNING id"), row).scalar_one()
    told = [
        {"id": saved, "key": key, "value": m["value"], "u": m["u"], "shared": _json(m.get("shared") or {})}
        for key, m in record["measures"].items()
        if m.get("value") is not None and m.get("u") is not None
    ]
    if told:
        connection.execute(text("INSERT INTO measures VALUES (:id, :key, :value, :u, :shared)"), told)
    return int(saved)


def _link(connection: Connection, saved: int, after: Mapping[str, Any]) -> None:
    """Note which record this one followed; one that is not in this logbook (any more) is let go."""
    connection.execute(
        text("INSERT INTO links SELECT :saved, id, :changed FROM records WHERE id = :before AND id < :saved"),
        {"saved": saved, "before": after.get("record"), "changed": after.get("changed")},
    )


def _past(told: Mapping[str, Any], record_id: int, change: str | None) -> Past:
    advice = told.get("advice") or {}
    return Past(
        MappingProxyType(dict(advice.get("signs") or {})),
        change,
        MappingProxyType(dict(advice.get("quantities") or {})),
        MappingProxyType(dict(told["coupon"]["settings"])),
        record_id,
    )


def _entry(row: Row[Any], measures: Mapping[str, Measured]) -> Entry:
    return Entry(
        id=int(row.id),
        saved_at=row.saved_at,
        taken_at=row.taken_at,
        labels=Labels(row.learner, row.coupon_label, row.setting_label, row.note),
        coupon=Coupon(**{name: _still(value) for name, value in json.loads(row.coupon_json).items()}),
        invented=bool(row.invented),
        refused=row.refused,
        method=MappingProxyType(json.loads(row.method_json)),
        spatter_n=row.spatter_n,
        spatter_area_cm2=row.spatter_area_cm2,
        photo_name=row.photo_name,
        photo_sha256=row.photo_sha256,
        kept_photo=row.kept_photo,
        kept_overlay=row.kept_overlay,
        measures=MappingProxyType(dict(measures)),
    )


def _still(value: Any) -> Any:
    """A value from JSON as frozen dataclasses hold it."""
    return MappingProxyType(value) if isinstance(value, dict) else tuple(value) if isinstance(value, list) else value


def _measured(value: float, u: float, shared: Mapping[str, float]) -> Measured:
    """A measure as it was: the noise is what the shared parts leave of u."""
    rest = u**2 - sum(effect**2 for effect in shared.values())
    return Measured(value, max(rest, 0.0) ** 0.5, shared)


def _json(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False)


def _now() -> str:
    return _stamp(datetime.now(UTC))


def _stamp(when: datetime) -> str:
    return when.astimezone(UTC).isoformat(timespec="seconds")
