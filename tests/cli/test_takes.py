"""`record`, `replay` and `takes` as a person runs them."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import threading
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from itertools import groupby
from pathlib import Path

import mido
import pytest

from matbridge.board.take import Chunk, Event, TakeHeader
from matbridge.board.take_reader import Take
from matbridge.cli import main as cli
from tests.support.bridge import PROGRAM, folders
from tests.support.jack import wait_until
from tests.support.pty_board import PtyBoard
from tests.support.takes import CONFIGS, TEXT_BOARD, simulated_chunks, simulated_take, write_take


class Shell:
    """Runs the program with folders of its own."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.env = {**os.environ, **folders(root)}
        self.takes = root / "state" / "matbridge" / "takes"

    def run(
        self, *argv: str, env: Mapping[str, str] | None = None
    ) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [PROGRAM, *argv], env={**self.env, **(env or {})}, cwd=self.root, text=True,
            capture_output=True, check=False, timeout=60,
        )  # fmt: skip

    def says(self, *argv: str) -> str:
        done = self.run(*argv)
        assert done.returncode == 0, done.stderr
        return done.stdout


@pytest.fixture
def shell(tmp_path: Path) -> Shell:
    return Shell(tmp_path)


def test_from_the_mat_to_a_file_and_back(shell: Shell) -> None:
    said = shell.says("takes")
    assert "no takes in" in said
    said = shell.says("record", str(CONFIGS / "harbour-lights.yaml"), "--seconds", "3")
    assert re.search(
        r"written: .*harbour-lights \d{4}-\d\d-\d\d \d\d-\d\d-\d\d\.take, 3\.\d s, 1\d{3} scans",
        said,
    )
    (path,) = shell.takes.iterdir()
    lines = shell.says("takes").splitlines()
    assert re.fullmatch(r" *3\.\d s +\S+ .B +harbour-lights .*", lines[1])
    told = shell.says("takes", "last")
    assert "performance  harbour-lights.yaml" in told
    assert "board 1      simulated: 14 readings of 10 bits, text" in told
    assert re.search(r"^a1 +1 +\d+%$", told, re.MULTILINE)
    said = shell.says("replay", path.stem, "--midi-file", "a.mid")
    assert re.search(r"written: a.mid, 3\.\d s, \d+ notes", said)
    shell.says("takes", "export", "last", "--midi-file", "b.mid", "--scans", "b.csv")
    assert (shell.root / "a.mid").read_bytes() == (shell.root / "b.mid").read_bytes()
    scans = (shell.root / "b.csv").read_text().splitlines()
    assert scans[0].startswith("time_s,a1,a2,")
    assert len(scans) > 1400


def test_the_same_bytes_whatever_the_process_and_its_hashes(shell: Shell) -> None:
    path = str(simulated_take(shell.root / "a.take", "packed"))
    files = []
    for seed in ("1", "2", "random"):
        done = shell.run("replay", path, "--midi-file", f"{seed}.mid", env={"PYTHONHASHSEED": seed})
        assert done.returncode == 0, done.stderr
        files.append((shell.root / f"{seed}.mid").read_bytes())
    assert files[0] == files[1] == files[2]
    assert len(mido.MidiFile(shell.root / "1.mid").tracks[0]) > 40


def test_through_another_performance_preset_and_speed(shell: Shell) -> None:
    path = str(simulated_take(shell.root / "a.take"))
    other = (CONFIGS / "harbour-lights.yaml").read_text().replace("root: D3", "root: D4")
    (shell.root / "other.yaml").write_text(other)
    mat = (CONFIGS / "stepping-stones.mat.yaml").read_text()
    (shell.root / "stepping-stones.mat.yaml").write_text(mat)
    shell.says("replay", path, "--midi-file", "a.mid")
    shell.says("replay", path, "--midi-file", "b.mid", "--performance", "other.yaml")
    shell.says("replay", path, "--midi-file", "c.mid", "--preset", "squall", "--speed", "4")
    a, b, c = (mido.MidiFile(shell.root / f"{each}.mid") for each in "abc")
    notes_a, notes_b = ([each.note for each in file if each.type == "note_on"] for file in (a, b))
    assert len(notes_a) == len(notes_b)
    assert notes_a != notes_b
    assert c.length == pytest.approx(a.length / 4, abs=0.001)
    assert next(each.text for each in c if each.type == "marker") == "squall"


