"""What a database or a disk complains of, as a sentence for a person."""

from __future__ import annotations

import errno
from pathlib import Path

from toeline.errors import LogbookTrouble

_KEPT = "What was saved before is untouched."

#: Words in SQLite's own messages (sqlite.org/rescode.html) → what it means, what to do.
_SQLITE = (
    ("disk is full", "the disk is full", "Free some space, then save again."),
    ("readonly database", "the file or its folder is read-only", "Allow writing there, or choose another logbook file."),
    ("unable to open", "the file can't be opened or made", "Check that its folder exists and may be written to."),
    ("database is locked", "another program is writing to it", "Wait a moment, then save again."),
    ("not a database", "the file is not a logbook", "Choose another file name; this file was left as it is."),
    ("malformed", "the file is damaged", "Put back the last copy of it; keep the damaged one for rescue."),
    ("disk i/o error", "the disk failed while reading or writing", "Check the disk and the connection to it, then save again."),
    ("append-only", "records are never changed", "Save a new record, or withdraw the old one."),
)
_DISK = {
    errno.ENOSPC: ("the disk is full", "Free some space, then save again."),
    errno.EDQUOT: ("your share of the disk is used up", "Free some space, then save again."),
    errno.EFBIG: ("the disk takes no file that large", "Free some space, or choose another folder for the logbook."),
    errno.EROFS: ("the disk is read-only", "Choose a logbook file on another disk."),
    errno.EACCES: ("the folder may not be written to", "Allow writing there, or choose another logbook file."),
    errno.EPERM: ("the folder may not be written to", "Allow writing there, or choose another logbook file."),
    errno.ENOTDIR: ("its folder is a file", "Choose another place for the logbook."),
}


def in_words(error: Exception, path: Path) -> LogbookTrouble:
    """The trouble with the logbook at that path."""
    why, advice = _of_disk(error) if isinstance(error, OSError) else _of_sqlite(error)
    return LogbookTrouble(f"The logbook {path.name} did not take this: {why}. {_KEPT}", advice=advice)


def _of_disk(error: OSError) -> tuple[str, str]:
    told = (error.strerror or str(error)).lower()
    return _DISK.get(error.errno or 0, (f"the disk says “{told}”", "Check the disk, then save again."))


def _of_sqlite(error: Exception) -> tuple[str, str]:
    told = str(getattr(error, "orig", None) or error)
    for words, why, advice in _SQLITE:
        if words in told.lower():
            return why, advice
    return f"the database says “{told}”", "Try again; if it stays, put back the last copy of the file."
