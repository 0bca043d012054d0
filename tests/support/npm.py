"""Packages of the npm registry that tests ask: installed by tests/run beside the environment."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

# As tests/run installs them, in a folder of the virtual environment.
PACKAGES = ("rtpmidi@1.0.0", "tonal@6.4.3")
FOLDER = Path(sys.prefix) / "npm"


def folder() -> Path:
    """Where `node` finds them; installs them where tests/run has not."""
    names = [package.partition("@")[0] for package in PACKAGES]
    if not all((FOLDER / "node_modules" / name).is_dir() for name in names):
        npm = shutil.which("npm")
        assert npm, "npm is needed: tests/run installs it"
        FOLDER.mkdir(exist_ok=True)
        command = [npm, "install", "--silent", "--no-audit", "--no-fund", *PACKAGES]
        subprocess.run(command, cwd=FOLDER, check=True, capture_output=True)
    return FOLDER