@pytest.mark.parametrize(
    ("argv", "code", "words"),
    [
        (["replay", "none"], 1, "there is no take 'none'"),
        (["replay", "last"], 1, "there is none in"),
        (["takes", "none"], 1, "there is no take 'none'"),
        (["replay", "junk.take"], 1, "junk.take is no take"),
        (["replay", "bare.take"], 1, "--performance FILE"),
        (["replay", "a.take", "--preset", "high tide"], 1, "no preset 'high tide'; there are low"),
        (["replay", "a.take", "--speed", "0"], 2, "'0' is not within 0.01 to 100"),
        (["replay", "a.take", "--speed", "fast"], 2, "'fast' is not within"),
        (["replay", "a.take", "--calibration", "none.json"], 1, "no calibration at none.json"),
        (["replay", "a.take", "--midi-file", "no/where.mid"], 1, "cannot be written"),
        (["replay", "a.take", "--performance", "no.yaml"], 1, "no.yaml: cannot be read"),
        (["takes", "export", "a.take"], 2, "say what to write"),
        (["replay", "a.take", "--replace"], 2, "goes with --midi-file"),
        (["takes", "bare.take"], 1, "holds no mat file"),
        (["record", "--seconds", "3"], 2, "go with FILE"),
        (["record", "x.yaml", "--stop"], 2, "without FILE"),
        (["record", "x.yaml"], 1, "x.yaml: cannot be read"),
        (["record", "x.yaml", "--seconds", "-1"], 2, "not within"),
        (["record", "x.yaml", "--seconds", "x"], 2, "not within"),
        (["record"], 3, "no bridge is running"),
    ],
)
def test_what_cannot_be_done_is_said(
    shell: Shell,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    argv: list[str],
    code: int,
    words: str,
) -> None:
    (shell.root / "junk.take").write_bytes(b"junk")
    write_take(shell.root / "bare.take", [], TakeHeader("", (TEXT_BOARD,)))
    simulated_take(shell.root / "a.take", seconds=1.0)
    monkeypatch.chdir(shell.root)
    for name, folder in folders(shell.root).items():
        monkeypatch.setenv(name, folder)
    if code == 2:
        with pytest.raises(SystemExit, match="2"):
            cli.main(argv)
    else:
        assert cli.main(argv) == code
    assert words in capsys.readouterr().err


@pytest.mark.parametrize(
    "argv",
    [
        ["replay", "a.take", "--midi-file", "old"],
        ["takes", "export", "a.take", "--midi-file", "old"],
        ["takes", "export", "a.take", "--scans", "old"],
        ["takes", "export", "a.take", "--midi-file", "new", "--scans", "old"],
    ],
)
def test_a_file_that_is_there_is_written_over_only_where_that_is_said(
    shell: Shell, argv: list[str]
) -> None:
    simulated_take(shell.root / "a.take", seconds=1.0)
    old = shell.root / "old"
    old.write_text("an evening's work")
    done = shell.run(*argv)
    assert done.returncode == 1
    assert done.stderr == (
        "matbridge: old is there already; name another, or write over it with --replace\n"
    )
    assert old.read_text() == "an evening's work"
    assert not (shell.root / "new").exists()
    shell.says(*argv, "--replace")
    assert b"an evening's work" not in old.read_bytes()


def test_what_is_no_file_takes_what_it_is_given(shell: Shell) -> None:
    simulated_take(shell.root / "a.take", seconds=1.0)
    assert "time_s," in shell.says("takes", "export", "a.take", "--scans", "/dev/stdout")


def test_a_damaged_take_is_played_as_far_as_it_goes_and_told(shell: Shell) -> None:
    path = simulated_take(shell.root / "a.take")
    path.write_bytes(path.read_bytes()[:-2000])
    done = shell.run("replay", "a.take", "--midi-file", "a.mid")
    assert done.returncode == 0
    assert "the take is damaged: it breaks off after" in done.stderr
    assert 5 < mido.MidiFile(shell.root / "a.mid").length < 20


def test_a_take_whose_calibration_does_not_fit_the_mat_plays_uncalibrated(shell: Shell) -> None:
    read = Take(simulated_take(shell.root / "whole.take", seconds=1.0)).header
    other = '{"matbridge calibration": 1, "mat": "another", "date": "2031-06-01T19:30:00+02:00",'
    other += ' "sensor": {"type": "force", "bits": 10, "fixed_resistor_ohm": 1000.0}, "zones": []}'
    header = replace(read, files=(*read.files, ("calibration", "another.json", other)))
    chunks = [(time_s, 0, data) for time_s, data in simulated_chunks("text", 3.0)]
    write_take(shell.root / "a.take", chunks, read)
    write_take(shell.root / "b.take", chunks, header)
    done = shell.run("replay", "b.take", "--midi-file", "b.mid")
    assert done.returncode == 0, done.stderr
    assert "played uncalibrated: the calibration in b.take" in done.stderr
    shell.says("replay", "a.take", "--midi-file", "a.mid")
    assert (shell.root / "a.mid").read_bytes() == (shell.root / "b.mid").read_bytes()
    assert "played uncalibrated" in shell.run("takes", "b.take").stderr


def test_what_a_take_says_cannot_speak_to_the_terminal(shell: Shell) -> None:
    header = TakeHeader("\x1b[31mred", (TEXT_BOARD,), (("mat", "\x1b]0;title\x07", "mat: x"),))
    write_take(shell.root / "a.take", [], header)
    done = shell.run("takes", "a.take")
    assert "\x1b" not in done.stdout + done.stderr


