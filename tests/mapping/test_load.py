"""From paths and bytes to plans."""

from __future__ import annotations

from pathlib import Path

import pytest

from matbridge.errors import DocumentError
from matbridge.mapping.load import load, load_mat, load_show, mat_from, show_from, warnings
from matbridge.mapping.plan import MatPlan, Show
from tests.support.mapping import MAT, performance_text

CONFIGS = sorted((Path(__file__).parents[2] / "configs").glob("*.yaml"))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "quay.mat.yaml").write_text(MAT)
    (tmp_path / "show.yaml").write_text(performance_text(""))
    return tmp_path


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.name)
def test_every_config_loads_without_a_warning(path: Path) -> None:
    loaded = load(path)
    assert loaded.problems == ()
    assert loaded.warnings == ()
    assert isinstance(loaded.plan, MatPlan if path.name.endswith(".mat.yaml") else Show)


def test_a_show_knows_the_files_it_came_from(folder: Path) -> None:
    show = load_show(folder / "show.yaml")
    assert show.files == (str(folder / "show.yaml"), str(folder / "quay.mat.yaml"))
    assert show.texts == (performance_text("").encode(), MAT.encode())
    assert show.mat == load_mat(folder / "quay.mat.yaml")


def test_files_are_absolute_however_they_are_named(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    assert all(Path(name).is_absolute() for name in load_show("show.yaml").files)


def test_a_show_from_its_texts_needs_no_file() -> None:
    show = show_from(performance_text("mat: gone.yaml").encode(), MAT.encode(), ("p", "m"))
    assert show.files == ()
    assert len(show.performance.presets[0].zones) == 3
    assert mat_from(MAT.encode(), "m") == show.mat


def test_problems_of_both_files_come_together(folder: Path) -> None:
    (folder / "quay.mat.yaml").write_text(MAT.replace("force", "froce"))
    (folder / "show.yaml").write_text(performance_text("presets: {p: {channel: 17}}"))
    with pytest.raises(DocumentError) as raised:
        load_show(folder / "show.yaml")
    first, second = raised.value.problems
    assert (first.path, second.path) == (str(folder / "show.yaml"), str(folder / "quay.mat.yaml"))
    assert "channel 17" in str(raised.value)
    assert "unknown sensor type 'froce'" in str(raised.value)


@pytest.mark.parametrize("name", ["gone.yaml", ".", "x" * 300])
def test_a_file_that_cannot_be_read(folder: Path, name: str) -> None:
    for read in (load_show, load_mat, warnings):
        with pytest.raises(DocumentError) as raised:
            read(folder / name)
        (problem,) = raised.value.problems
        assert problem.message.startswith("cannot be read: ")
        assert problem.line == 0


@pytest.mark.parametrize("name", ["gone.mat.yaml", ".", "a\\0b"])
def test_a_mat_that_cannot_be_read_is_a_problem_of_the_line_that_names_it(
    folder: Path, name: str
) -> None:
    (folder / "show.yaml").write_text(performance_text(f'mat: "{name}"'))
    with pytest.raises(DocumentError) as raised:
        load_show(folder / "show.yaml")
    (problem,) = raised.value.problems
    assert problem.path == str(folder / "show.yaml")
    assert problem.source.startswith("mat:")


def test_a_mat_elsewhere_is_found_from_the_performance(folder: Path) -> None:
    (folder / "mats").mkdir()
    (folder / "quay.mat.yaml").rename(folder / "mats" / "quay.mat.yaml")
    (folder / "show.yaml").write_text(performance_text("mat: mats/quay.mat.yaml"))
    assert load_show(folder / "show.yaml").mat.name == "quay"


def test_either_kind_of_file_is_told_by_what_it_holds(folder: Path) -> None:
    assert isinstance(load(folder / "quay.mat.yaml").plan, MatPlan)
    assert isinstance(load(folder / "show.yaml").plan, Show)
    assert warnings(folder / "quay.mat.yaml") == ()


def test_a_mat_is_no_performance_and_the_other_way_round(folder: Path) -> None:
    """One sentence, not a complaint about every key of the file."""
    with pytest.raises(DocumentError, match="this is a mat file") as raised:
        load_show(folder / "quay.mat.yaml")
    assert len(raised.value.problems) == 1
    with pytest.raises(DocumentError, match="this is a performance, not a mat file") as raised:
        load_mat(folder / "show.yaml")
    assert len(raised.value.problems) == 1
    (folder / "again.yaml").write_text(performance_text("mat: show.yaml"))
    with pytest.raises(DocumentError, match="this is a performance, not a mat file") as raised:
        load_show(folder / "again.yaml")
    (problem,) = raised.value.problems
    assert (problem.path, problem.source) == (str(folder / "again.yaml"), "mat: show.yaml")


def test_a_mat_whose_zones_are_misspelt_is_still_a_mat(folder: Path) -> None:
    (folder / "quay.mat.yaml").write_text(MAT.replace("zones:", "zone:"))
    told = [problem.message for problem in load(folder / "quay.mat.yaml").problems]
    assert any("'zones' is missing" in message for message in told)
    assert any("unknown key 'zone'; did you mean 'zones'?" in message for message in told)
    assert len(told) == 2
