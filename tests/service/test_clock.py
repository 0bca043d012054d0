"""The clock of the day may jump: nothing that plays may look at it."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import matbridge

PACKAGE = Path(matbridge.__file__).parent

# Of the time module: what goes by the clock of the day.
OF_THE_DAY = {"time", "time_ns", "localtime", "gmtime", "ctime", "strftime", "CLOCK_REALTIME"}

# Dates for people: in the log, on calibrations and on takes.
MAY_DATE = {
    "cli/calibrate_session.py", "cli/calibrate_take.py", "cli/record.py", "service/log.py",
    "service/recorder.py",
}  # fmt: skip


def looks(source: str) -> Iterator[str]:
    """What of the clock of the day a module asks for."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom) and node.module == "time":
            yield from (alias.name for alias in node.names if alias.name in OF_THE_DAY)
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            if node.value.id == "time" and node.attr in OF_THE_DAY:
                yield node.attr
            elif node.value.id in ("datetime", "date") and node.attr in ("now", "utcnow", "today"):
                yield f"{node.value.id}.{node.attr}"


@pytest.mark.parametrize(
    "path", sorted(PACKAGE.rglob("*.py")), ids=lambda path: str(path.relative_to(PACKAGE))
)
def test_no_module_goes_by_the_clock_of_the_day(path: Path) -> None:
    found = set(looks(path.read_text()))
    if str(path.relative_to(PACKAGE)) in MAY_DATE:
        assert found <= {"datetime.now"}
    else:
        assert not found


def test_a_look_would_be_seen() -> None:
    assert list(looks("import time\ntime.time()")) == ["time"]
    assert list(looks("from time import monotonic, time")) == ["time"]
    assert list(looks("from datetime import datetime\ndatetime.now()")) == ["datetime.now"]
    assert not list(looks("import time\ntime.monotonic()"))
