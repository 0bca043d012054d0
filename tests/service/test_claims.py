"""Who may run under which name, and on which board."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from matbridge.errors import BoardUnavailable, ControlError
from matbridge.mapping.plan import BoardPlan
from matbridge.service.claims import MAX_NAME, Claims, name_of

BOARD = BoardPlan("/dev/null", 115200, "text", 1, (0,))


def test_a_name_belongs_to_one_bridge_until_it_gives_it_up(tmp_path: Path) -> None:
    first, second = Claims(str(tmp_path), "quay"), Claims(str(tmp_path), "quay")
    first.take_name()
    with pytest.raises(ControlError, match=f"'quay' is running already \\(process {os.getpid()}"):
        second.take_name()
    Claims(str(tmp_path), "pier").take_name()
    first.release()
    first.release()
    second.take_name()
    second.release()


def test_a_board_belongs_to_one_bridge_under_whatever_path(tmp_path: Path) -> None:
    link = tmp_path / "by-id"
    link.symlink_to("/dev/null")
    first, second = Claims(str(tmp_path), "quay"), Claims(str(tmp_path), "pier")
    first.take_boards([BOARD])
    with pytest.raises(BoardUnavailable, match=r"by-id is played by 'quay' already \(process"):
        second.take_boards([replace(BOARD, port=str(link))])
    first.take_boards([])
    second.take_boards([replace(BOARD, port=str(link))])
    second.release()


def test_a_refused_board_costs_none_of_the_others(tmp_path: Path) -> None:
    other = replace(BOARD, port="/dev/zero")
    first, second = Claims(str(tmp_path), "quay"), Claims(str(tmp_path), "pier")
    first.take_boards([BOARD])
    second.take_boards([other])
    with pytest.raises(BoardUnavailable):
        second.take_boards([other, replace(BOARD, port="/dev/full"), BOARD])
    with pytest.raises(BoardUnavailable, match="/dev/zero"):
        first.take_boards([BOARD, other])
    first.take_boards([BOARD, replace(BOARD, port="/dev/full")])
    first.release()
    second.release()


def test_the_same_way_in_with_other_options_is_another_board(tmp_path: Path) -> None:
    one = replace(BOARD, port="midi", options=(("pattern", "pads"),))
    first, second = Claims(str(tmp_path), "quay"), Claims(str(tmp_path), "pier")
    first.take_boards([one])
    second.take_boards([replace(one, options=(("pattern", "keys"),))])
    with pytest.raises(BoardUnavailable):
        second.take_boards([one])
    first.release()
    second.release()


def test_simulated_boards_are_nobodys(tmp_path: Path) -> None:
    for name in ("quay", "pier"):
        Claims(str(tmp_path), name).take_boards([replace(BOARD, port="simulated")])


def test_claims_end_with_the_process_however_it_ends(tmp_path: Path) -> None:
    code = (
        "import os, signal, sys\n"
        "from matbridge.service.claims import Claims\n"
        "Claims(sys.argv[1], 'quay').take_name()\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=False)
    assert (tmp_path / "quay.lock").exists()
    mine = Claims(str(tmp_path), "quay")
    mine.take_name()
    mine.release()


def test_a_damaged_lock_still_locks(tmp_path: Path) -> None:
    first, second = Claims(str(tmp_path), "quay"), Claims(str(tmp_path), "quay")
    first.take_name()
    (tmp_path / "quay.lock").write_text("[1")
    with pytest.raises(ControlError, match="process unknown"):
        second.take_name()
    first.release()


def test_a_folder_that_others_may_write_to_is_refused(tmp_path: Path) -> None:
    open_to_all = tmp_path / "open"
    open_to_all.mkdir()
    open_to_all.chmod(0o777)
    link = tmp_path / "link"
    link.symlink_to(tmp_path)
    for folder in (open_to_all, link):
        with pytest.raises(ControlError, match="not"):
            Claims(str(folder), "quay")
    with pytest.raises(ControlError, match="no runtime folder"):
        Claims("/dev/null/x", "quay")
    made = tmp_path / "made" / "deep"
    Claims(str(made), "quay")
    assert made.stat().st_mode & 0o777 == 0o700


@pytest.mark.parametrize(
    ("file", "name"),
    [
        ("/home/x/harbour-lights.yaml", "harbour-lights"),
        ("low tide.perf.yaml", "low-tide"),
        ("../..", "mat"),
        ("caf\u00e9.yaml", "caf-"),
        ("x" * 300, "x" * MAX_NAME),
    ],
)
def test_a_bridge_is_called_after_its_file(file: str, name: str) -> None:
    assert name_of(file) == name
    assert name_of(name) == name
