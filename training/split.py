"""Which marked photos are for training and which are kept for testing: by group, so that near-duplicates stay together."""

from __future__ import annotations

import hashlib

TEST_SHARE = 1 / 3
"""Share of the groups kept for testing."""

__all__ = ["TEST_SHARE", "fold_of", "split_of"]


def split_of(group: str) -> str:
    """``train`` or ``test`` for a group of photos of one seam or look.

    The first eight hexadecimal digits of the SHA-256 of the group's name, read as a share of their range, decide; so the split
    needs no list, never changes, and knows nothing of how well anything does on a photo.
    """
    share = int(hashlib.sha256(group.encode("utf-8")).hexdigest()[:8], 16) / 0x100000000
    return "test" if share < TEST_SHARE else "train"


def fold_of(group: str, n: int = 2) -> int:
    """Number of a training photo's fold, 0 to n − 1, by the next eight digits: what learns from one fold is checked on the other."""
    return int(hashlib.sha256(group.encode("utf-8")).hexdigest()[8:16], 16) % n
