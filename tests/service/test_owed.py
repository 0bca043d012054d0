"""What was sounding, across the end of a process."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matbridge.mapping.plan import OutputKind, OutputPlan
from matbridge.midi.messages import KEYS, note_off, note_on
from matbridge.playing.ledger import recover
from matbridge.service.owed import HEADER_BYTES, OwedNotes, load, where
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


def offs(path: Path) -> dict[tuple[str, str], list[bytes]]:
    return {place: [off for _, off in recover(left)] for place, left in load(path).items()}


def test_a_key_is_owed_from_before_its_note_on_until_after_its_note_off(tmp_path: Path) -> None:
    path = tmp_path / "state" / "mat.owed"
    owed = OwedNotes(path, PLANS, {})
    sounding = image((1, 10, 60))
    owed.sending([(1, note_on(10, 60, 100))])
    assert offs(path) == {where(PLANS[1]): [note_off(10, 60)]}
    owed.sent(sounding)
    assert offs(path) == {where(PLANS[1]): [note_off(10, 60)]}
    owed.sending([(1, note_off(10, 60))])
    assert offs(path) == {where(PLANS[1]): [note_off(10, 60)]}
    owed.sent(image())
    assert offs(path) == {}
    owed.close()
    owed.close()


def test_what_is_owed_at_the_end_is_kept_for_the_next_start(tmp_path: Path) -> None:
    path = tmp_path / "mat.owed"
    owed = OwedNotes(path, PLANS, {})
    owed.sent(image((0, 1, 0), (0, 16, 127)))
    owed.close()
    assert offs(path) == {where(PLANS[0]): [note_off(1, 0), note_off(16, 127)]}


def test_a_new_file_replaces_the_old_whole_and_is_ours_alone(tmp_path: Path) -> None:
    path = tmp_path / "mat.owed"
    first = OwedNotes(path, PLANS, {})
    first.sent(image((0, 1, 60)))
    first.close()
    second = OwedNotes(path, PLANS[:1], {})
    assert load(path) == {}
    assert path.stat().st_mode & 0o777 == 0o600
    assert path.stat().st_size == HEADER_BYTES + KEYS
    second.close()
    assert list(tmp_path.iterdir()) == [path]


def test_what_outputs_of_earlier_shows_are_owed_is_kept_beside(tmp_path: Path) -> None:
    path = tmp_path / "mat.owed"
    left = {("port", "desk"): bytes(image((0, 3, 33))[:KEYS])}
    owed = OwedNotes(path, PLANS, left)
    owed.sent(image((0, 1, 60)))
    owed.close()
    assert offs(path) == {where(PLANS[0]): [note_off(1, 60)], ("port", "desk"): [note_off(3, 33)]}


def test_a_killed_process_leaves_exactly_what_it_had_marked(tmp_path: Path) -> None:
    path = tmp_path / "mat.owed"
    code = (
        "import sys, time\n"
        "from pathlib import Path\n"
        "from tests.service.test_owed import PLANS, image\n"
        "from matbridge.service.owed import OwedNotes\n"
        "owed = OwedNotes(Path(sys.argv[1]), PLANS, {})\n"
        "owed.sent(image((0, 1, 60), (1, 2, 61)))\n"
        "print('sounding', flush=True)\n"
        "time.sleep(60)\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code, str(path)],
        stdout=subprocess.PIPE,
        cwd=Path(__file__).parents[2],
    )
    assert process.stdout is not None
    assert process.stdout.readline() == b"sounding\n"
    process.send_signal(signal.SIGKILL)
    process.wait()
    process.stdout.close()
    assert offs(path) == {where(PLANS[0]): [note_off(1, 60)], where(PLANS[1]): [note_off(2, 61)]}


def test_changes_are_brought_to_the_disk_soon(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[int] = []
    monkeypatch.setattr(os, "fdatasync", synced.append)
    owed = OwedNotes(tmp_path / "mat.owed", PLANS, {})
    for _ in range(2):
        before = len(synced)
        for _ in range(100):
            owed.sent(image((0, 1, 60)))
        wait_until(lambda before=before: len(synced) > before, "a sync")  # type: ignore[misc]
    owed.close()
    assert len(synced) < 20  # gathered, not one a note


def test_a_disk_that_fails_to_sync_is_survived(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tried: list[int] = []

    def fail(fd: int) -> None:
        tried.append(fd)
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fdatasync", fail)
    owed = OwedNotes(tmp_path / "mat.owed", PLANS, {})
    owed.sent(image((0, 1, 60)))
    wait_until(lambda: len(tried) > 0, "a sync")
    owed.sent(image())
    wait_until(lambda: len(tried) > 1, "another")
    owed.close()


def test_a_folder_that_cannot_be_is_an_error_of_the_system(tmp_path: Path) -> None:
    (tmp_path / "state").write_text("in the way")
    with pytest.raises(OSError, match="state"):
        OwedNotes(tmp_path / "state" / "mat.owed", PLANS, {})
    with pytest.raises(OSError, match="too long"):
        OwedNotes(tmp_path / "x", [OutputPlan("a", OutputKind.FILE, "x" * 5000)], {})


@given(st.binary(max_size=200), st.integers(0, 3 * KEYS))
def test_a_damaged_file_owes_nothing_that_was_not_written(
    tmp_path_factory: pytest.TempPathFactory, damage: bytes, size: int
) -> None:
    path = tmp_path_factory.mktemp("owed") / "mat.owed"
    path.write_bytes(damage + b"\1" * size)
    assert load(path) == {}
    header = json.dumps({"matbridge owed": 1, "outputs": [["virtual", "quay"]] * 100}).encode()
    path.write_bytes(header.ljust(HEADER_BYTES) + damage)
    assert load(path) == {}


def test_a_newer_file_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "mat.owed"
    header = json.dumps({"matbridge owed": 2, "outputs": [["virtual", "quay"]]}).encode()
    path.write_bytes(header.ljust(HEADER_BYTES) + b"\1" * KEYS)
    assert load(path) == {}
