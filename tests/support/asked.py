"""A command that asks for presses line by line, and hands that do what it asks."""

from __future__ import annotations

import os
import re
import subprocess
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from tests.support.bridge import PROGRAM, folders


def follow(
    arguments: Sequence[str],
    folder: Path,
    press: Callable[[re.Match[str]], object],
    env: Mapping[str, str] | None = None,
) -> tuple[int, list[str]]:
    """Run it with nobody at the keys; `press` is called with each line "press ZONE [HOW]".

    Its exit code, and all lines that it printed, errors among them.
    """
    said: list[str] = []
    with subprocess.Popen(
        [PROGRAM, *arguments],
        env={**os.environ, **folders(folder), **(env or {})},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    ) as process:
        assert process.stdout is not None
        for line in process.stdout:
            said.append(line.rstrip())
            asked = re.fullmatch(r"press (\S+)(?: (softly|hard))?", line.strip())
            if asked:
                press(asked)
    return process.returncode, said
