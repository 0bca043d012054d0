"""What Linux knows of a serial device that no serial library tells; for whoever looks for trouble.

Everything is read from /sys, /proc and /run/udev, below `root`, and a file that is not there, or
not ours to read, is only something not known.
"""

from __future__ import annotations

import grp
import os
import pwd
import stat
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

ROOT = Path("/")

# Programs that open serial ports unasked: one looks for modems, the other for braille displays.
CLAIMANTS = ("ModemManager", "brltty")

# Properties by which a udev rule keeps ModemManager off a device (its own documentation).
IGNORED = ("E:ID_MM_DEVICE_IGNORE=1", "E:ID_MM_PORT_IGNORE=1")

# The kernel cuts the name of a process to 15 characters (proc_pid_comm(5)).
MAX_COMM = 15


class Access(NamedTuple):
    """Who may use a device: its owning group, whether this process may, and whether its user would
    after the next login (they were added to the group since they logged in)."""

    group: str
    allowed: bool
    allowed_later: bool


def access(device: str) -> Access:
    """Whether this process may read and write the device. Raises OSError where it is not there."""
    status = os.stat(device)  # noqa: PTH116
    try:
        group = grp.getgrgid(status.st_gid).gr_name
        members = grp.getgrgid(status.st_gid).gr_mem
        user = pwd.getpwuid(os.geteuid()).pw_name
    except KeyError:
        group, members, user = str(status.st_gid), [], ""
    by_group = status.st_mode & stat.S_IRGRP and status.st_mode & stat.S_IWGRP
    return Access(group, os.access(device, os.R_OK | os.W_OK), bool(by_group and user in members))


def driver(device: str, root: Path = ROOT) -> str:
    """The kernel driver behind a device, such as cdc_acm or ftdi_sio; empty if not known."""
    link = root / "sys/class/tty" / Path(device).name / "device/driver"
    try:
        return link.readlink().name
    except OSError:
        return ""


def latency_timer(device: str, root: Path = ROOT) -> tuple[Path, int] | None:
    """Where the latency timer of a USB serial adapter stands, and its milliseconds."""
    path = root / "sys/bus/usb-serial/devices" / Path(device).name / "latency_timer"
    try:
        return path, int(path.read_text())
    except (OSError, ValueError):
        return None


def modem_probing_off(device: str, root: Path = ROOT) -> bool:
    """Whether a udev rule keeps ModemManager off the device."""
    try:
        number = os.stat(device).st_rdev  # noqa: PTH116
        known = root / f"run/udev/data/c{os.major(number)}:{os.minor(number)}"
        return any(line in IGNORED for line in known.read_text().splitlines())
    except OSError:
        return False


def claimants(root: Path = ROOT) -> tuple[str, ...]:
    """Those of CLAIMANTS that run."""
    return running(CLAIMANTS, root)


def running(names: Sequence[str], root: Path = ROOT) -> tuple[str, ...]:
    """Those programs that run."""
    found = set()
    for entry in _processes(root):
        try:
            found.add((entry / "comm").read_text().strip())
        except OSError:
            continue
    return tuple(name for name in names if name[:MAX_COMM] in found)


def holders(device: str, root: Path = ROOT) -> tuple[str, ...]:
    """Programs other than this one that have the device open, as "name (process id)", where this
    user may see them."""
    wanted = os.path.realpath(device)
    found = []
    for entry in _processes(root):
        if entry.name == str(os.getpid()):
            continue
        try:
            opened = [os.path.realpath(fd) for fd in (entry / "fd").iterdir()]
            if wanted in opened:
                found.append(f"{(entry / 'comm').read_text().strip()} ({entry.name})")
        except OSError:
            continue
    return tuple(found)


def _processes(root: Path) -> list[Path]:
    try:
        return [entry for entry in (root / "proc").iterdir() if entry.name.isdigit()]
    except OSError:
        return []
