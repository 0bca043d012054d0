"""A disk that is truly full, under everything that a bridge writes: it plays on, and says so."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from matbridge.board.take import Chunk
from matbridge.board.take_reader import Take
from matbridge.mapping.notes import note_name
from matbridge.service.owed import read
from tests.endtoend.test_trouble import Rig
from tests.support.jack import wait_until
from tests.support.midi_judges import by_mido
from tests.support.quay import CHANNEL, FIRST_NOTE
from tests.support.small_disk import SmallDisk

# What one press of z5 writes into the file: so many notes that its room is soon used up. Major
# chords five semitones apart have no note in common.
ROOTS = range(24, 104, 5)
PITCHES = {root + step for root in ROOTS for step in (0, 4, 7)}


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[SmallDisk]:
    with SmallDisk(tmp_path / "small") as made:
        yield made


@pytest.fixture
def rig(tmp_path: Path, disk: SmallDisk) -> Rig:
    """Not started yet. Takes, owed notes and the recording of the output `tape` are on the disk."""
    made = Rig(
        tmp_path,
        f"  tape: {{file: {disk.path / 'set.mid'}}}",
        env={"XDG_STATE_HOME": str(disk.path)},
    )
    layers = ", ".join(
        f"{{chord: {{root: {note_name(root)}, type: major}}, output: tape}}" for root in ROOTS
    )
    text = made.show.read_text()
    made.show.write_text(text.replace("z5: {note: 65}", f"z5: {{layers: [{layers}]}}"))
    return made


def tape_up(rig: Rig) -> bool:
    return bool(rig.facts()["outputs"][1]["up"])


def test_the_disk_fills_up_while_playing(rig: Rig, disk: SmallDisk) -> None:
    with rig:
        rig.bridge.ask("record")
        (take,) = (disk.path / "matbridge" / "takes").iterdir()
        wait_until(lambda: take.stat().st_size > 0, "the beginning of the take")
        beginning = take.stat().st_size
        wait_until(lambda: take.stat().st_size > beginning, "the first scans in it")
        rig.on(0)
        disk.fill()
        rig.off(0)
        rig.bridge.until_logged("take ended")
        assert "no space is left" in rig.facts()["recording"]["why"]
        presses = 0
        while tape_up(rig):
            rig.feet.press("z5", 800.0, 0.05)
            presses += 1
            rig.on(1, presses)
            rig.off(1, presses)
        rig.bridge.until_logged("No space left on device")
        disk.clear()
        wait_until(lambda: tape_up(rig), "the file to be written again")
        rig.on(2)
        rig.off(2)
        rig.bridge.signal(signal.SIGTERM)
        assert rig.bridge.wait() == 143
        assert rig.synth.sounding() == set()
    log = rig.bridge.log.read_text()
    assert "output lost: output=tape" in log
    assert "output back: output=tape" in log
    assert {note.pitch for note in by_mido((disk.path / "set.mid").read_bytes())} == PITCHES
    recorded = Take(take)
    assert any(isinstance(record, Chunk) for record in recorded.records())
    assert not recorded.damage


def test_the_disk_is_full_from_the_start(rig: Rig, disk: SmallDisk) -> None:
    disk.fill()
    with rig:
        bridge = rig.bridge
        bridge.until_logged("output not there: output=tape")
        bridge.until_logged("owed notes not kept")
        bridge.ask("record")
        bridge.until_logged("take ended")
        rig.on(0)
        rig.off(0)
        # Killed with a note held: the next start owes it all the same.
        rig.on(1)
        bridge.signal(signal.SIGKILL)
        bridge.wait()
        rig.feet.__exit__()
        bridge.start()
        rig.synth.wait_for_note("off", CHANNEL, FIRST_NOTE + 1)
        wait_until(lambda: bridge.log.read_text().count("owed notes not kept") == 2, "the warning")
        disk.clear()
        bridge.until_logged("owed notes kept again")
        bridge.until_logged("output back: output=tape")
        rig.board.unplug()
        rig.replug()
        rig.on(2)
        kept = disk.path / "matbridge" / "quay.owed"
        wait_until(lambda: len(read(kept) or {}) == 1, "what sounds on the disk")
        rig.off(2)
        bridge.signal(signal.SIGTERM)
        assert bridge.wait() == 143
        assert rig.synth.sounding() == set()
