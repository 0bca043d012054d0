"""`matbridge calibrate`, as whoever stands on the mat meets it: by keys, lines, and takes."""

from __future__ import annotations

import os
import re
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path
from random import Random
from unittest.mock import patch

import pytest

from matbridge.board.simulated import SimulatedMat, render
from matbridge.board.simulated.gestures import hand, stomp
from matbridge.board.simulated.link import encoder
from matbridge.board.take import RecordedBoard, TakeHeader
from matbridge.cli.listening import PATIENCE_S, Listening
from matbridge.cli.main import main
from matbridge.errors import BoardUnavailable
from matbridge.mapping.load import mat_from
from matbridge.sensing.calibration_file import calibration_path, load, previous_path
from tests.support.asked import follow
from tests.support.bridge import PROGRAM, folders
from tests.support.loop import ManualLoop
from tests.support.mat_player import MatPlayer
from tests.support.pty_board import PtyBoard
from tests.support.screen import Screen
from tests.support.takes import write_take

MAT = """\
mat: pier
board: {{port: {port}, format: text}}
sensor: {{type: force, bits: 10, fixed_resistor_ohm: 1000}}
zones:
{zones}"""

SOFT, HARD = 120.0, 700.0


def write_mat(folder: Path, port: str, zones: int) -> Path:
    rows = "".join(f"  - {{name: p{n}, at: [{n % 6 * 30}, {n // 6 * 30}]}}\n" for n in range(zones))
    path = folder / "pier.mat.yaml"
    path.write_text(MAT.format(port=port, zones=rows))
    return path


@contextmanager
def pier(folder: Path, zones: int) -> Iterator[tuple[Path, MatPlayer]]:
    """A mat file, and hands on its zones."""
    with (
        PtyBoard(folder / "board") as board,
        MatPlayer(board, zones, {f"p{n}": {n: 1.0} for n in range(zones)}) as player,
    ):
        yield write_mat(folder, board.path, zones), player


def kept(folder: Path) -> Path:
    return calibration_path("pier", folder / "state" / "matbridge")


