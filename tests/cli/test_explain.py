"""`matbridge explain`: tables for people, JSON for programs."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from matbridge.cli.explain import main
from matbridge.errors import DocumentError, MatbridgeError

HARBOUR_LIGHTS = str(Path(__file__).parents[2] / "configs" / "harbour-lights.yaml")


@pytest.fixture(autouse=True)
def _narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")


def test_a_table_a_preset(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([HARBOUR_LIGHTS]) == 0
    lines = [" ".join(line.split()) for line in capsys.readouterr().out.splitlines()]
    assert "low tide" in lines
    told = "velocity from rise, 20-120; pressure to channel pressure; to synth, channel 1"
    assert lines[lines.index("low tide") + 1] == told
    assert "a1 D2 until touched again" in lines
    assert "b4 sustain (64) 127 while touched, then 0" in lines
    assert "a1 A2 m: A2 C3 E3 while touched" in lines
    assert "c5 next preset" in lines
    assert max(map(len, lines)) <= 80


def test_what_differs_between_zones_has_a_column(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([HARBOUR_LIGHTS, "--preset", "squall"]) == 0
    out = capsys.readouterr().out
    lines = [" ".join(line.split()) for line in out.splitlines()]
    assert lines[:2] == ["squall", "velocity from rise, 20-120"]
    assert "a1 bass drum 1 while touched synth, channel 10" in lines
    assert "b2 F2 while touched synth, channel 3" in lines
    assert "low tide" not in out


def test_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([HARBOUR_LIGHTS, "--preset", "low tide", "--json"]) == 0
    (preset,) = json.loads(capsys.readouterr().out)
    assert preset["preset"] == "low tide"
    assert len(preset["zones"]) == 14
    assert preset["zones"][0] == {
        "zone": "a1",
        "label": "D2",
        "velocity": "rise, 20-120",
        "parts": [
            {
                "kind": "notes",
                "plays": "D2",
                "how": "until touched again",
                "pressure": "channel pressure",
                "where": "synth, channel 1",
            }
        ],
    }


def test_a_preset_that_is_not_there() -> None:
    with pytest.raises(MatbridgeError, match=r"no preset 'low tid'; did you mean 'low tide'\?"):
        main([HARBOUR_LIGHTS, "--preset", "low tid"])


def test_a_broken_file_explains_nothing(tmp_path: Path) -> None:
    (tmp_path / "show.yaml").write_text("performance: x\n")
    with pytest.raises(DocumentError):
        main([str(tmp_path / "show.yaml")])
