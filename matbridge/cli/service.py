"""`matbridge service`: play from boot or login on, by the service manager (systemd)."""

from __future__ import annotations

import argparse
import contextlib
import grp
import os
import pwd
import shutil
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

from matbridge.errors import MatbridgeError

UNIT = "matbridge.service"
RULES = "70-matbridge.rules"

SYSTEM_UNITS = Path("/etc/systemd/system")
SYSTEM_RULES = Path("/etc/udev/rules.d")

# Who may open a serial port and a sound device on Debian and its relatives.
GROUPS = ("dialout", "audio")


def parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser(
        prog="matbridge service",
        description="Have the service manager play a performance: for the user who is logged in,"
        " or with --system (as root) from boot on with nobody logged in.",
    )
    actions = made.add_subparsers(dest="action", required=True, metavar="install | print | remove")
    for name, text in (
        ("install", "start playing now, and at every boot or login"),
        ("print", "only print the unit that would be installed"),
    ):
        action = actions.add_parser(name, help=text, description=text)
        action.add_argument("file", metavar="FILE", type=Path, help="the performance")
    remove = actions.add_parser("remove", help="end it, for good", description="end it, for good")
    for action in (*map(actions.choices.__getitem__, ("install", "print")), remove):
        action.add_argument("--system", action="store_true", help="for the whole machine, as root")
    return made


def main(argv: Sequence[str]) -> int:
    given = parser().parse_args(argv)
    if given.action == "remove":
        return _remove(given.system)
    text = unit_text(given.file, system=given.system)
    if given.action == "print":
        print(text, end="")
        return 0
    return _install(text, given.system)


def unit_text(file: Path, *, system: bool) -> str:
    """The unit for a performance, with the program and the places of this installation filled in.

    Raises DocumentError where the performance is wrong: what cannot play is not installed.
    """
    from matbridge.cli.shipped import unit
    from matbridge.mapping.load import load_show

    show = load_show(file)
    path = Path(show.files[0])
    program = Path(sys.argv[0]).resolve()
    command = [str(program)] if os.access(program, os.X_OK) else [sys.executable, "-m", "matbridge"]
    lines = {"ExecStart": " ".join(map(quoted, (*command, "run", str(path))))}
    if system:
        player = pwd.getpwnam(os.environ.get("SUDO_USER") or pwd.getpwuid(os.getuid()).pw_name)
        state = Path(player.pw_dir) / ".local" / "state" / "matbridge"
        lines["User"] = player.pw_name
        # A folder of its own is written only where it is; both may be missing.
        lines["ReadWritePaths"] = f"-{quoted(str(state))} -{quoted(str(path.parent))}"
    name = "matbridge-system.service" if system else UNIT
    return filled_in(unit(name).read_text(), lines)


def filled_in(text: str, lines: Mapping[str, str]) -> str:
    """A unit's text with the values of these settings replaced."""
    return "".join(
        f"{key}={lines[key]}\n" if (key := line.partition("=")[0]) in lines else line
        for line in text.splitlines(keepends=True)
    )


def quoted(word: str) -> str:
    """A word of a unit's line: systemd.service(5), command lines; systemd.unit(5), specifiers."""
    plain = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return f'"{plain}"' if plain != word or not word or set(word) & set(" \t';") else word


def _install(text: str, system: bool) -> int:
    if system:
        _need_root()
        from matbridge.cli.shipped import unit

        _write(SYSTEM_RULES / RULES, unit(RULES).read_text())
        _run(["udevadm", "control", "--reload"], needed=False)
    path = _unit_path(system)
    _write(path, text)
    manager = _manager(system)
    _run([*manager, "daemon-reload"])
    _run([*manager, "enable", UNIT])
    _run([*manager, "restart", UNIT])
    print(f"{path} plays from now on; see how with: matbridge status")
    print(f"and what it has said with: journalctl {'' if system else '--user '}-u matbridge")
    for hint in _hints(system):
        print(hint)
    return 0


def _remove(system: bool) -> int:
    if system:
        _need_root()
    path = _unit_path(system)
    if not path.exists():
        raise MatbridgeError(f"there is no {path}; nothing is installed")
    manager = _manager(system)
    _run([*manager, "disable", "--now", UNIT], needed=False)
    path.unlink()
    if system:
        with contextlib.suppress(FileNotFoundError):
            (SYSTEM_RULES / RULES).unlink()
    _run([*manager, "daemon-reload"], needed=False)
    print(f"{path} is removed")
    return 0


def _hints(system: bool) -> list[str]:
    """What the player still has to do, if anything."""
    player = os.environ.get("SUDO_USER", "") if system else pwd.getpwuid(os.getuid()).pw_name
    hints = []
    if not system:
        hints.append(f"to play before anybody logs in: sudo loginctl enable-linger {player}")
    missing = []
    for group in GROUPS:
        with contextlib.suppress(KeyError):
            entry = grp.getgrnam(group)
            if player and player not in entry.gr_mem and os.getgid() != entry.gr_gid:
                missing.append(group)
    if missing and player not in ("", "root"):
        groups = ",".join(missing)
        hints.append(
            f"{player} is not in {groups}: sudo usermod -aG {groups} {player}, and log in anew"
        )
    return hints


def _unit_path(system: bool) -> Path:
    if system:
        return SYSTEM_UNITS / UNIT
    base = os.environ.get("XDG_CONFIG_HOME", "")
    folder = Path(base) if base.startswith("/") else Path.home() / ".config"
    return folder / "systemd" / "user" / UNIT


def _manager(system: bool) -> list[str]:
    return ["systemctl"] if system else ["systemctl", "--user"]


def _need_root() -> None:
    if os.geteuid() != 0:
        raise MatbridgeError("a unit for the whole machine is root's: use sudo, or leave --system")


def _write(path: Path, text: str) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    except OSError as error:
        raise MatbridgeError(f"{path} cannot be written: {error.strerror}") from error


def _run(command: Sequence[str], *, needed: bool = True) -> None:
    found = shutil.which(command[0])
    if found is None:
        if needed:
            raise MatbridgeError(f"there is no {command[0]} here; is this a systemd machine?")
        return
    done = subprocess.run(  # noqa: S603 - the system's own program, no shell
        [found, *command[1:]], capture_output=True, text=True, check=False
    )
    if needed and done.returncode != 0:
        raise MatbridgeError(f"'{' '.join(command)}' failed: {done.stderr.strip()}")
