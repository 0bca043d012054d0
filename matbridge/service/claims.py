"""What a running bridge claims for itself: its name and its boards.

A claim is a lock on a file in the runtime folder; the system drops it with the process, however
that ends, so no claim outlives its owner. In the file stands who holds it.
"""

from __future__ import annotations

import fcntl
import json
import os
import stat
from collections.abc import Mapping, Sequence

from matbridge.errors import BoardUnavailable, ControlError
from matbridge.mapping.plan import BoardPlan
from matbridge.service.boards import SIMULATED

# Longest name of a bridge: with the folder it must fit the 107 bytes of a socket's address.
MAX_NAME = 40


def name_of(file: str) -> str:
    """The name of a bridge that plays a performance file, unless it is given another."""
    stem = os.path.basename(file).split(".")[0]  # noqa: PTH119 - text in, text out
    return "".join(c if c.isascii() and c.isalnum() else "-" for c in stem)[:MAX_NAME] or "mat"


class Claims:
    """The claims of this process. Raises ControlError where the folder cannot be ours alone."""

    def __init__(self, folder: str, name: str) -> None:
        self.folder = folder
        self.name = name
        self._facts = {"name": name, "process": os.getpid()}
        self._held: dict[str, int] = {}
        _make(folder)

    def take_name(self) -> None:
        """Raises ControlError where a bridge of this name is running."""
        holder = self._take(self.name)
        if holder is not None:
            raise ControlError(
                f"'{self.name}' is running already (process {holder['process']}); end it with"
                " 'matbridge stop', or give this one another --name"
            )

    def take_boards(self, boards: Sequence[BoardPlan]) -> None:
        """Claim these boards, and give up those that are not among them.

        Raises BoardUnavailable where another bridge plays one of them; nothing has changed then.
        """
        wanted = {_key(board): board for board in boards if board.port != SIMULATED}
        new = [key for key in wanted if key not in self._held]
        for key in new:
            holder = self._take(key)
            if holder is not None:
                for taken in new:
                    self._drop(taken)
                raise BoardUnavailable(
                    f"board {wanted[key].port} is played by '{holder['name']}' already (process"
                    f" {holder['process']}); end that with 'matbridge stop', or name another board"
                )
        for key in list(self._held):
            if key != self.name and key not in wanted:
                self._drop(key)

    def release(self) -> None:
        """Give up everything. Twice is harmless."""
        for key in list(self._held):
            self._drop(key)

    def _take(self, key: str) -> Mapping[str, object] | None:
        """Claim a key; who holds it, or None once we do."""
        fd = os.open(f"{self.folder}/{key}.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            holder = _holder(fd)
            os.close(fd)
            return holder
        os.ftruncate(fd, 0)
        os.pwrite(fd, json.dumps(self._facts).encode(), 0)
        self._held[key] = fd
        return None

    def _drop(self, key: str) -> None:
        fd = self._held.pop(key, None)
        if fd is not None:
            # The file stays: to remove it would let two others lock two files of one name.
            os.close(fd)


def _make(folder: str) -> None:
    try:
        os.makedirs(folder, mode=0o700, exist_ok=True)  # noqa: PTH103
        found = os.lstat(folder)
    except OSError as error:
        raise ControlError(f"no runtime folder {folder}: {error.strerror}") from error
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.geteuid() or found.st_mode & 0o022:
        raise ControlError(f"{folder} is not a folder of ours that others cannot write to")


def _holder(fd: int) -> Mapping[str, object]:
    unknown = {"name": "another bridge", "process": "unknown"}
    try:
        said = json.loads(os.pread(fd, 1000, 0))
    except ValueError:
        return unknown
    return said if isinstance(said, dict) and said.keys() >= unknown.keys() else unknown


def _key(board: BoardPlan) -> str:
    """The same for a board under whatever name: a path is followed to the device."""
    port = os.path.realpath(board.port) if board.port.startswith("/") else board.port
    for option, value in board.options if port == board.port else ():
        port += f" {option} {value}"
    return "board-" + "".join(c if c.isascii() and c.isalnum() else "-" for c in port)[:200]