def run(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """The command in this process, for what needs no terminal of its own."""
    out, err = StringIO(), StringIO()
    with patch.dict(os.environ, folders(folder)), redirect_stdout(out), redirect_stderr(err):
        try:
            code = main(["calibrate", *arguments])
        except SystemExit as left:
            code = int(left.code or 0)
    return subprocess.CompletedProcess(arguments, code, out.getvalue(), err.getvalue())


# Line by line


def test_without_a_terminal_it_asks_line_by_line_and_keeps_the_result(tmp_path: Path) -> None:
    """Somebody presses what each line asks for; nobody touches a key."""
    with pier(tmp_path, 2) as (mat, player):
        code, said = follow(
            ["calibrate", str(mat), "--yes", "--report", str(tmp_path / "pier.svg")],
            tmp_path,
            lambda asked: player.press(asked[1], SOFT if asked[2] == "softly" else HARD),
        )
    assert code == 0
    assert "keep off the mat while its rest is measured" in said
    assert [line for line in said if line.startswith("press")] == [
        "press p0 softly",
        "press p0 hard",
        "press p1 softly",
        "press p1 hard",
    ]
    calibration = load(kept(tmp_path))
    assert calibration is not None
    for zone in calibration.zones:
        assert zone.rest == pytest.approx(4.0, abs=0.3)
        assert zone.noise == pytest.approx(0.76, abs=0.2)  # 0.7, and rounding
        assert zone.soft == pytest.approx(4 + SOFT, abs=4)
        assert zone.full == pytest.approx(4 + HARD, abs=4)
    row = next(line.split() for line in said if line.startswith("p1  "))
    assert row[0] == "p1"
    assert row[-1] == "good"
    assert f"kept in {kept(tmp_path)}" in said
    assert (tmp_path / "pier.svg").read_text().startswith("<svg")
    assert not any("\x1b" in line for line in said)


def test_the_one_in_use_is_shown_and_drawn_again(tmp_path: Path) -> None:
    mat, take = recorded(tmp_path)
    assert run(tmp_path, str(mat), "--take", str(take)).returncode == 0
    shown = run(tmp_path, str(mat), "--show", "--report", str(tmp_path / "pier.html"))
    assert shown.returncode == 0
    assert re.search(r"^p0 .* good *$", shown.stdout, re.MULTILINE)
    assert (tmp_path / "pier.html").read_text().startswith("<!doctype html>")


def test_one_that_does_not_fit_is_refused_with_the_reason(tmp_path: Path) -> None:
    mat, take = recorded(tmp_path)
    assert run(tmp_path, str(mat), "--take", str(take)).returncode == 0
    mat.write_text(mat.read_text().replace("1000", "4700"))
    shown = run(tmp_path, str(mat), "--show")
    assert shown.returncode == 1
    assert "measured with sensor fixed_resistor_ohm 1000.0, the mat file says 4700" in shown.stderr


def test_a_mat_never_calibrated_is_said_to_be_so(tmp_path: Path) -> None:
    shown = run(tmp_path, str(write_mat(tmp_path, "simulated", 2)), "--show")
    assert shown.returncode == 1
    assert "has not been calibrated" in shown.stderr


def test_a_wrong_mat_file_and_a_wrong_picture_are_refused_before_anything_is_asked(
    tmp_path: Path,
) -> None:
    mat = write_mat(tmp_path, "simulated", 2)
    picture = run(tmp_path, str(mat), "--report", "pier.pdf")
    assert (picture.returncode, picture.stdout) == (1, "")
    assert "should end in .svg or .html" in picture.stderr
    mat.write_text(mat.read_text().replace("force", "farce"))
    wrong = run(tmp_path, str(mat))
    assert (wrong.returncode, wrong.stdout) == (1, "")
    assert "pier.mat.yaml:3:" in wrong.stderr
    assert run(tmp_path, str(mat), "--walk", "--show").returncode == 2


def test_a_state_folder_that_refuses_says_so_before_anything_is_pressed(tmp_path: Path) -> None:
    mat = write_mat(tmp_path, "simulated", 2)
    folder = Path(folders(tmp_path)["XDG_STATE_HOME"]) / "matbridge"
    folder.write_text("a file in the place of the folder")
    refused = run(tmp_path, str(mat), "--yes")
    assert (refused.returncode, refused.stdout) == (1, "")
    assert "could not be written" in refused.stderr


def test_with_nobody_to_ask_a_board_that_sends_nothing_ends_it() -> None:
    """The clock is moved by hand: a quarter of a minute of silence, and not less."""
    mat = mat_from(
        MAT.format(port="/dev/nothing-here", zones="  - {name: a, at: [0, 0]}\n").encode(), "m"
    )
    listening = Listening(mat, lambda board, scan: None)
    loop = ManualLoop()
    listening.open(loop)
    loop.advance(PATIENCE_S - 0.1)
    listening.check_patience()
    loop.advance(0.2)
    with pytest.raises(BoardUnavailable, match=r"no scans for 15 s: .*no board at /dev/nothing"):
        listening.check_patience()
    listening.close()


# From a take


def recorded(
    folder: Path, *, channels: int = 3, seconds: float = 14.0, still: bool = True
) -> tuple[Path, Path]:
    """A mat of three zones, and a take of somebody walking over it: mat file, take."""
    mat = SimulatedMat(((0.0, 0.0), (30.0, 0.0), (60.0, 0.0)), tuple(range(3)))
    rng = Random(4)
    start_s = 4.0 if still else 0.5
    presses = []
    for zone in (1, 0, 2) if still else (0, 1, 2) * 4:
        presses.append(hand(zone, start_s, 5.0, 0.3, rng))
        presses.append(stomp(zone, start_s + 0.7, 300.0, 0.4, rng))
        start_s += 1.5
    encode = encoder("text", 10)
    chunks = [
        (scan.time_s, 0, encode(number, scan))
        for number, scan in enumerate(render(presses, mat, 250.0, 3, seconds=seconds))
    ]
    board = RecordedBoard("/dev/ttyACM0", 115_200, "text", channels, 10)
    header = TakeHeader("2031-06-01T20:15:00+02:00", (board,))
    path = folder / "evening.take"
    path.unlink(missing_ok=True)
    write_take(path, [(0.0, 0, b"\n"), *chunks], header)
    return write_mat(folder, "/dev/serial/by-id/nowhere", 3), path


def test_a_take_gives_a_calibration_dated_as_it_was_played(tmp_path: Path) -> None:
    mat, take = recorded(tmp_path)
    done = run(tmp_path, str(mat), "--take", str(take))
    assert done.returncode == 0, done.stderr
    calibration = load(kept(tmp_path))
    assert calibration is not None
    assert calibration.date == "2031-06-01T20:15:00+02:00"
    for zone in calibration.zones:
        assert zone.soft is not None
        assert zone.full is not None
        assert 0 <= zone.rest < 20 < zone.soft < 500 < zone.full
    again = run(tmp_path, str(mat), "--take", str(take))
    assert f"the one before it in {previous_path(kept(tmp_path))}" in again.stdout
    assert load(previous_path(kept(tmp_path))) == calibration
    # Same take, same mat: same calibration, to the byte.
    assert kept(tmp_path).read_bytes() == previous_path(kept(tmp_path)).read_bytes()


def test_a_take_of_another_mat_or_without_rest_is_refused(tmp_path: Path) -> None:
    mat, take = recorded(tmp_path, channels=4)
    other = run(tmp_path, str(mat), "--take", str(take))
    assert other.returncode == 1
    assert "is not of the mat 'pier': board 1 sent 4 readings of 10 bits" in other.stderr
    mat, take = recorded(tmp_path, still=False, seconds=8.0)
    restless = run(tmp_path, str(mat), "--take", str(take))
    assert restless.returncode == 1
    assert "never kept still for 3 s" in restless.stderr
    assert run(tmp_path, str(mat), "--take", str(mat)).returncode == 1
    assert not kept(tmp_path).exists()


# On a terminal


def test_a_person_is_led_through_by_keys(tmp_path: Path) -> None:
    with (
        pier(tmp_path, 24) as (mat, player),
        Screen([PROGRAM, "calibrate", str(mat)], folders(tmp_path)) as screen,
    ):
        screen.until("take everything off the mat")
        screen.until("p23")
        screen.type("\r")
        screen.until("keep off the mat")
        screen.until("press p0 softly")
        player.press("p5", HARD)
        screen.until("that was p5")
        player.press("p0", SOFT)
        screen.until("press p0 hard")
        player.press("p0", HARD)
        asked = screen.until("press p1 softly")
        # The whole picture fits: the mat's name above, the keys below, all 24 zones between.
        assert asked.startswith("pier")
        assert "q: give up" in asked
        assert all(re.search(rf"\bp{zone}\b", asked) for zone in range(24))
        assert re.search(r"\u2713 p0 ", asked)
        screen.type("b")
        screen.until("press p0 hard")
        assert not re.search(r"\u2713 p0 ", screen.text())
        player.press("p0", HARD)
        screen.until("press p1 softly")
        screen.type("n")
        screen.until("press p2 softly")
        screen.type("n" * 22)
        screen.until("1 of 24 zones are good")
        screen.type("\r")
        assert screen.wait() == 0
        assert "kept in" in "".join(screen.lines())
        assert screen.modes_now() == screen.modes
    calibration = load(kept(tmp_path))
    assert calibration is not None
    assert calibration.zones[0].full == pytest.approx(4 + HARD, abs=4)
    assert {zone.full for zone in calibration.zones[1:]} == {None}


@pytest.mark.parametrize(
    ("act", "code"), [("q", 1), ("\x1b", 1), ("\x03", 130), (signal.SIGTERM, 143)]
)
def test_leaving_keeps_nothing_and_gives_the_terminal_back(
    tmp_path: Path, act: str | signal.Signals, code: int
) -> None:
    mat = write_mat(tmp_path, str(tmp_path / "no-board"), 2)
    with Screen([PROGRAM, "calibrate", str(mat)], folders(tmp_path)) as screen:
        screen.until("no board at")  # what is wrong is said, and nobody is thrown out for it
        assert screen.modes_now() != screen.modes
        if isinstance(act, str):
            screen.type(act)
        else:
            screen.signal(act)
        assert screen.wait() == code
        assert screen.modes_now() == screen.modes
        assert screen.raw.rfind(b"\x1b[?25h") > screen.raw.rfind(b"\x1b[?25l")
    assert not kept(tmp_path).exists()


@pytest.mark.parametrize("environ", [{"TERM": "dumb"}, {"TERM": "xterm", "COLUMNS": "80"}])
def test_a_dumb_or_colourless_terminal_does(tmp_path: Path, environ: dict[str, str]) -> None:
    """With TERM=dumb lines are printed; with NO_COLOR pictures are drawn without colours."""
    mat = write_mat(tmp_path, str(tmp_path / "no-board"), 2)
    env = {**folders(tmp_path), **environ, "NO_COLOR": "1"}
    with Screen([PROGRAM, "calibrate", str(mat)], env) as screen:
        screen.until("no board at")
        screen.signal(signal.SIGTERM)
        assert screen.wait() == 143
        assert not re.search(rb"\x1b\[[0-9;]*3[0-7]m", screen.raw)
        assert (b"\x1b" in screen.raw) == (environ["TERM"] != "dumb")


def test_a_hostile_board_name_does_not_reach_the_terminal(tmp_path: Path) -> None:
    port = tmp_path / "\x1b[31mboard"
    mat = write_mat(tmp_path, "x", 2)
    mat.write_text(
        mat.read_text().replace("port: x", 'port: "' + str(port).replace("\x1b", "\\e") + '"')
    )
    done = run(tmp_path, str(mat), "--show")
    assert "\x1b" not in done.stdout + done.stderr
