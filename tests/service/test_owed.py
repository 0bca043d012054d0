"""What was sounding, across the end of a process."""

from __future__ import annotations

import errno
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matbridge.mapping.plan import OutputKind, OutputPlan
from matbridge.midi.messages import KEYS, note_off, note_on
from matbridge.playing.ledger import recover
from matbridge.service.owed import HEADER_BYTES, OwedNotes, read, where
from tests.support.jack import wait_until

PLANS = (
    OutputPlan("synth", OutputKind.VIRTUAL, "quay"),
    OutputPlan("rack", OutputKind.SERIAL, "/dev/ttyAMA0"),
)


def image(*keys: tuple[int, int, int]) -> bytearray:
    """(output, channel 1-16, note) as the ledger keeps them."""
    made = bytearray(len(PLANS) * KEYS)
    for output, channel, note in keys:
        made[output * KEYS + (channel - 1) * 128 + note] = 1
    return made


def offs(left: dict[tuple[str, str], bytes] | None) -> dict[tuple[str, str], list[bytes]]:
    assert left is not None
    return {place: [off for _, off in recover(image)] for place, image in left.items()}


class Place:
    """Where a bridge keeps what sounds: one folder that is memory, one that is a disk."""

    def __init__(self, folder: Path) -> None:
        self.live = folder / "mat.sounding"
        self.kept = folder / "state" / "mat.owed"

    def owed(self) -> OwedNotes:
        return OwedNotes(self.live, self.kept)

    def left(self) -> dict[tuple[str, str], list[bytes]]:
        """What another process would find."""
        return offs(self.owed().left())

    def power_cut(self) -> None:
        """What lies in memory is no more."""
        self.live.unlink()


@pytest.fixture
def place(tmp_path: Path) -> Place:
    return Place(tmp_path)


@pytest.fixture
def owed(place: Place) -> Iterator[OwedNotes]:
    made = place.owed()
    made.use(PLANS, image(), {})
    yield made
    made.close()


def test_a_key_is_owed_from_before_its_note_on_until_after_its_note_off(
    place: Place, owed: OwedNotes
) -> None:
    sounding = image((1, 10, 60))
    owed.sending([(1, note_on(10, 60, 100))])
    assert place.left() == {where(PLANS[1]): [note_off(10, 60)]}
    owed.sent(sounding)
    assert place.left() == {where(PLANS[1]): [note_off(10, 60)]}
    owed.sending([(1, note_off(10, 60))])
    assert place.left() == {where(PLANS[1]): [note_off(10, 60)]}
    owed.sent(image())
    assert place.left() == {}


def test_what_is_owed_at_the_end_is_kept_for_the_next_start(place: Place, owed: OwedNotes) -> None:
    owed.sent(image((0, 1, 0), (0, 16, 127)))
    owed.close()
    owed.close()
    assert not place.live.exists()
    assert place.left() == {where(PLANS[0]): [note_off(1, 0), note_off(16, 127)]}


def test_other_outputs_take_the_place_of_the_old_whole_and_are_ours_alone(
    place: Place, owed: OwedNotes
) -> None:
    wait_until(place.kept.exists, "the file")
    owed.sent(image((0, 1, 60)))
    owed.use(PLANS[:1], image((0, 2, 61))[:KEYS], {})
    assert place.left() == {where(PLANS[0]): [note_off(2, 61)]}
    wait_until(lambda: place.kept.stat().st_size == HEADER_BYTES + KEYS, "the disk")
    assert read(place.kept) == owed.left()
    for path in (place.live, place.kept):
        assert path.stat().st_mode & 0o777 == 0o600
        assert path.stat().st_size == HEADER_BYTES + KEYS
    owed.sent(image((0, 3, 62))[:KEYS])
    owed.close()
    assert place.left() == {where(PLANS[0]): [note_off(3, 62)]}
    assert list(place.kept.parent.iterdir()) == [place.kept]
    assert not list(place.live.parent.glob("*.new"))


def test_what_outputs_of_earlier_shows_are_owed_is_kept_beside(
    place: Place, owed: OwedNotes
) -> None:
    desk = bytes(image((0, 3, 33))[:KEYS])
    owed.use(PLANS, image((0, 1, 60)), {("port", "desk"): desk})
    due = {where(PLANS[0]): [note_off(1, 60)], ("port", "desk"): [note_off(3, 33)]}
    assert place.left() == due
    owed.close()
    assert place.left() == due


def test_a_killed_process_leaves_exactly_what_it_had_marked(place: Place) -> None:
    code = (
        "import os, signal, sys\n"
        "from pathlib import Path\n"
        "from tests.service.test_owed import PLANS, Place, image\n"
        "owed = Place(Path(sys.argv[1])).owed()\n"
        "owed.use(PLANS, image((0, 5, 5)), {})\n"
        "owed.sent(image((0, 1, 60), (1, 2, 61)))\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(place.live.parent)],
        cwd=Path(__file__).parents[2],
        check=False,
    )
    assert done.returncode == -signal.SIGKILL
    due = {where(PLANS[0]): [note_off(1, 60)], where(PLANS[1]): [note_off(2, 61)]}
    assert place.left() == due


