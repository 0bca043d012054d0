"""`matbridge doctor`, on boards with every ailment that a pty can have."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml

from matbridge.board import adapter
from matbridge.board.hello import QUERY, Hello, to_line
from matbridge.board.packed import encode_scan
from matbridge.cli import doctor_board, midi_systems
from matbridge.cli.main import main
from matbridge.cli.midi_systems import MidiSystem
from matbridge.display.latency import AIM_S
from tests.support.mat_player import RATE_HZ, MatPlayer
from tests.support.pty_board import PtyBoard

PROGRAMS = Path(__file__).parents[2] / "matbridge" / "board" / "programs"

MAT = """\
mat: pier
board: {{port: {port}, format: {format}, channels: 4}}
sensor: {{type: force, bits: 10, fixed_resistor_ohm: 1000}}
zones:
  - {{name: bow, at: [0, 0]}}
  - {{name: mast, at: [30, 0]}}
  - {{name: keel, at: [60, 0]}}
"""

SHOW = """\
performance: tide tables
mat: pier.mat.yaml
outputs:
  rack: {serial: /dev/no-such-jack}
  desk: {port: "Harbour*"}
presets:
  ebb:
    output: rack
    zones:
      bow: {note: C4}
"""

Examine = Callable[..., tuple[int, dict[str, list[dict[str, Any]]]]]


@pytest.fixture
def examine(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Examine:
    """Run `doctor --json`: its exit code and its facts, findings by what they are about."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setattr(
        midi_systems,
        "midi_systems",
        lambda: ([MidiSystem("jack", "JACK", "", ("Harbour organ",))], ""),
    )

    def run(
        port: str,
        *,
        wire_format: str = "text",
        mat: str = MAT,
        show: str = "",
        seconds: float = 1.0,
    ) -> tuple[int, dict[str, list[dict[str, Any]]]]:
        file = tmp_path / "pier.mat.yaml"
        file.write_text(mat.format(port=port, format=wire_format))
        if show:
            file = tmp_path / "show.yaml"
            file.write_text(show)
        code = main(["doctor", str(file), "--json", "--seconds", str(seconds)])
        facts = json.loads(capsys.readouterr().out)
        about: dict[str, list[dict[str, Any]]] = {"latency": facts["latency"]}
        for finding in facts["findings"]:
            about.setdefault(finding["about"], []).append(finding)
        return code, about

    return run


def one(found: dict[str, list[dict[str, Any]]], about: str) -> dict[str, Any]:
    (finding,) = found[about]
    return finding


@pytest.fixture
def board(tmp_path: Path) -> Any:
    with PtyBoard(tmp_path / "board") as made:
        yield made


def test_a_sound_board_is_found_counted_and_budgeted(board: PtyBoard, examine: Examine) -> None:
    hello = to_line(Hello(4, 10, 250, "text", "1.2", "pier \x1b[31mmat"))
    with MatPlayer(board, 4, {}, answer=hello):
        code, found = examine(board.path, seconds=1.5)
    assert code == 0
    assert one(found, "board")["state"] == "good"
    assert one(found, "permission")["state"] == "good"
    assert "\x1b" not in one(found, "announcement")["text"]
    assert "program 1.2" in one(found, "announcement")["text"]
    scans = one(found, "scans")
    assert scans["state"] == "good"
    assert int(scans["text"].split()[0]) == pytest.approx(RATE_HZ, rel=0.1)
    assert one(found, "link")["text"].startswith("0 damaged of ")
    assert one(found, "noise")["text"].startswith("0.7 readings usually, 0.")
    assert one(found, "calibration")["state"] == "note"
    (budget,) = found["latency"]
    parts = {part["name"]: part for part in budget["way"]}
    assert parts["next scan"]["most_s"] == pytest.approx(1 / RATE_HZ, rel=0.1)
    assert parts["detection"]["most_s"] > 0
    assert 0 < parts["program"]["usual_s"] < 0.005
    assert budget["most_s"] == pytest.approx(sum(part["most_s"] for part in budget["way"]))
    assert (budget["change_first"] == "") is (budget["most_s"] <= AIM_S)


def test_the_board_is_asked_what_it_is(board: PtyBoard, examine: Examine) -> None:
    with MatPlayer(board, 4, {}):
        examine(board.path)
        assert QUERY in board.received()


def test_a_board_that_is_not_there_is_one_wrong_thing(examine: Examine) -> None:
    code, found = examine("/dev/no-such-board")
    assert code == 1
    assert one(found, "board")["state"] == "wrong"
    assert "no board at /dev/no-such-board" in one(found, "board")["text"]
    assert found["latency"] == []


