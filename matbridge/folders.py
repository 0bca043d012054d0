"""Where matbridge keeps what it writes by itself. Nobody else asks the environment for folders.

Source: XDG Base Directory Specification 0.8 (a relative path in a variable is invalid and passed
over); systemd.exec(5) for STATE_DIRECTORY and RUNTIME_DIRECTORY, lists parted by colons of which
the first is ours.

The commands that speak to a running bridge look here too, and have no time to import pathlib or
typing: 15 ms for a whole command that may take 25.
"""

from __future__ import annotations

import os

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

NAME = "matbridge"

# Where a service of the whole machine has its runtime folder (systemd.exec(5), RuntimeDirectory=).
SYSTEM_RUNTIME = f"/run/{NAME}"


def state_folder(environ: Mapping[str, str] | None = None) -> Path:
    """The folder for what must outlast a restart: calibrations, takes, owed notes.

    It need not exist yet. Without HOME it lies in the home of the account.
    """
    from pathlib import Path

    env = os.environ if environ is None else environ
    if given := _given(env, "STATE_DIRECTORY"):
        return Path(given)
    return _base(env, "XDG_STATE_HOME", ".local/state") / NAME


def runtime_folder(environ: Mapping[str, str] | None = None) -> str:
    """The folder for what lives as long as a running bridge: its control socket and its locks.

    It need not exist yet; whoever makes it gives it mode 0700 and checks that it is ours.
    """
    env = os.environ if environ is None else environ
    if given := _given(env, "RUNTIME_DIRECTORY"):
        return given
    uid = os.getuid()
    base = env.get("XDG_RUNTIME_DIR", "")
    if not base.startswith("/"):
        # Absent in a shell that another user's session started, as under sudo; the folder is not.
        base = f"/run/user/{uid}"
        if not os.path.isdir(base):  # noqa: PTH112
            return f"/tmp/{NAME}-{uid}"  # noqa: S108 - its owner and mode are checked
    return f"{base}/{NAME}"


def runtime_folders(environ: Mapping[str, str] | None = None) -> tuple[str, ...]:
    """Where the socket of a running bridge may lie, the nearest first."""
    return tuple(dict.fromkeys((runtime_folder(environ), SYSTEM_RUNTIME)))


def _given(env: Mapping[str, str], variable: str) -> str:
    folders = env.get(variable, "").split(":")
    return next((folder for folder in folders if folder.startswith("/")), "")


def _base(env: Mapping[str, str], variable: str, under_home: str) -> Path:
    from pathlib import Path

    written = env.get(variable, "")
    if written.startswith("/"):
        return Path(written)
    home = env.get("HOME", "")
    return (Path(home) if home.startswith("/") else Path.home()) / under_home
