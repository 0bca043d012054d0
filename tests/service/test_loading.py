"""A show loaded beside the process that wants it, as a bridge does when it starts."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from matbridge.errors import DocumentError, MatbridgeError
from matbridge.service import loading
from matbridge.service.loading import Loading, load, received
from tests.service.stage import write_show

# Tests before these may have left a thread; what is forked does without.
pytestmark = pytest.mark.filterwarnings("ignore:.*multi-threaded:DeprecationWarning")


@pytest.fixture
def show(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return str(write_show(tmp_path))


def children() -> set[str]:
    """Those of this process, dead or alive."""
    tasks = Path("/proc/self/task").iterdir()
    return {child for task in tasks for child in (task / "children").read_text().split()}


@pytest.fixture(autouse=True)
def no_child_is_left() -> Iterator[None]:
    before = children()
    yield
    assert children() <= before


def test_it_gives_what_loading_here_gives(show: str) -> None:
    with Loading(show) as aside:
        assert aside.result() == load(show)


def test_a_wrong_file_is_wrong_in_the_same_places(show: str) -> None:
    file = Path(show)
    file.write_text(file.read_text().replace("{note: 60", "{note: H9"))
    with pytest.raises(DocumentError) as here:
        load(show)
    with Loading(show) as aside, pytest.raises(DocumentError) as there:
        aside.result()
    assert there.value.problems == here.value.problems
    assert str(there.value) == str(here.value)


def test_one_that_nobody_waits_for_is_ended(show: str, monkeypatch: pytest.MonkeyPatch) -> None:
    instead(monkeypatch, lambda: time.sleep(600))
    with Loading(show):
        pass


def test_where_there_is_no_process_to_be_had_it_says_so(
    show: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    refused = BlockingIOError(11, "Resource temporarily unavailable")
    monkeypatch.setattr(os, "fork", lambda: raised(refused))
    with pytest.raises(MatbridgeError, match="no process to load in: Resource temporarily"):
        Loading(show)


def test_one_that_is_killed_is_no_show(show: str, monkeypatch: pytest.MonkeyPatch) -> None:
    instead(monkeypatch, lambda: os.kill(os.getpid(), signal.SIGKILL))
    with Loading(show) as aside, pytest.raises(MatbridgeError, match="was ended by SIGKILL"):
        aside.result()


def test_one_that_hangs_ends_by_itself(show: str, monkeypatch: pytest.MonkeyPatch) -> None:
    fifo = Path(show).with_name("fifo")
    os.mkfifo(fifo)
    monkeypatch.setattr(loading, "LOADING_S", 0.05)
    instead(monkeypatch, fifo.read_bytes)
    with Loading(show) as aside, pytest.raises(MatbridgeError, match=r"took longer than 0\.05 s"):
        aside.result()


def test_a_mistake_is_shown_where_it_was_made(
    show: str, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    instead(monkeypatch, lambda: raised(ZeroDivisionError("ours")))
    with Loading(show) as aside, pytest.raises(MatbridgeError, match="please report it"):
        aside.result()
    assert "ZeroDivisionError: ours" in capfd.readouterr().err


def test_who_is_interrupted_says_nothing(
    show: str, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    instead(monkeypatch, lambda: os.kill(os.getpid(), signal.SIGINT))
    with Loading(show) as aside, pytest.raises(MatbridgeError, match="was ended by SIGINT"):
        aside.result()
    assert capfd.readouterr().err == ""


def test_an_interrupt_while_it_ends_is_that_and_no_error(
    show: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    waitpid = os.waitpid

    def interrupted(_pid: int, _options: int) -> tuple[int, int]:
        monkeypatch.setattr(os, "waitpid", waitpid)
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "waitpid", interrupted)
    with pytest.raises(KeyboardInterrupt), Loading(show) as aside:
        aside.result()


@pytest.mark.parametrize("data", [b"", b"\x80\x05", b"N."])
def test_what_is_no_result_is_refused(data: bytes) -> None:
    with pytest.raises(EOFError):
        received(data)


def instead(monkeypatch: pytest.MonkeyPatch, what: Callable[[], object]) -> None:
    """Do this where the child would load."""
    monkeypatch.setattr(loading, "load", lambda _file: what())


def raised(error: BaseException) -> None:
    raise error
