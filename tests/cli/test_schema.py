"""`matbridge schema`: what an editor and the README are made from."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from matbridge.cli.schema import main
from matbridge.mapping.reference import reference


@pytest.mark.parametrize(
    ("argv", "key"), [([], "presets"), (["performance"], "presets"), (["mat"], "zones")]
)
def test_a_schema(argv: list[str], key: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(argv) == 0
    assert key in json.loads(capsys.readouterr().out)["properties"]


def test_its_path(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["mat", "--path"]) == 0
    assert "sensor" in json.loads(Path(capsys.readouterr().out.strip()).read_text())["properties"]


def test_the_reference(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--reference"]) == 0
    assert capsys.readouterr().out == reference()


def test_a_kind_that_is_none(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as raised:
        main(["mats"])
    assert raised.value.code == 2
    assert "mats" in capsys.readouterr().err