def test_a_power_cut_leaves_what_the_disk_had_by_then(place: Place, owed: OwedNotes) -> None:
    owed.sent(image((0, 1, 60)))
    owed.keep()
    wait_until(lambda: read(place.kept) == owed.left(), "the disk")
    owed.sent(image((0, 1, 60), (1, 2, 61)))
    owed.keep()
    wait_until(lambda: read(place.kept) == owed.left(), "the disk")
    place.power_cut()
    assert place.left() == {where(PLANS[0]): [note_off(1, 60)], where(PLANS[1]): [note_off(2, 61)]}


def test_memory_of_an_earlier_start_of_the_machine_is_older_than_the_disk(
    place: Place, owed: OwedNotes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A runtime folder may lie on a disk after all."""
    owed.sent(image((0, 1, 60)))
    stale = place.live.read_bytes()
    owed.sent(image((0, 2, 61)))
    owed.close()
    place.live.write_bytes(stale)
    assert place.left() == {where(PLANS[0]): [note_off(1, 60)]}
    monkeypatch.setattr("matbridge.service.owed._boot", lambda: "another")
    assert place.left() == {where(PLANS[0]): [note_off(2, 61)]}


@pytest.mark.parametrize("call", ["matbridge.service.owed._sync", "os.pwrite"])
def test_a_disk_that_refuses_is_told_tried_again_and_costs_nothing_but_its_copy(
    place: Place, owed: OwedNotes, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    wait_until(place.kept.exists, "the file")
    monkeypatch.setattr("matbridge.service.owed.RETRY_S", 0.01)
    tried = 0

    def fail(*_: object) -> int:
        nonlocal tried
        tried += 1
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as refusing:
        refusing.setattr(call, fail)
        owed.sent(image((0, 1, 60)))
        owed.keep()
        wait_until(lambda: tried > 2, "some tries")
        assert owed.trouble == f"{place.kept}: No space left on device"
        assert place.left() == {where(PLANS[0]): [note_off(1, 60)]}
    wait_until(lambda: not owed.trouble, "the end of the trouble")
    place.power_cut()
    assert place.left() == {where(PLANS[0]): [note_off(1, 60)]}


def test_what_the_disk_refused_to_the_end_stays_in_memory(
    place: Place, owed: OwedNotes, monkeypatch: pytest.MonkeyPatch
) -> None:
    wait_until(place.kept.exists, "the file")
    monkeypatch.setattr("matbridge.service.owed._sync", lambda _: os.pwrite(-1, b"", 0))
    owed.sent(image((0, 1, 60)))
    owed.close()
    assert "Bad file descriptor" in owed.trouble
    assert place.live.exists()
    assert place.left() == {where(PLANS[0]): [note_off(1, 60)]}


def test_no_folder_in_memory_leaves_the_disk(tmp_path: Path) -> None:
    owed = OwedNotes(tmp_path / "none" / "mat.sounding", tmp_path / "state" / "mat.owed")
    owed.use(PLANS, image((0, 9, 9)), {})
    assert "none/mat.sounding: No such file" in owed.trouble
    owed.sent(image((0, 1, 60)))
    owed.close()
    assert offs(owed.left()) == {where(PLANS[0]): [note_off(1, 60)]}


def test_no_folder_on_the_disk_is_trouble_until_there_is_one(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("matbridge.service.owed.RETRY_S", 0.01)
    place.kept.parent.write_text("in the way")
    owed = place.owed()
    owed.use(PLANS, image((0, 1, 60)), {})
    wait_until(lambda: "File exists" in owed.trouble, "the trouble")
    place.kept.parent.unlink()
    wait_until(lambda: not owed.trouble, "the end of it")
    owed.close()
    assert place.left() == {where(PLANS[0]): [note_off(1, 60)]}


def test_names_longer_than_any_system_has_them_are_an_error(place: Place) -> None:
    with pytest.raises(OSError, match="too long"):
        place.owed().use([OutputPlan("a", OutputKind.FILE, "x" * 5000)], bytes(KEYS), {})


@given(st.binary(max_size=200), st.integers(0, 3 * KEYS))
def test_a_damaged_file_owes_nothing_that_was_not_written(
    tmp_path_factory: pytest.TempPathFactory, damage: bytes, size: int
) -> None:
    path = tmp_path_factory.mktemp("owed") / "mat.owed"
    path.write_bytes(damage + b"\1" * size)
    assert read(path) is None
    header = json.dumps({"matbridge owed": 1, "outputs": [["virtual", "quay"]] * 100}).encode()
    path.write_bytes(header.ljust(HEADER_BYTES) + damage)
    assert read(path) == {}


def test_a_newer_file_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "mat.owed"
    header = json.dumps({"matbridge owed": 2, "outputs": [["virtual", "quay"]]}).encode()
    path.write_bytes(header.ljust(HEADER_BYTES) + b"\1" * KEYS)
    assert read(path) is None
