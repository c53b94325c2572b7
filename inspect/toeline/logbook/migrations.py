"""The logbook's tables, as numbered steps that are only ever added to.

Each step runs in one transaction with its own record in ``migrations``; a step that has shipped is never edited. Records can be
added and withdrawn but never changed: triggers refuse any update or delete of what was written.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

from sqlalchemy import Connection, Engine, text

from toeline.errors import LogbookTrouble

Step = Callable[[Connection], None]


def _run(connection: Connection, *statements: str) -> None:
    for statement in statements:
        connection.execute(text(statement))


def _append_only(connection: Connection, *tables: str) -> None:
    """Let rows of these tables be added, never changed or removed."""
    for table in tables:
        for act in ("UPDATE", "DELETE"):
            _run(
                connection,
                f"CREATE TRIGGER {table}_no_{act.lower()} BEFORE {act} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, 'the logbook is append-only'); END",
            )


def first_tables(connection: Connection) -> None:
    """Records with their measures, pictures by content hash, withdrawals, and what was chosen last."""
    _run(
        connection,
        """CREATE TABLE pictures (
            sha256 TEXT PRIMARY KEY, suffix TEXT NOT NULL, n_bytes INTEGER NOT NULL, kept_at TEXT NOT NULL)""",
        """CREATE TABLE records (
            id INTEGER PRIMARY KEY, digest TEXT NOT NULL, saved_at TEXT NOT NULL, toeline_version TEXT NOT NULL,
            learner TEXT NOT NULL, coupon_label TEXT NOT NULL, setting_label TEXT NOT NULL, note TEXT NOT NULL,
            invented INTEGER NOT NULL, process TEXT, joint TEXT NOT NULL, refused TEXT, taken_at TEXT,
            photo_name TEXT NOT NULL, photo_sha256 TEXT NOT NULL,
            kept_photo TEXT REFERENCES pictures (sha256), kept_overlay TEXT REFERENCES pictures (sha256),
            spatter_n INTEGER, spatter_area_cm2 REAL,
            coupon_json TEXT NOT NULL, method_json TEXT NOT NULL, result_json TEXT NOT NULL)""",
        "CREATE INDEX records_by_digest ON records (digest)",
        "CREATE INDEX records_by_learner ON records (learner, saved_at)",
        """CREATE TABLE measures (
            record_id INTEGER NOT NULL REFERENCES records (id), key TEXT NOT NULL, value REAL NOT NULL, u REAL NOT NULL,
            shared_json TEXT NOT NULL, PRIMARY KEY (record_id, key)) WITHOUT ROWID""",
        "CREATE INDEX measures_by_key ON measures (key)",
        """CREATE TABLE withdrawals (
            record_id INTEGER PRIMARY KEY REFERENCES records (id), withdrawn_at TEXT NOT NULL, why TEXT NOT NULL)""",
        "CREATE TABLE choices (who TEXT PRIMARY KEY, chosen_at TEXT NOT NULL, choices_json TEXT NOT NULL)",
    )
    _append_only(connection, "pictures", "records", "measures", "withdrawals")


def what_came_before(connection: Connection) -> None:
    """Which coupon a coupon followed, and the cause whose change was made in between."""
    _run(
        connection,
        """CREATE TABLE links (
            record_id INTEGER PRIMARY KEY REFERENCES records (id), after_id INTEGER NOT NULL REFERENCES records (id), changed TEXT)""",
    )
    _append_only(connection, "links")


STEPS: tuple[Step, ...] = (first_tables, what_came_before)


def migrate(engine: Engine, steps: tuple[Step, ...] = STEPS) -> int:
    """Bring the database up to the newest step; returns how many steps were taken.

    Raises
    ------
    LogbookTrouble
        If a newer toeline has written this logbook.
    """
    taken = 0
    with engine.connect() as connection:
        if _number(connection) == len(steps):
            return 0
    for number, step in enumerate(steps, start=1):
        with engine.connect().execution_options(toeline_write=True) as connection, connection.begin():
            _run(
                connection,
                "CREATE TABLE IF NOT EXISTS migrations (number INTEGER PRIMARY KEY, name TEXT NOT NULL, taken_at TEXT NOT NULL)",
            )
            done = _number(connection)
            if done > len(steps):
                raise LogbookTrouble(
                    f"This logbook was written by a newer toeline (its tables are at step {done}, this one knows {len(steps)}).",
                    advice="Update toeline, or choose another logbook file.",
                )
            if number <= done:
                continue
            step(connection)
            connection.execute(
                text("INSERT INTO migrations VALUES (:number, :name, :at)"),
                {"number": number, "name": step.__name__, "at": datetime.now(UTC).isoformat(timespec="seconds")},
            )
            taken += 1
    return taken


def _number(connection: Connection) -> int:
    """The newest step taken; 0 for an empty file."""
    known = connection.execute(text("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'migrations'")).first()
    if known is None:
        return 0
    return int(connection.execute(text("SELECT coalesce(max(number), 0) FROM migrations")).scalar_one())
