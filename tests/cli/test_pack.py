"""A show packed on one machine, and played on another."""

from __future__ import annotations

import json
import signal
from pathlib import Path

import mido
import pytest

from matbridge.cli import main as cli
from matbridge.cli.pack import main
from matbridge.errors import DocumentError, TakeError
from matbridge.sensing.calibration_file import calibration_path, save
from tests.support.bridge import Bridge, folders
from tests.support.calibrations import calibration
from tests.support.jack import wait_until
from tests.support.takes import CONFIGS, simulated_take


class Machines:
    """Two machines: what one has written lies in `here`, the other has only what it was given."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.here = root / "a"
        self.there = root / "b"
        self.here.mkdir()
        self.there.mkdir()
        self.midi = root / "b" / "set.mid"
        text = (CONFIGS / "harbour-lights.yaml").read_text()
        self.show = self.here / "harbour-lights.yaml"
        self.show.write_text(text.replace("{virtual: matbridge}", f"{{file: {self.midi}}}"))
        (self.here / "stepping-stones.mat.yaml").write_bytes(
            (CONFIGS / "stepping-stones.mat.yaml").read_bytes()
        )

    def move(self) -> Path:
        """The zip carried over, and all else of the first machine gone."""
        target = self.there / "lights.zip"
        (self.here / "lights.zip").rename(target)
        for path in self.here.iterdir():
            if path.is_file():
                path.unlink()
        return target


@pytest.fixture
def machines(tmp_path: Path) -> Machines:
    return Machines(tmp_path)


def test_from_here_to_there(machines: Machines) -> None:
    take = simulated_take(machines.root / "rehearsal.take", seconds=10.0)
    here = Bridge(machines.show, machines.here)
    mat = machines.here / "stepping-stones.mat.yaml"
    kept = machines.here / "state" / "matbridge"
    save(calibration(mat), calibration_path("stepping stones", kept))
    said = here.ask("pack", str(machines.show), "-o", str(machines.here / "lights.zip"),
                    "--take", str(take))  # fmt: skip
    assert said.startswith(f"{machines.here / 'lights.zip'}: ")
    assert said.endswith("a chart, its calibration, rehearsal.take\n")
    measured = here.ask("calibrate", str(machines.show), "--show", "--plain")

    packed = machines.move()
    with Bridge(packed, machines.there) as there:
        there.until_logged("playing")
        there.until_logged("came with the show is used")
        wait_until(lambda: there.ask("status") != "", "its status")
        wait_until(lambda: machines.midi.exists() and notes(machines.midi) > 0, "notes in the file")
        there.signal(signal.SIGTERM)
        assert there.wait() == 128 + signal.SIGTERM
    assert there.ask("calibrate", str(packed), "--show", "--plain") == measured
    assert there.ask("check", str(packed)) == f"{packed}: good\n"
    assert "low tide" in there.ask("explain", str(packed))
    (unpacked,) = (machines.there / "state" / "matbridge" / "shows").iterdir()
    told = there.ask("takes", str(unpacked / "rehearsal.take"))
    assert "length       10.0 s" in told
    there.ask("chart", str(packed), "-o", str(machines.there / "chart.html"))
    assert (machines.there / "chart.html").read_bytes() == (unpacked / "chart.html").read_bytes()


def notes(path: Path) -> int:
    """Note-ons in a file that is being written."""
    try:
        return sum(message.type == "note_on" for message in mido.MidiFile(path))
    except (EOFError, OSError, ValueError):
        return 0


def test_a_damaged_one_starts_nothing(machines: Machines) -> None:
    here = Bridge(machines.show, machines.here)
    here.ask("pack", str(machines.show), "-o", str(machines.here / "lights.zip"))
    packed = machines.move()
    data = bytearray(packed.read_bytes())
    data[data.find(b"harbour-lights.yaml") + 60] ^= 0x40
    packed.write_bytes(data)
    there = Bridge(packed, machines.there)
    for words in (["run"], ["check"], ["explain"], ["calibrate", "--show"]):
        done = there.command([*words, str(packed)])
        assert done.returncode == 1
        assert f"{packed} is damaged: " in done.stderr
        assert "Traceback" not in done.stderr
    assert not list((machines.there / "state").rglob("*.yaml"))
    assert not machines.midi.exists()


def test_a_log_of_json_stays_one(machines: Machines) -> None:
    here = Bridge(machines.show, machines.here)
    here.ask("pack", str(machines.show), "-o", str(machines.here / "lights.zip"))
    with Bridge(machines.move(), machines.there, None, "--log-format", "json") as there:
        there.until_logged('"event": "playing"')
        there.signal(signal.SIGTERM)
        there.wait()
        lines = [json.loads(line)["event"] for line in there.log.read_text().splitlines()]
    assert "is unpacked in" in lines[0]


@pytest.fixture
def here(machines: Machines, monkeypatch: pytest.MonkeyPatch) -> Machines:
    """The first machine, in this process."""
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    for name, value in folders(machines.here).items():
        monkeypatch.setenv(name, value)
    return machines


def test_what_is_said_of_an_uncalibrated_mat(
    here: Machines, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([str(here.show), "-o", str(here.here / "lights.ZIP")]) == 0
    said = capsys.readouterr().out
    assert said.endswith("; harbour-lights.yaml, stepping-stones.mat.yaml, a chart,"
                         " no calibration\n")  # fmt: skip


def test_what_cannot_be_packed(here: Machines, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as raised:
        main([str(here.show), "-o", str(here.show)])
    assert raised.value.code == 2
    assert "should end in .zip" in capsys.readouterr().err
    target = str(here.here / "lights.zip")
    with pytest.raises(TakeError, match="there is no take 'none'"):
        main([str(here.show), "-o", target, "--take", "none"])
    with pytest.raises(TakeError, match="is no take"):
        main([str(here.show), "-o", target, "--take", str(here.show)])
    here.show.write_text("performance: x\n")
    with pytest.raises(DocumentError):
        main([str(here.show), "-o", target])
    assert not Path(target).exists()


def test_it_is_a_command(here: Machines) -> None:
    assert cli.main(["pack", str(here.show), "-o", str(here.here / "lights.zip")]) == 0
