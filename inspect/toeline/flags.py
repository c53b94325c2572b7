"""Doubts that travel with a result: one registry, from which help texts and reports are made."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files


@dataclass(frozen=True, slots=True)
class FlagKind:
    """A kind of doubt: its short name, what it means, what to do about it."""

    name: str
    meaning: str
    advice: str


@dataclass(frozen=True, slots=True)
class Flag:
    """A doubt about one result.

    Attributes
    ----------
    name : str
        A name from the registry.
    where : str
        The part it concerns, in words a person can follow: ``"standing toe, 34–41 mm"``; empty for the whole photo.
    """

    name: str
    where: str = ""

    def __post_init__(self) -> None:
        if self.name not in registry():
            raise ValueError(f"unknown flag {self.name!r}; known: {', '.join(registry())}")

    @property
    def kind(self) -> FlagKind:
        return registry()[self.name]

    def as_dict(self) -> dict[str, str]:
        return {"name": self.name, "where": self.where, "advice": self.kind.advice}


@cache
def registry() -> Mapping[str, FlagKind]:
    """All kinds of flag by name, from ``flags.toml``."""
    table = tomllib.loads(files("toeline").joinpath("flags.toml").read_text(encoding="utf-8"))
    return {name: FlagKind(name, row["meaning"], row["advice"]) for name, row in table.items()}
