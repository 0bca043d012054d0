"""`matbridge ports`: boards that are plugged in and MIDI systems, for people and programs."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from matbridge.board import serial_port
from matbridge.board.serial_port import FoundPort
from matbridge.cli import midi_systems
from matbridge.cli.main import main
from matbridge.cli.ports import to_write
from tests.support.jack import JackServer

BY_ID = "/dev/serial/by-id/usb-Harbour_Mat_01-if00"


@pytest.fixture
def boards(monkeypatch: pytest.MonkeyPatch) -> list[FoundPort]:
    """The boards that are plugged in; a test may change them."""
    found = [
        FoundPort("/dev/ttyACM0", BY_ID, "2e8a:0005", "01", "Harbour Mat"),
        FoundPort("/dev/ttyUSB1", "", "0403:6001", "", "\x1b[31mFT232R"),
        FoundPort("/dev/ttyAMA0", "", "", "", ""),
    ]
    monkeypatch.setattr(serial_port, "find_boards", lambda: found)
    return found


@pytest.mark.parametrize(
    ("board", "port"),
    [
        (FoundPort("/dev/ttyACM0", BY_ID, "2e8a:0005", "01", ""), BY_ID),
        (FoundPort("/dev/ttyACM0", "", "2e8a:0005", "01", ""), "usb:2e8a:0005:01"),
        (FoundPort("/dev/ttyACM0", "", "2e8a:0005", "", ""), "usb:2e8a:0005"),
        (FoundPort("/dev/ttyAMA0", "", "", "", ""), "/dev/ttyAMA0"),
    ],
)
def test_what_to_write_is_the_name_that_outlasts_replugging(board: FoundPort, port: str) -> None:
    assert to_write(board) == port


def test_boards_and_midi_ports_are_listed_with_what_to_write(
    boards: list[FoundPort], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with JackServer() as server:
        for name, value in server.env.items():
            monkeypatch.setenv(name, value)
        assert main(["ports"]) == 0
        told = capsys.readouterr().out
        assert main(["ports", "--json"]) == 0
        facts = json.loads(capsys.readouterr().out)
    assert f"    port: {BY_ID}\n" in told
    assert "    port: usb:0403:6001\n" in told
    assert "\x1b" not in told
    assert "MIDI systems, in the order they are tried\n" in told
    assert "  JACK (jack): works\n" in told
    assert [board["port"] for board in facts["boards"]] == [BY_ID, "usb:0403:6001", "/dev/ttyAMA0"]
    jack = next(system for system in facts["midi"] if system["name"] == "jack")
    assert jack["missing"] == ""


def test_no_board_and_no_midi_system_are_said_with_what_to_do(
    boards: list[FoundPort], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    boards.clear()
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "nobody-here")
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    assert main(["ports"]) == 0
    told = capsys.readouterr().out
    assert "boards: none found" in told
    assert "JACK (jack): no JACK server answers" in told


def test_a_midi_server_that_hangs_does_not_hang_the_list(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its client library spins for ever, holding the interpreter: so a process of its own asks."""
    monkeypatch.setattr(midi_systems, "LIMIT_S", 0.3)
    real = subprocess.run

    def asking_a_frozen_server(_: object, **options: object) -> object:
        return real([sys.executable, "-c", "while True: pass"], **options)  # type: ignore[call-overload]

    monkeypatch.setattr(subprocess, "run", asking_a_frozen_server)
    assert midi_systems.midi_systems() == (
        [],
        "a MIDI server did not answer for 0 s; it hangs: restart it",
    )


def test_a_driver_library_that_does_not_load_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    real = subprocess.run

    def without_the_library(_: object, **options: object) -> object:
        return real([sys.executable, "-c", "import no_such_module"], **options)  # type: ignore[call-overload]

    monkeypatch.setattr(subprocess, "run", without_the_library)
    systems, trouble = midi_systems.midi_systems()
    assert systems == []
    assert "pip install python-rtmidi" in trouble
