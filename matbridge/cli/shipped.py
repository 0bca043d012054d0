"""Files that come with matbridge: installed inside the package, in a checkout beside it."""

from __future__ import annotations

from pathlib import Path

import matbridge
from matbridge.errors import MatbridgeError

PACKAGE = Path(matbridge.__file__).parent


def example(name: str) -> Path:
    """A file of the examples."""
    return _find(name, PACKAGE / "examples", PACKAGE.parent / "configs")


def unit(name: str) -> Path:
    """A file for the service manager."""
    return _find(name, PACKAGE / "units", PACKAGE.parent / "systemd")


def _find(name: str, *folders: Path) -> Path:
    for folder in folders:
        if (folder / name).is_file():
            return folder / name
    raise MatbridgeError(f"{name} is missing from this installation; install matbridge anew")
