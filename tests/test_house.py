"""Habits of the house that a machine can check."""

from __future__ import annotations

import ast
import inspect
import json
import re
import subprocess
from pathlib import Path

import jsonschema
import pytest

import toeline
from toeline.errors import ToelineError
from toeline.flags import registry
from toeline.record import schema

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "inspect" / "toeline"
#: A room may import from rooms before it, never from one after it.
ORDER = (
    "processes",
    "photo",
    "scale",
    "bead",
    "measure",
    "surface",
    "spatter",
    "limits",
    "causes",
    "logbook",
    "grading",
    "report",
    "pages",
)


def test_the_standard_library_is_not_shadowed() -> None:
    assert not (ROOT / "inspect" / "__init__.py").exists()
    assert inspect.signature(lambda a: a).parameters.keys() == {"a"}
    assert Path(toeline.__file__).parent == PACKAGE


@pytest.mark.parametrize("room", ORDER[: ORDER.index("logbook")])
def test_imports_point_along_the_flow(room: str) -> None:
    later = ORDER[ORDER.index(room) + 1 :]
    for path in (PACKAGE / room).rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else [a.name for a in getattr(node, "names", [])]
            if not isinstance(node, ast.Import | ast.ImportFrom):
                continue
            for name in names:
                parts = name.split(".")
                if parts[0] == "toeline" and len(parts) > 1:
                    assert parts[1] not in later, f"{path.relative_to(PACKAGE)} imports {name}"


def test_the_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(json.loads(json.dumps(schema())))


def test_every_error_has_a_reason_of_its_own() -> None:
    kinds = [ToelineError, *ToelineError.__subclasses__()]
    reasons = [kind.reason for kind in kinds]
    assert len(set(reasons)) == len(reasons)


def test_every_flag_raised_is_known() -> None:
    raised = set()
    for path in PACKAGE.rglob("*.py"):
        raised |= set(re.findall(r'Flag\("([a-z-]+)"', path.read_text(encoding="utf-8")))
    assert raised and raised <= set(registry())


def test_nothing_open_is_left_in_the_code() -> None:
    listed = subprocess.run(["git", "ls-files", "*.py"], capture_output=True, text=True, cwd=ROOT, check=False).stdout.split()
    for name in listed or [str(p) for p in PACKAGE.rglob("*.py")]:
        if name != "tests/test_house.py":
            assert not re.search(r"\b(TODO|FIXME|XXX|NotImplementedError)\b", (ROOT / name).read_text(encoding="utf-8")), name


def test_units_end_the_keys_of_measures() -> None:
    pattern = schema()["properties"]["measures"]["propertyNames"]["pattern"]
    assert re.match(pattern, "width_mean_mm") and not re.match(pattern, "width_mean")
