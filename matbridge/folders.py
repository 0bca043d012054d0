"""Where matbridge keeps what it writes by itself. Nobody else asks the environment for folders.

Source: XDG Base Directory Specification 0.8 (a relative path in a variable is invalid and passed
over); systemd.exec(5) for STATE_DIRECTORY, a list parted by colons of which the first is ours.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

NAME = "matbridge"


def state_folder(environ: Mapping[str, str] | None = None) -> Path:
    """The folder for what must outlast a restart: calibrations, takes, owed notes.

    It need not exist yet. Without HOME it lies in the home of the account.
    """
    env = os.environ if environ is None else environ
    for folder in env.get("STATE_DIRECTORY", "").split(":"):
        if folder.startswith("/"):
            return Path(folder)
    return _base(env, "XDG_STATE_HOME", ".local/state") / NAME


def _base(env: Mapping[str, str], variable: str, under_home: str) -> Path:
    written = env.get(variable, "")
    if written.startswith("/"):
        return Path(written)
    home = env.get("HOME", "")
    return (Path(home) if home.startswith("/") else Path.home()) / under_home