MAT = """\
mat: pty mat
board: {port: PORT, format: text}
sensor: {type: level, bits: 10}
zones: [{name: a, at: [0, 0]}, {name: b, at: [40, 0]}]
"""


def test_a_real_board_is_recorded_without_playing_until_it_is_told_to_stop(shell: Shell) -> None:
    """With its coming and going, and every byte of it."""
    place = shell.root / "board"
    (shell.root / "pty.mat.yaml").write_text(MAT.replace("PORT", str(place)))
    recording = subprocess.Popen(
        [PROGRAM, "record", "pty.mat.yaml", "--to", "a.take"],
        env=shell.env, cwd=shell.root, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    sent = [[b"%d,%d\n" % (number, visit) for number in range(300)] for visit in range(2)]
    try:
        for lines in sent:
            with PtyBoard(place) as board:
                wait_until(lambda: holds(recording.pid, board.terminal), "the board is opened")
                for line in lines:
                    board.send(line)
                    time.sleep(0.005)
                time.sleep(0.2)
        recording.send_signal(signal.SIGINT)
        out, err = recording.communicate(timeout=20)
    finally:
        recording.kill()
    assert recording.returncode == 0, err
    assert "written: a.take" in out
    take = Take(shell.root / "a.take")
    records = list(take.records())
    names = [each.name if isinstance(each, Event) else "data" for each in records]
    assert [name for name, _ in groupby(names)] == ["found", "data", "lost"] * 2
    assert take.reason == "stopped"
    # What a board sent before anybody listened is not there; from then on, every byte is.
    kept = b"".join(each.data for each in records if isinstance(each, Chunk)).splitlines(True)
    for lines in sent:
        mine = [line for line in kept if line in lines][1:]
        assert len(mine) > 100
        assert mine == lines[-len(mine) :]
    header = take.header
    assert header.file("performance") is None
    assert header.file("mat") == ("pty.mat.yaml", MAT.replace("PORT", str(place)))


def holds(pid: int, path: str) -> bool:
    """Whether a process has a file open."""
    for entry in Path(f"/proc/{pid}/fd").iterdir():
        with suppress(OSError):
            if str(entry.readlink()) == path:
                return True
    return False


def test_a_board_that_says_nothing_of_use_is_told_in_the_end(shell: Shell) -> None:
    (shell.root / "pty.mat.yaml").write_text(MAT.replace("PORT", str(shell.root / "none")))
    done = shell.run("record", "pty.mat.yaml", "--seconds", "0.3")
    assert done.returncode == 1
    assert "sent no scan of 2 readings in text" in done.stderr


def test_replay_to_a_port_keeps_time_and_ends_its_notes_when_it_is_stopped(shell: Shell) -> None:
    """To a serial jack on a pseudo-terminal, at four times the speed; stopped half-way."""
    with PtyBoard(shell.root / "jack") as jack:
        performance = (CONFIGS / "harbour-lights.yaml").read_text()
        performance = performance.replace("{virtual: matbridge}", "{serial: " + jack.path + "}")
        (shell.root / "serial.yaml").write_text(performance)
        (shell.root / "stepping-stones.mat.yaml").write_text(
            (CONFIGS / "stepping-stones.mat.yaml").read_text()
        )
        path = str(simulated_take(shell.root / "a.take"))
        playing = subprocess.Popen(
            [PROGRAM, "replay", path, "--performance", "serial.yaml", "--speed", "4"],
            env=shell.env, cwd=shell.root, text=True,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip
        heard, over = b"", threading.Event()

        def listen() -> None:
            nonlocal heard
            while not over.is_set():
                try:
                    heard += jack.received(0.1)
                except OSError:
                    time.sleep(0.01)  # nobody has the jack open

        listener = threading.Thread(target=listen)
        listener.start()
        time.sleep(2.5)
        playing.send_signal(signal.SIGINT)
        out, err = playing.communicate(timeout=20)
        time.sleep(0.2)
        over.set()
        listener.join(10)
        assert playing.returncode == 130, err
        assert re.search(r"played \d+\.\d s of the take, \d+ notes", out)
    sounding: set[tuple[int, int]] = set()
    ons = 0
    parser = mido.Parser()
    parser.feed(with_status(heard))
    for message in parser:
        if message.type == "note_on":
            ons += 1
            sounding.add((message.channel, message.note))
        elif message.type == "note_off":
            sounding.discard((message.channel, message.note))
    assert ons > 3
    assert sounding == set()


def with_status(wire: bytes) -> bytes:
    """Running status written out in full (MIDI 1.0: a status holds until the next one)."""
    full = bytearray()
    status, data = 0, bytearray()
    for byte in wire:
        if byte >= 0x80:
            status, data = byte, bytearray()
            continue
        data.append(byte)
        if len(data) == (1 if status & 0xE0 == 0xC0 else 2):
            full += bytes((status,)) + data
            data = bytearray()
    return bytes(full)
