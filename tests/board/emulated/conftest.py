"""Programs and the emulator, each built once a run."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from matbridge.cli.board_program import main as board_program
from tests.board.emulated import rig


@pytest.fixture(scope="session")
def emulator(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return rig.build_emulator(tmp_path_factory.mktemp("emulator"))


@pytest.fixture(scope="session")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the command writes out."""
    folder = tmp_path_factory.mktemp("programs")
    assert board_program([str(folder)]) == 0
    return folder


@pytest.fixture(scope="session")
def built(written: Path, tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """built("mat_board", PACKED="0") is the machine code with that option."""
    folder = tmp_path_factory.mktemp("machine-code")
    made: dict[tuple[str, ...], Path] = {}

    def build(name: str, **options: str) -> Path:
        key = (name, *(f"{k}={v}" for k, v in sorted(options.items())))
        if key not in made:
            made[key] = rig.build(written, name, options, folder)
        return made[key]

    return build
