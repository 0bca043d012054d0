"""Changed files, taken up or refused: by the watch, by request, and one load for many."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from matbridge.service.loading import LOADING_S, Loaded
from matbridge.service.reload import LOOK_S, TRIES, Reloader
from tests.service.stage import loaded, write_show
from tests.support.loop import ManualLoop


class Rig:
    """A reloader whose bridge takes everything, unless told to refuse.

    meanwhile: is called between the first load and the watch.
    """

    def __init__(self, folder: Path, meanwhile: Callable[[Path], None] = lambda show: None) -> None:
        self.show = write_show(folder)
        self.loop = ManualLoop()
        self.taken: list[Loaded] = []
        self.done: list[str] = []
        self.refuse = ""
        first = loaded(self.show)
        meanwhile(self.show)
        self.calibration = first.calibration_path
        self.reloader = Reloader(self.loop, str(self.show), self._take, self.done.append)
        self.reloader.open(first)

    def _take(self, fresh: Loaded) -> str:
        if not self.refuse:
            self.taken.append(fresh)
        return self.refuse

    def wait(self, loads: int) -> None:
        """Let the clock run until so many loads are done."""
        self.until(lambda: len(self.done) >= loads)

    def until(self, met: Callable[[], bool]) -> None:
        end_s = time.monotonic() + 20
        while not met():
            assert time.monotonic() < end_s, "waited in vain"
            if not self.loop.readers:
                self.loop.advance(LOOK_S)
            else:
                self.loop.poll(0.05)

    def look(self, times: int = 4) -> None:
        for _ in range(times):
            self.loop.advance(LOOK_S)
            while self.loop.readers:
                self.loop.poll(0.05)


@pytest.fixture
def rig(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Rig]:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    made = Rig(tmp_path)
    yield made
    made.reloader.close()
    made.reloader.close()
    assert not made.loop.readers
    assert made.loop.pending == 0


def edit(file: Path, old: str, new: str) -> None:
    """As many editors save: a new file, renamed over the old."""
    text = file.read_text()
    assert old in text
    fresh = file.with_suffix(".tmp")
    fresh.write_text(text.replace(old, new))
    fresh.replace(file)


def test_nothing_is_loaded_while_nothing_changes(rig: Rig) -> None:
    rig.look(10)
    assert rig.done == []


@pytest.mark.parametrize("by_rename", [True, False])
def test_a_changed_performance_is_taken_once(rig: Rig, by_rename: bool) -> None:
    if by_rename:
        edit(rig.show, "performance: quay", "performance: pier")
    else:
        rig.show.write_text(rig.show.read_text().replace("performance: quay", "performance: pier"))
    rig.wait(1)
    rig.look()
    assert rig.done == [""]
    assert [each.show.performance.name for each in rig.taken] == ["pier"]


def test_an_edit_made_while_the_bridge_was_starting_is_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    rig = Rig(tmp_path, lambda show: edit(show, "note: 60", "note: 90"))
    rig.wait(1)
    assert rig.done == [""]
    rig.look()
    assert len(rig.taken) == 1
    rig.reloader.close()


def test_a_changed_mat_and_a_new_calibration_count_as_well(rig: Rig) -> None:
    edit(rig.show.with_name("quay.mat.yaml"), "bits: 10", "bits: 12")
    rig.wait(1)
    assert rig.taken[-1].show.mat.sensor.bits == 12
    rig.calibration.parent.mkdir(parents=True)
    rig.calibration.write_text("{}")
    rig.wait(2)
    assert len(rig.taken) == 1
    assert "no calibration" in rig.done[-1]
    assert str(rig.calibration) in rig.done[-1]
    rig.calibration.unlink()
    rig.wait(3)
    assert rig.done[-1] == ""
    assert rig.reloader.error == ""


def test_a_calibration_that_was_already_unfit_keeps_no_edit_out(rig: Rig) -> None:
    """A bridge started beside one plays uncalibrated; its performance can be changed like any."""
    rig.calibration.parent.mkdir(parents=True)
    rig.calibration.write_text("{}")
    unfit = loaded(rig.show)
    assert unfit.calibration_error
    rig.reloader.close()
    rig.reloader.open(unfit)
    edit(rig.show, "performance: quay", "performance: pier")
    rig.wait(1)
    assert rig.done == [""]
    assert [each.show.performance.name for each in rig.taken] == ["pier"]
    rig.calibration.unlink()
    rig.wait(2)
    rig.calibration.write_text("{}")  # a new one that cannot be used is told of
    rig.wait(3)
    assert "no calibration" in rig.done[-1]
    assert len(rig.taken) == 2


def test_a_file_put_back_with_its_old_date_is_a_change(rig: Rig) -> None:
    old = rig.show.with_suffix(".old")
    shutil.copy2(rig.show, old)
    os.utime(old, (1, 1))
    edit(rig.show, "performance: quay", "performance: pier")
    rig.wait(1)
    old.replace(rig.show)
    rig.wait(2)
    assert [each.show.performance.name for each in rig.taken] == ["pier", "quay"]


def test_a_wrong_file_changes_nothing_until_it_is_mended(rig: Rig) -> None:
    edit(rig.show, "channel: 1", "channel: 17")
    rig.wait(1)
    assert rig.taken == []
    assert f"{rig.show}:" in rig.reloader.error
    assert "17" in rig.reloader.error
    rig.look()
    assert len(rig.done) == 1  # told once
    edit(rig.show, "channel: 17", "channel: 3")
    rig.wait(2)
    assert rig.reloader.error == ""
    assert len(rig.taken) == 1


def test_a_file_that_is_gone_for_a_moment_is_waited_for(rig: Rig) -> None:
    text = rig.show.read_text()
    rig.show.unlink()
    rig.wait(1)
    assert rig.taken == []
    rig.show.write_text(text)
    rig.wait(2)
    assert rig.done[-1] == ""


def test_a_wrong_mat_that_is_newly_named_is_watched_too(rig: Rig) -> None:
    other = rig.show.with_name("other.mat.yaml")
    other.write_text(rig.show.with_name("quay.mat.yaml").read_text().replace("bits: 10", "bits: x"))
    edit(rig.show, "mat: quay.mat.yaml", "mat: other.mat.yaml")
    rig.wait(1)
    assert "other.mat.yaml" in rig.reloader.error
    edit(other, "bits: x", "bits: 10")
    rig.wait(2)
    assert rig.done[-1] == ""


def test_a_file_still_being_written_is_not_read(rig: Rig) -> None:
    for size in range(100, 400, 100):
        rig.show.write_text(rig.show.read_text()[:size] + "#" * size)
        rig.loop.advance(LOOK_S)
        assert rig.done == []
    rig.wait(1)


def test_what_the_bridge_refuses_is_the_error(rig: Rig) -> None:
    rig.refuse = "output 'x' can never come"
    edit(rig.show, "performance: quay", "performance: pier")
    rig.wait(1)
    assert rig.reloader.error == "output 'x' can never come"


def test_requests_are_answered_and_one_that_comes_meanwhile_is_loaded_for_again(rig: Rig) -> None:
    answers: list[tuple[str, str]] = []
    rig.reloader.reload(lambda error: answers.append(("first", error)))
    edit(rig.show, "performance: quay", "performance: pier")
    for name in ("second", "third"):
        rig.reloader.reload(lambda error, name=name: answers.append((name, error)))  # type: ignore[misc]
    rig.wait(2)
    rig.look()
    assert [name for name, _ in answers] == ["first", "second", "third"]
    assert len(rig.done) == 2
    assert rig.taken[-1].show.performance.name == "pier"


def test_a_loader_that_hangs_is_ended(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", shutil.which("yes") or "yes")
    rig.reloader.reload()
    rig.loop.advance(LOADING_S + 0.1)
    assert len(rig.done) == 1
    assert "longer than" in rig.done[0]


@pytest.mark.parametrize("program", ["false", "echo", "/nowhere/python"])
def test_a_loader_that_fails_is_told_and_play_goes_on(
    rig: Rig, monkeypatch: pytest.MonkeyPatch, program: str
) -> None:
    monkeypatch.setattr(sys, "executable", shutil.which(program) or program)
    rig.reloader.reload()
    rig.wait(1)
    assert "loader" in rig.done[0] or "no process" in rig.done[0]
    monkeypatch.undo()


def failing(monkeypatch: pytest.MonkeyPatch, times: int) -> None:
    """The next loaders end without a word, as killed ones do."""
    programs = iter([shutil.which("false") or "false"] * times)
    python = sys.executable
    start = subprocess.Popen

    def popen(command: list[str], **more: Any) -> subprocess.Popen[bytes]:
        return start([next(programs, python), *command[1:]], **more)

    monkeypatch.setattr(subprocess, "Popen", popen)


def test_an_edit_whose_loader_was_killed_is_tried_again(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    failing(monkeypatch, TRIES - 1)
    edit(rig.show, "performance: quay", "performance: pier")
    rig.wait(TRIES)
    *accidents, last = rig.done
    assert all("tried again" in error for error in accidents)
    assert last == rig.reloader.error == ""
    rig.look()
    assert [each.show.performance.name for each in rig.taken] == ["pier"]


def test_what_fails_again_and_again_is_left_until_the_next_edit(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    failing(monkeypatch, TRIES)
    edit(rig.show, "performance: quay", "performance: pier")
    rig.wait(TRIES)
    rig.look(10)
    assert len(rig.done) == TRIES
    assert "save a file again" in rig.reloader.error
    assert rig.taken == []
    edit(rig.show, "performance: pier", "performance: mole")
    rig.wait(TRIES + 1)
    assert [each.show.performance.name for each in rig.taken] == ["mole"]


def test_a_mistake_in_taking_it_up_is_answered_and_raised_on(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(_: Loaded) -> str:
        raise RuntimeError("a mistake of ours")

    answers: list[str] = []
    with monkeypatch.context() as patched:
        patched.setattr(rig.reloader, "_on_loaded", fail)
        rig.reloader.reload(answers.append)
        with pytest.raises(RuntimeError):
            rig.wait(1)
    assert answers == rig.done == ["a mistake in matbridge: RuntimeError('a mistake of ours')"]
    rig.look()
    assert len(rig.done) == 1
    edit(rig.show, "performance: quay", "performance: pier")
    rig.wait(2)
    assert rig.done[1] == ""


def test_closing_ends_a_load_under_way(rig: Rig) -> None:
    rig.reloader.reload()
    assert rig.loop.readers
    rig.reloader.close()
    assert not rig.loop.readers
    assert rig.done == []
