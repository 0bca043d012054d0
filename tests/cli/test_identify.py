"""`matbridge identify`, on a mat whose wiring only the test knows."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import pytest

from matbridge.cli.main import main
from matbridge.mapping.load import load_mat
from tests.support.asked import follow
from tests.support.bridge import PROGRAM, folders
from tests.support.mat_player import MatPlayer
from tests.support.pty_board import PtyBoard
from tests.support.screen import Screen

FIRM = 500.0

MAT = """\
mat: pier                  # by the old crane
board:
  port: {port}
sensor: {{type: force, bits: 10, fixed_resistor_ohm: 1000}}
zones:
  - {{name: bow, at: [0, 0]}}       # painted red
  - name: mast
    at: [30, 0]
  - {{name: keel, at: [60, 0]}}
"""

# Six channels where the file knows of three: bow and keel changed places with others, and a second
# lead touches keel's.
CROSSED: Mapping[str, Mapping[int, float]] = {
    "bow": {4: 1.0, 1: 0.1},
    "mast": {1: 1.0},
    "keel": {0: 1.0, 5: 0.9},
}


@contextmanager
def pier(
    folder: Path, wires: Mapping[str, Mapping[int, float]], channels: int
) -> Iterator[tuple[Path, MatPlayer]]:
    with PtyBoard(folder / "board") as board, MatPlayer(board, channels, wires) as player:
        mat = folder / "pier.mat.yaml"
        mat.write_text(MAT.format(port=board.path))
        yield mat, player


def test_a_crossed_mat_gets_a_new_file_that_says_how_it_is_wired(tmp_path: Path) -> None:
    new = tmp_path / "new.mat.yaml"
    with pier(tmp_path, CROSSED, 6) as (mat, player):
        before = mat.read_bytes()
        code, said = follow(
            ["identify", str(mat), "--yes", "--write", str(new)],
            tmp_path,
            lambda asked: player.press(asked[1], FIRM),
        )
        assert mat.read_bytes() == before
    assert code == 0
    assert "bow: channel 4, not channel 0 as written" in said
    assert "mast: channel 1, as written" in said
    told = "\n".join(said)
    assert "keel moves channel 5 nearly as much as its own" in told
    assert "no zone moved channel 2, channel 3, channel 5" in told
    (board,) = load_mat(new).boards
    assert board.channels == 6
    assert board.zones == (2, 1, -1, -1, 0, -1)
    text = new.read_text()
    assert "# by the old crane" in text
    assert "  - {name: bow, channel: 4, at: [0, 0]}       # painted red\n" in text


def test_a_mat_that_is_wired_as_written_needs_no_new_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mat, new = tmp_path / "pier.mat.yaml", tmp_path / "new.mat.yaml"
    mat.write_text(MAT.format(port="simulated"))
    assert main(["identify", str(mat), "--yes", "--plain", "--write", str(new)]) == 0
    assert not new.exists()
    assert "new.mat.yaml is not written: it would say the same" in capsys.readouterr().out


def test_a_file_that_is_there_is_never_written_over(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mat = tmp_path / "pier.mat.yaml"
    mat.write_text(MAT.format(port="simulated"))
    assert main(["identify", str(mat), "--yes", "--write", str(mat)]) == 1
    assert "is there already and stays as it is" in capsys.readouterr().err
    assert mat.read_text() == MAT.format(port="simulated")


def test_a_person_sees_every_channel_goes_back_and_leaves_out_what_is_silent(
    tmp_path: Path,
) -> None:
    """With no file to write, the lines to paste are printed; bow can only hang on what is left."""
    wires: dict[str, dict[int, float]] = {"bow": {}, "mast": {1: 1.0}, "keel": {0: 1.0}}
    with (
        pier(tmp_path, wires, 3) as (mat, player),
        Screen([PROGRAM, "identify", str(mat)], folders(tmp_path), columns=72, rows=30) as screen,
    ):
        screen.until("take everything off the mat")
        screen.type(" ")
        screen.until("press bow")
        player.press("mast", FIRM)
        screen.until("bow: channel 1, not channel 0 as written")
        screen.type("b")
        screen.until("press bow")
        screen.type("\r")
        screen.until("press mast")
        player.press("mast", FIRM)
        screen.until("press keel")
        player.press("keel", FIRM)
        screen.until("Enter: show what was found")
        screen.type("\r")
        assert screen.wait() == 0
        told = screen.text()
        assert screen.modes_now() == screen.modes
    assert "nothing answers for bow: look for a broken lead" in told
    assert "not found, so only guessed below: bow" in told
    assert "zones:\n  - {name: bow, channel: 2, at: [0, 0]}       # painted red\n" in told
    assert "  - name: mast\n    channel: 1\n    at: [30, 0]\n" in told
    assert sorted(path.name for path in tmp_path.iterdir() if path.is_file()) == ["pier.mat.yaml"]
