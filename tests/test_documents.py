"""README.md and DEVELOPERS.md say what the code does."""

from __future__ import annotations

import re

import pytest

from tests.support.documents import ROOT, renewed


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md"])
def test_parts_made_from_the_code_are_current(document: str) -> None:
    written = (ROOT / document).read_text()
    assert written == renewed(document), "run: python -m tests.support.documents"


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md"])
def test_every_file_it_names_is_there(document: str) -> None:
    text = (ROOT / document).read_text()
    linked = re.findall(r"\]\((?!https?:|#)([^)#]+)\)", text)
    assert linked
    missing = [name for name in linked if not (ROOT / name).exists()]
    assert not missing


def test_the_worked_example_of_the_packed_format_is_right() -> None:
    from matbridge.board.packed import encode_scan

    wire = encode_scan(7, 1000, [0, 513, 1023], 10).hex(" ").upper()
    assert f"on the wire {wire}\n" in (ROOT / "README.md").read_text()


def test_the_top_level_holds_nothing_else() -> None:
    import subprocess

    tree = subprocess.run(
        ["git", "ls-tree", "--name-only", "HEAD"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split()
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "matbridge", "tests", "configs"}
    allowed |= {"systemd"}
    assert {name for name in tree if not name.startswith(".")} <= allowed
