"""One booted machine for all tests here, with the project installed as README says."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.machine.machine import Machine

ROOT = Path(__file__).parents[2]
INSTALLED = "/home/player/matbridge"
PROGRAM = f"{INSTALLED}/.venv/bin/matbridge"


@pytest.fixture(scope="session")
def machine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machine]:
    """A booted machine with the project in the player's home."""
    image = Path(os.environ["MATBRIDGE_MACHINE"])
    folder = tmp_path_factory.mktemp("machine")
    share = folder / "share"
    share.mkdir()
    shutil.copytree(image / "wheels", share / "wheels")
    shutil.copy(image / "converters.ko", share)
    listed = subprocess.run(
        ["git", "ls-files", "-co", "--exclude-standard", "-z"],
        cwd=ROOT,
        capture_output=True,
        check=True,
    )
    for name in listed.stdout.decode().split("\0"):
        if name and (ROOT / name).is_file():
            target = share / "matbridge" / name
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(ROOT / name, target)
    guest = Machine(image, folder, share)
    try:
        guest.boot()
        guest.run("modprobe -a snd-seq i2c-dev && udevadm settle")
        # README's command, with a folder of wheels in the network's place.
        install = (
            f"cp -r /share/matbridge {INSTALLED} && cd {INSTALLED} &&"
            " python3 -m venv --system-site-packages .venv &&"
            " .venv/bin/pip install '.[small-computer,bluetooth]'"
        )
        where = "PIP_NO_INDEX=1 PIP_FIND_LINKS=/share/wheels"
        guest.run(f"runuser -l player -c \"{where} bash -c '{install}'\"".replace("'.[", '\\".[')
                  .replace("]'", ']\\"'), timeout_s=600)  # fmt: skip
        yield guest
    finally:
        guest.end()
        if log := os.environ.get("MATBRIDGE_MACHINE_LOG"):
            shutil.copy(folder / "console.log", log)
