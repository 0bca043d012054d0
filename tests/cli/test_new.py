"""`matbridge new`: files to begin with, never written over another."""

from __future__ import annotations

from pathlib import Path

import pytest

from matbridge.cli.check import main as check
from matbridge.cli.new import main
from matbridge.errors import DocumentError
from matbridge.mapping.load import load_mat, load_show
from matbridge.mapping.schemas import schema_path


def test_a_mat_and_a_performance_for_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    mat, show = tmp_path / "my.mat.yaml", tmp_path / "shows" / "my-show.yaml"
    show.parent.mkdir()
    assert main(["mat", str(mat), "--zones", "14", "--rows", "3", "--sensor", "level"]) == 0
    assert main(["performance", str(show), "--mat", str(mat)]) == 0
    assert f"{mat}: written" in capsys.readouterr().out
    assert len(load_mat(mat).zones) == 14
    assert load_show(show).files[1].endswith("my.mat.yaml")
    assert check([str(mat), str(show)]) == 0
    for file, kind in ((mat, "mat"), (show, "performance")):
        assert file.read_text().splitlines()[0].endswith(f"$schema={schema_path(kind)}")


def test_nothing_is_written_over(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "my.mat.yaml"
    file.write_text("precious")
    assert main(["mat", str(file)]) == 1
    assert file.read_text() == "precious"
    assert "is there already; name another, or move it away" in capsys.readouterr().err


def test_a_folder_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["mat", str(tmp_path / "gone" / "my.mat.yaml")]) == 1
    assert "cannot write" in capsys.readouterr().err


def test_a_performance_for_a_broken_mat_is_not_written(tmp_path: Path) -> None:
    (tmp_path / "my.mat.yaml").write_text("mat: x\n")
    with pytest.raises(DocumentError):
        main(["performance", str(tmp_path / "a.yaml"), "--mat", str(tmp_path / "my.mat.yaml")])
    assert not (tmp_path / "a.yaml").exists()


@pytest.mark.parametrize("argv", [["mat"], ["performance", "x"], [], ["mat", "x", "--zones", "0"]])
def test_a_wrong_command_line(argv: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as raised:
        main(argv)
    assert raised.value.code == 2
    assert "usage: matbridge new" in capsys.readouterr().err
