"""Files that are wrong in the ways that files are: each problem at its exact place, and no more.

A broken file says itself, in remarks at its end, what is expected: `LINE:COLUMN beginning of the
message`, a line for each problem in order.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from matbridge.mapping.load import load
from matbridge.mapping.problems import shown
from matbridge.plain import escaped

FOLDER = Path(__file__).parents[1] / "data" / "broken"
FILES = sorted(path for path in FOLDER.glob("*.yaml") if path.name != "quay.mat.yaml")
EXPECTED = b"# expected: "


def expected(path: Path) -> list[str]:
    lines = path.read_bytes().splitlines()
    return [line.removeprefix(EXPECTED).decode() for line in lines if line.startswith(EXPECTED)]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_every_problem_of_a_broken_file_has_its_place(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(Path(__file__).parents[2])
    loaded = load(path.relative_to(Path.cwd()))
    assert loaded.plan is None
    found = [f"{each.line}:{each.column} {each.message}" for each in loaded.problems]
    wanted = expected(path)
    assert wanted
    assert len(found) == len(wanted), found
    for said, beginning in zip(found, wanted, strict=True):
        assert said.startswith(beginning)
    for problem, text in zip(loaded.problems, map(shown, loaded.problems), strict=True):
        _, line, mark = text.split("\n")
        at = mark.index("^")
        assert line[at:] == escaped(problem.source[problem.column - 1 :].replace("\t", " "))


def test_there_are_enough_of_them_and_the_mat_they_share_is_good() -> None:
    assert len(FILES) >= 40
    assert load(FOLDER / "quay.mat.yaml").problems == ()