def test_a_silent_board_is_told_from_a_missing_one(board: PtyBoard, examine: Examine) -> None:
    code, found = examine(board.path)
    assert code == 1
    assert one(found, "format")["text"] == "it is there and sends nothing"
    assert "dtr: true" in one(found, "format")["remedy"]  # as the mat file has it


def packed(number: int) -> bytes:
    return encode_scan(number, number * 4000, [1, 2, 3, 4, 5, 6], 12)


@pytest.mark.parametrize(
    ("sent", "wire_format", "text", "board_keys", "sensor_keys"),
    [
        (
            lambda n: b"1,2,3,4,5,1000\n",
            "text",
            "it sends text, 6 readings that need 10 bits",
            "channels: 6",
            "",
        ),
        (
            packed,
            "text",
            "it sends packed, 6 readings of 12 bits",
            "format: packed, channels: 6",
            "bits: 12",
        ),
        (lambda n: b"1,2,3,4\n", "packed", "it sends text, 4 readings", "format: text", ""),
        (lambda n: b"1,2,3\n", "text", "it sends text, 3 readings", "channels: 3", ""),
        (lambda n: b"9,9,9,4000\n", "text", "4 readings that need 12 bits", "", "bits: 12"),
        (
            lambda n: b"1,2,3,4,5\n" + to_line(Hello(5, 12, 250, "text", "1.2", "pier")),
            "packed",
            "it sends text, 5 readings of 12 bits",
            "format: text, channels: 5",
            "bits: 12",
        ),
    ],
)
def test_what_it_sends_instead_is_guessed_with_what_to_write(
    board: PtyBoard,
    examine: Examine,
    sent: Callable[[int], bytes],
    wire_format: str,
    text: str,
    board_keys: str,
    sensor_keys: str,
) -> None:
    """And with that written, the file is sound and the board is heard."""
    with MatPlayer(board, 4, {}, greeting=b"\n\0", spoil=lambda number, _: sent(number)):
        code, found = examine(board.path, wire_format=wire_format)
        assert code == 1
        assert text in one(found, "format")["text"]
        told = [f"under its board: {board_keys}"] if board_keys else []
        told += [f"under sensor: {sensor_keys}"] if sensor_keys else []
        assert one(found, "format")["remedy"] == f"write in the mat file, {'; '.join(told)}"
        mat = yaml.safe_load(MAT.format(port=board.path, format=wire_format))
        mat["board"] |= yaml.safe_load(f"{{{board_keys}}}")
        mat["sensor"] |= yaml.safe_load(f"{{{sensor_keys}}}")
        mended = yaml.safe_dump(mat, default_flow_style=False)
        code, found = examine(board.path, mat=mended)
    assert code == 0
    assert one(found, "scans")["state"] == "good"


def test_a_board_with_too_few_readings_is_not_put_right_in_the_mat_file(
    board: PtyBoard, examine: Examine
) -> None:
    """`channels: 2` would be refused there, for zones hang on the channels beyond."""
    with MatPlayer(board, 4, {}, spoil=lambda number, line: b"7,8\n"):
        _, found = examine(board.path, wire_format="packed")
    write, lack = one(found, "format")["remedy"].splitlines()
    assert write == "write in the mat file, under its board: format: text"
    assert lack.startswith("it has no reading for keel: let its program send 3 readings, or take")


def test_readings_wider_than_any_are_for_the_program_to_mend(
    board: PtyBoard, examine: Examine
) -> None:
    """Such as the 24 bits of a load cell's converter."""
    with MatPlayer(board, 4, {}, spoil=lambda number, line: b"7,8,9,8388607\n"):
        _, found = examine(board.path)
    assert one(found, "format")["remedy"].endswith("bring its readings down to 16 bits or fewer")


