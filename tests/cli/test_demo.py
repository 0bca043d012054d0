"""`matbridge demo`, as somebody who has just installed it runs it."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from pathlib import Path

import mido
import pyte
import pytest

from tests.support.bridge import PROGRAM, folders
from tests.support.jack import JackReader, JackServer, wait_until
from tests.support.quay import Synth


def environment(folder: Path) -> dict[str, str]:
    """No JACK server is there; and this machine has no ALSA sequencer, or it does no harm."""
    return {**os.environ, **folders(folder), "JACK_DEFAULT_SERVER": "nobody-here"}


def demo(folder: Path, *more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [PROGRAM, "demo", *more],
        env=environment(folder),
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        timeout=30,
    )


def check_file(path: Path, seconds: float) -> int:
    """How many notes; each struck is ended, and the file is about that long."""
    file = mido.MidiFile(path)
    assert seconds - 1.5 < file.length < seconds + 1.5
    sounding: set[tuple[int, int]] = set()
    struck = 0
    for message in file:
        if message.type == "note_on" and message.velocity:
            assert (message.channel, message.note) not in sounding
            sounding.add((message.channel, message.note))
            struck += 1
        elif message.type in ("note_on", "note_off"):
            sounding.remove((message.channel, message.note))
    assert not sounding
    return struck


@pytest.mark.skipif(Path("/dev/snd/seq").exists(), reason="this machine has a MIDI system")
def test_without_a_midi_system_it_says_so_in_a_line_and_writes_a_file(tmp_path: Path) -> None:
    done = demo(tmp_path, "--seconds", "4")
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    first, *lines = done.stdout.splitlines()
    assert "matbridge-demo.mid" in first
    assert "jack" in first.lower()
    assert lines[-1] == "written: matbridge-demo.mid"
    struck = check_file(tmp_path / "matbridge-demo.mid", 4)
    assert struck >= 3
    # What sounds is shown as it sounds.
    assert sum(len(line.split("s  ")[1].split()) for line in lines[:-1]) == struck


def test_a_serial_jack_hears_it_and_the_file_has_the_same(tmp_path: Path) -> None:
    with Synth(tmp_path) as synth:
        done = demo(
            tmp_path, "--seconds", "4", "--output", str(synth.path), "--midi-file", "heard.mid"
        )
        assert done.returncode == 0, done.stderr
        struck = check_file(tmp_path / "heard.mid", 4)
        wait_until(lambda: len(synth.notes()) == 2 * struck, "the last note-off")
        assert synth.sounding() == set()


def test_jack_hears_it(tmp_path: Path) -> None:
    with JackServer() as server:
        process = subprocess.Popen(
            [PROGRAM, "demo", "--seconds", "6"],
            env={**environment(tmp_path), **server.env},
            cwd=tmp_path,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            wait_until(lambda: "matbridge:matbridge" in server.ports(), "the port")
            with JackReader(server) as reader:
                reader.connect("matbridge:matbridge", lambda _: None)
                wait_until(lambda: len(reader.messages()) > 5, "notes")
            assert process.wait(20) == 0
        finally:
            process.kill()
            process.wait()
        assert not (tmp_path / "matbridge-demo.mid").exists()


@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 0), (signal.SIGTERM, 143)])
def test_a_signal_ends_every_note_first(tmp_path: Path, number: signal.Signals, code: int) -> None:
    with Synth(tmp_path) as synth:
        process = subprocess.Popen(
            [PROGRAM, "demo", "--output", str(synth.path)],
            env=environment(tmp_path),
            cwd=tmp_path,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
        assert process.stdout is not None
        with process.stdout:
            wait_until(lambda: bool(synth.sounding()), "a note")
            process.send_signal(number)
            assert process.wait(10) == code, process.stdout.read()
            assert b"Traceback" not in process.stdout.read()
        wait_until(lambda: synth.sounding() == set(), "the note-offs")


def test_the_name_of_the_file_that_was_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "heard.mid").write_bytes(b"an earlier one")
    done = demo(tmp_path, "--seconds", "2", "--midi-file", "heard.mid")
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[-1] == "written: heard-2.mid"
    assert "playing into heard-2.mid" in done.stdout
    check_file(tmp_path / "heard-2.mid", 2)
    assert (tmp_path / "heard.mid").read_bytes() == b"an earlier one"


@pytest.mark.parametrize("elsewhere", [True, False])
def test_a_file_that_cannot_be_written_is_an_error(tmp_path: Path, elsewhere: bool) -> None:
    with Synth(tmp_path) as synth:
        output = ["--output", str(synth.path)] if elsewhere else []
        done = demo(tmp_path, "--seconds", "2", "--midi-file", "nowhere/heard.mid", *output)
    assert done.returncode == 1
    assert "nowhere/heard.mid cannot be written" in done.stderr
    assert "written:" not in done.stdout


def test_an_output_that_is_asked_for_and_not_there_is_an_error(tmp_path: Path) -> None:
    done = demo(tmp_path, "--output", str(tmp_path / "nothing"))
    assert done.returncode == 1
    assert "nothing" in done.stderr
    assert not list(tmp_path.glob("*.mid"))


@pytest.mark.parametrize("seconds", ["0", "-1", "nan", "inf", "soon", "1e9"])
def test_a_length_that_makes_no_sense_is_a_usage_error(tmp_path: Path, seconds: str) -> None:
    done = demo(tmp_path, f"--seconds={seconds}")
    assert done.returncode == 2
    assert "not within 0 to 3600 seconds" in done.stderr


def test_on_a_terminal_the_mat_is_drawn_with_a_bar_of_the_time(tmp_path: Path) -> None:
    screen = pyte.Screen(80, 24)
    stream = pyte.ByteStream(screen)
    seen = set()
    master, slave = os.openpty()
    with Synth(tmp_path) as synth:
        process = subprocess.Popen(
            [PROGRAM, "demo", "--seconds", "3", "--output", str(synth.path)],
            env={**environment(tmp_path), "TERM": "xterm", "COLUMNS": "80", "LINES": "24"},
            stdin=subprocess.DEVNULL,
            stdout=slave,
            stderr=slave,
        )
        os.close(slave)
        end_s = time.monotonic() + 20
        try:
            while time.monotonic() < end_s:
                stream.feed(os.read(master, 65536))
                text = "\n".join(screen.display)
                seen |= {word for word in ("low tide", "a1", "c5", " of 3 s", "●") if word in text}
        except OSError:
            pass  # the program has ended, and the terminal with it
        finally:
            os.close(master)
        assert process.wait(10) == 0
    assert seen == {"low tide", "a1", "c5", " of 3 s", "●"}
