"""A disk that a test can fill: truly full, for whatever process, with the system's own error."""

from __future__ import annotations

import contextlib
import os
import subprocess
from pathlib import Path
from types import TracebackType
from typing import Self


class SmallDisk:
    """A file system of its own at `path`, as a context manager. Mounting one takes root."""

    def __init__(self, path: Path, kib: int = 1024) -> None:
        self.path = path
        self._kib = kib
        self._filler = path / "filler"

    def __enter__(self) -> Self:
        self.path.mkdir()
        options = f"size={self._kib}k,mode=700"
        subprocess.run(["mount", "-t", "tmpfs", "-o", options, "small", str(self.path)], check=True)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        # Lazily: what a test that failed has left open there must not keep it.
        subprocess.run(["umount", "-l", str(self.path)], check=True)

    def fill(self) -> None:
        """Until not a byte more is taken."""
        fd = os.open(self._filler, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        try:
            for size in (65536, 1):
                with contextlib.suppress(OSError):
                    while True:
                        os.write(fd, b"\0" * size)
        finally:
            os.close(fd)
        assert not os.statvfs(self.path).f_bavail

    def clear(self) -> None:
        """Make the room again that `fill` took."""
        self._filler.unlink()