def test_noise_is_heard_at_other_rates_until_one_makes_sense(
    board: PtyBoard, examine: Examine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A pty has no rate of its own, so what comes at each is written here."""
    tried: list[int] = []

    def hear(_: object, baud: int) -> bytes:
        tried.append(baud)
        return b"1,2,3,900\n" * 50 if baud == 57_600 else bytes(range(128, 256)) * 10

    monkeypatch.setattr(doctor_board, "hear", hear)
    with MatPlayer(board, 4, {}, spoil=lambda number, line: bytes(byte | 0x80 for byte in line)):
        code, found = examine(board.path)
    assert code == 1
    assert one(found, "format")["remedy"] == "write in the mat file, under its board: baud: 57600"
    assert 115_200 not in tried  # the file's own rate has been heard already
    assert tried[-1] == 57_600


@pytest.mark.parametrize("program", sorted(PROGRAMS.glob("*/*.ino")), ids=lambda path: path.stem)
def test_the_rates_of_the_programs_that_come_along_are_tried(program: Path) -> None:
    (baud,) = re.findall(r"^#define BAUD (\d+)", program.read_text(), re.MULTILINE)
    assert int(baud) in doctor_board.BAUDS


def test_a_board_that_talks_and_does_not_scan_is_quoted(
    board: PtyBoard, examine: Examine, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(doctor_board, "hear", lambda plan, baud: b"")
    with MatPlayer(board, 4, {}, spoil=lambda number, line: b"press \x07 EN to begin\r\n"):
        _, found = examine(board.path)
    text = one(found, "format")["text"]
    assert text.startswith("it sends words, not scans: 'press")
    assert text.isprintable()


def test_damage_on_the_way_is_counted(board: PtyBoard, examine: Examine) -> None:
    with MatPlayer(board, 4, {}, spoil=lambda number, line: b"!" + line if number % 20 else line):
        code, found = examine(board.path)
    assert code == 1
    link = one(found, "link")
    assert link["state"] == "wrong"
    damaged, whole = int(link["text"].split()[0]), int(link["text"].split()[3].rstrip(";"))
    assert damaged > 10 * whole
    assert "shorten the cable" in link["remedy"]


def test_ailing_zones_are_named(board: PtyBoard, examine: Examine) -> None:
    with MatPlayer(board, 4, {}, bad={1: 1023}, jumping=(2,)):
        code, found = examine(board.path, seconds=1.5)
    assert code == 1
    assert one(found, "at the top")["text"] == "mast"
    assert one(found, "moving")["text"] == "keel"


def test_an_adapter_that_holds_scans_back_is_told_how_to_stop(
    board: PtyBoard, examine: Examine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    timer = tmp_path / "latency_timer"
    monkeypatch.setattr(adapter, "latency_timer", lambda device: (timer, 16))
    monkeypatch.setattr(adapter, "driver", lambda device: "ftdi_sio")
    monkeypatch.setattr(adapter, "claimants", lambda: ("ModemManager", "brltty"))
    monkeypatch.setattr(adapter, "holders", lambda device: ("screen (77)",))
    with MatPlayer(board, 4, {}):
        code, found = examine(board.path)
    assert code == 1  # somebody else reads the board
    assert f"echo 1 | sudo tee {timer}" in one(found, "latency timer")["remedy"]
    others = found["other programs"]
    assert [finding["state"] for finding in others] == ["wrong", "note", "note"]
    assert "screen (77)" in others[0]["text"]
    assert "udev rule" in others[1]["remedy"]
    (budget,) = found["latency"]
    link = next(part for part in budget["way"] if part["name"] == "link")
    assert link["most_s"] > 0.010
    assert budget["change_first"] == "set the adapter's latency timer to 1 ms"


def test_a_device_of_another_group_names_the_group(
    board: PtyBoard, examine: Examine, monkeypatch: pytest.MonkeyPatch
) -> None:
    refused = adapter.Access("dialout", allowed=False, allowed_later=False)
    monkeypatch.setattr(adapter, "access", lambda device: refused)
    with MatPlayer(board, 4, {}):
        code, found = examine(board.path)
    assert code == 1
    permission = one(found, "permission")
    assert "belongs to the group dialout" in permission["text"]
    assert "sudo usermod -aG dialout" in permission["remedy"]


def test_the_outputs_of_a_performance_are_looked_for(board: PtyBoard, examine: Examine) -> None:
    with MatPlayer(board, 4, {}):
        code, found = examine(board.path, show=SHOW)
    assert code == 1
    assert one(found, "output desk")["state"] == "good"
    assert one(found, "output rack")["state"] == "wrong"
    (budget,) = found["latency"]
    rack = next(part for part in budget["outputs"] if part["name"] == "output rack")
    assert rack["most_s"] == pytest.approx(0.00096)


ALSA = MidiSystem("alsa", "ALSA sequencer", "", ("Harbour organ", "Quay piano"))
NO_ALSA = MidiSystem("alsa", "ALSA sequencer", "ALSA's sequencer is not there")
JACK = MidiSystem("jack", "JACK", "", ("Harbour organ", "Foghorn"))
NO_JACK = MidiSystem("jack", "JACK", "no JACK server answers")

PLAYED = """\
performance: tide tables
mat: pier.mat.yaml
outputs:
  out: %s
presets:
  ebb:
    output: out
    zones:
      bow: {note: C4}
"""


@pytest.mark.parametrize(
    ("systems", "text"),
    [
        ([ALSA, NO_JACK], "ALSA sequencer is there, with 2 ports to send to"),
        ([NO_ALSA, JACK._replace(outputs=("Foghorn",))], "JACK is there, with 1 port to send to"),
    ],
)
def test_one_midi_system_is_enough(
    examine: Examine, monkeypatch: pytest.MonkeyPatch, systems: list[MidiSystem], text: str
) -> None:
    """And of one that is not there, nothing needs to be said."""
    monkeypatch.setattr(midi_systems, "midi_systems", lambda: (systems, ""))
    monkeypatch.setattr(adapter, "running", lambda names, *_: ())
    _, found = examine("simulated", show=PLAYED % "{virtual: matbridge}")
    midi = one(found, "MIDI system")
    assert (midi["state"], midi["text"]) == ("good", text)
    assert {"ALSA sequencer", "JACK", "output out"}.isdisjoint(found)


@pytest.mark.parametrize(
    ("output", "state", "code"),
    [("{virtual: matbridge}", "wrong", 1), ("{file: set.mid}", "note", 0)],
)
def test_no_midi_system_at_all_is_one_wrong_thing_where_one_is_needed(
    examine: Examine, monkeypatch: pytest.MonkeyPatch, output: str, state: str, code: int
) -> None:
    monkeypatch.setattr(midi_systems, "midi_systems", lambda: ([NO_ALSA, NO_JACK], ""))
    monkeypatch.setattr(adapter, "running", lambda names, *_: ())
    ended, found = examine("simulated", show=PLAYED % output)
    midi = one(found, "MIDI system")
    assert midi["state"] == state
    assert midi["text"] == "none is there: ALSA's sequencer is not there; no JACK server answers"
    assert midi["remedy"] == "one of them is enough"
    assert ended == code


@pytest.mark.parametrize(
    ("systems", "output", "state", "said"),
    [
        ([ALSA, JACK], '{port: "Quay*"}', "good", "'Quay*' is there"),
        ([ALSA, JACK], '{port: "Foghorn"}', "wrong", "write driver: jack beside it"),
        ([ALSA, JACK], '{port: "Foghorn", driver: jack}', "good", "'Foghorn' is there"),
        ([NO_ALSA, JACK], '{port: "Foghorn"}', "good", "'Foghorn' is there"),
        ([ALSA, JACK], '{port: "Lighthouse"}', "wrong", "see matbridge ports"),
        ([ALSA, NO_JACK], "{virtual: mat, driver: jack}", "wrong", "leave driver out"),
        ([ALSA], "{virtual: mat, driver: jack}", "wrong", "driver: jack; not built in"),
    ],
)
def test_an_output_is_looked_for_in_the_system_it_goes_to(
    examine: Examine,
    monkeypatch: pytest.MonkeyPatch,
    systems: list[MidiSystem],
    output: str,
    state: str,
    said: str,
) -> None:
    """An output takes the first system that is there unless it names one, as the bridge does."""
    monkeypatch.setattr(midi_systems, "midi_systems", lambda: (systems, ""))
    _, found = examine("simulated", show=PLAYED % output)
    finding = one(found, "output out")
    assert finding["state"] == state
    assert said in f"{finding['text']}; {finding['remedy']}"


def test_an_output_whose_port_fits_several_says_so(
    examine: Examine, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(midi_systems, "midi_systems", lambda: ([ALSA], ""))
    _, found = examine("simulated", show=PLAYED % '{port: "*a*"}')
    assert "fits 2 MIDI ports" in one(found, "output out")["text"]


def test_what_stands_in_the_way_of_midi_is_said(
    examine: Examine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The wheel of python-rtmidi brings a JACK library of its own; some builds have no ALSA."""
    monkeypatch.setattr(midi_systems, "midi_systems", lambda: ([NO_JACK], ""))
    monkeypatch.setattr(adapter, "running", lambda names, *_: names)
    _, found = examine("/dev/no-such-board")
    texts = " ".join(finding["text"] for finding in found["MIDI system"])
    assert "built without ALSA" in texts
    assert "PipeWire runs" in texts
    # No output of a mat file alone needs one.
    assert {finding["state"] for finding in found["MIDI system"]} == {"note"}


def test_a_simulated_mat_has_nothing_to_examine_but_is_heard(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """And for people it is a table, with the budget under it."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    monkeypatch.setattr(midi_systems, "midi_systems", lambda: ([], "no MIDI here"))
    file = tmp_path / "pier.mat.yaml"
    file.write_text(MAT.format(port="simulated", format="packed"))
    assert main(["doctor", str(file), "--seconds", "1"]) == 1
    told = capsys.readouterr().out
    assert "simulated: no wire and no sensors to examine" in told
    assert "no MIDI here" in told
    assert "from contact to note" in told
    assert ("change first" in told) is ("beyond the aim of 10 ms" in told)


@pytest.mark.parametrize("seconds", ["0.5", "1e9", "soon"])
def test_a_length_of_listening_that_makes_no_sense_is_refused(seconds: str) -> None:
    with pytest.raises(SystemExit) as left:
        main(["doctor", "pier.mat.yaml", "--seconds", seconds])
    assert left.value.code == 2
