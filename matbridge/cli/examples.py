"""The examples that come with matbridge."""

from __future__ import annotations

from pathlib import Path

import matbridge
from matbridge.errors import MatbridgeError


def example(name: str) -> Path:
    """The path of an example file. Installed they are in the package, in a checkout beside it."""
    package = Path(matbridge.__file__).parent
    for folder in (package / "examples", package.parent / "configs"):
        if (folder / name).is_file():
            return folder / name
    raise MatbridgeError(f"the example {name} is missing from this installation; install it anew")
