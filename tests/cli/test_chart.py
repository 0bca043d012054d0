"""`matbridge chart`."""

from __future__ import annotations

from pathlib import Path

import pytest

from matbridge.cli.chart import main
from matbridge.errors import DocumentError, MatbridgeError

HARBOUR_LIGHTS = str(Path(__file__).parents[2] / "configs" / "harbour-lights.yaml")


def test_a_page_to_print(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "handout.html"
    assert main([HARBOUR_LIGHTS, "-o", str(target)]) == 0
    assert capsys.readouterr().out == f"{target}: 3 pages\n"
    assert target.read_text(encoding="utf-8").startswith("<!doctype html>")


def test_a_drawing_of_one_preset(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "handout.SVG"
    assert main([HARBOUR_LIGHTS, "--preset", "squall", "-o", str(target)]) == 0
    assert capsys.readouterr().out == f"{target}: 1 page\n"
    text = target.read_text(encoding="utf-8")
    assert text.startswith("<svg ")
    assert "squall" in text
    assert "low tide" not in text


def test_a_target_of_another_kind(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as raised:
        main([HARBOUR_LIGHTS, "-o", str(tmp_path / "harbour-lights.yaml")])
    assert raised.value.code == 2
    assert "should end in .html or .svg" in capsys.readouterr().err


def test_a_target_that_cannot_be_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([HARBOUR_LIGHTS, "-o", str(tmp_path / "gone" / "x.svg")]) == 1
    assert "cannot write" in capsys.readouterr().err


def test_nothing_is_drawn_of_what_is_wrong(tmp_path: Path) -> None:
    (tmp_path / "show.yaml").write_text("performance: x\n")
    with pytest.raises(DocumentError):
        main([str(tmp_path / "show.yaml"), "-o", str(tmp_path / "x.svg")])
    with pytest.raises(MatbridgeError, match="no preset 'gale'"):
        main([HARBOUR_LIGHTS, "--preset", "gale", "-o", str(tmp_path / "x.svg")])
    assert not (tmp_path / "x.svg").exists()
