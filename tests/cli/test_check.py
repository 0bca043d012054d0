"""`matbridge check` as a person runs it: exit codes, places, no traceback."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from matbridge.cli.check import main
from tests.support.mapping import MAT, performance_text

ROOT = Path(__file__).parents[2]
BROKEN = sorted(
    path for path in (ROOT / "tests/data/broken").glob("*.yaml") if path.name != "quay.mat.yaml"
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "quay.mat.yaml").write_text(MAT)
    return tmp_path


@pytest.mark.parametrize("path", BROKEN, ids=lambda path: path.name)
def test_a_broken_file_exits_1_with_its_place(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([str(path)]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert "Traceback" not in err
    expected = path.read_bytes().split(b"# expected: ")[1].split(b" ")[0].decode()
    assert err.startswith(f"{path}:{expected}: ")
    count = path.read_bytes().count(b"# expected: ")
    assert err.splitlines()[-1] == f"{path}: {count} problem{'s' if count > 1 else ''}"


def test_good_files_say_so(capsys: pytest.CaptureFixture[str]) -> None:
    files = [str(ROOT / "configs" / name) for name in ("harbour-lights.yaml", "boardwalk.mat.yaml")]
    assert main(files) == 0
    assert capsys.readouterr().out.splitlines() == [f"{file}: good" for file in files]


def test_a_warning_is_shown_and_exits_0(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = folder / "show.yaml"
    file.write_text(performance_text("presets:\n  p: {zones: {a1: D3}}\n"))
    assert main([str(file)]) == 0
    out, err = capsys.readouterr()
    assert out == f"{file}: plays, with 1 warning\n"
    warning, line, mark = err.splitlines()
    assert warning.startswith(f"{file}:5:3: warning: preset 'p': zones a2, b1 play nothing; ")
    assert (line, mark) == ("      p: {zones: {a1: D3}}", "      ^")


def test_one_bad_file_among_good_ones_exits_1(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = folder / "show.yaml"
    file.write_text(performance_text("presets: {p: {channel: 17}}"))
    assert main([str(folder / "quay.mat.yaml"), str(file), str(folder / "gone.yaml")]) == 1
    out, err = capsys.readouterr()
    assert out == f"{folder / 'quay.mat.yaml'}: good\n"
    assert f"{file}:4:24: preset 'p': channel 17 is not within 1-16" in err
    assert f"{folder / 'gone.yaml'}: cannot be read: No such file or directory" in err


def test_nothing_to_check_is_a_wrong_command_line(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as raised:
        main([])
    assert raised.value.code == 2
    assert "usage: matbridge check" in capsys.readouterr().err


def test_the_real_command(folder: Path) -> None:
    file = folder / "show.yaml"
    file.write_text(performance_text("presets: {p: {scale: {root: D3, type: dorain}}}"))
    done = subprocess.run(
        [sys.executable, "-m", "matbridge", "check", "show.yaml"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1
    assert done.stderr.splitlines() == [
        "show.yaml:4:39: preset 'p': unknown scale type 'dorain'; did you mean 'dorian'?",
        "    presets: {p: {scale: {root: D3, type: dorain}}}",
        " " * 42 + "^",
        "show.yaml: 1 problem",
    ]
