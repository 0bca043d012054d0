"""Writing a take while the show goes on.

The loop only gathers records in memory; about every second it hands them to a thread, which packs,
writes and syncs them. Neither a slow nor a full disk can hold the loop up: what the disk does not
take within MAX_WAITING hand-overs ends the take, and so does a write that fails.

    recording ──close()──▶ closed       with an end record that tells the reason
        │
        └──the disk fails, or is too slow──▶ closed       cut after the last whole member
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from queue import Empty, SimpleQueue
from threading import Thread
from typing import Any

from matbridge.board.take import (
    DATA,
    END,
    EVENT,
    TICKS_PER_S,
    TIME,
    TakeHeader,
    encode_header,
    encode_json,
    encode_record,
    encode_varint,
    member,
    on_grid,
)
from matbridge.errors import TakeError
from matbridge.loop import Loop, Timer

# What a crash may lose, and what one member holds: at 24 zones and 1 kHz some 60 KiB.
MEMBER_S = 1.0

# Handed over before its second is up: 384 zones at 1 kHz fill this in a third of one.
MEMBER_BYTES = 1 << 18

# Hand-overs that may wait for the disk: a quarter of a minute of play, some MiB of memory. Cheap
# memory cards pause for seconds.
MAX_WAITING = 16

# At the end the last second is waited for this long at the most.
CLOSE_S = 2.0


# Without the times of the file where the system can do that: one write less.
_sync = getattr(os, "fdatasync", os.fsync)


class TakeWriter:
    """Writes one take, from its making until `close` or a failure.

    path: of the file. bytes_written: so far. on_end: called from the loop with the reason when it
    ends by itself.
    """

    def __init__(
        self,
        path: Path,
        header: TakeHeader,
        loop: Loop,
        on_end: Callable[[str], None] | None = None,
    ) -> None:
        """Make the file, which must not exist yet. Raises TakeError where it cannot be made."""
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o644)
        except OSError as error:
            raise TakeError(
                f"the take cannot be written to {path}: {error.strerror or error}"
            ) from error
        self.path = path
        self._reason = ""
        self.on_end = on_end
        self.bytes_written = 0
        self.start_s = on_grid(loop.now_s())
        self._loop = loop
        self._last_us = 0
        self._pending = bytearray(encode_header(header))
        self._failure = ""
        self._waiting: SimpleQueue[bytes | None] = SimpleQueue()
        self._thread = Thread(target=self._write_all, args=(fd,), name="take", daemon=True)
        self._thread.start()
        self._timer: Timer | None = None
        self._flush()

    @property
    def reason(self) -> str:
        """Why it ended; "" while it goes on."""
        return self._reason and (self._failure or self._reason)

    def data(self, board: int, data: bytes, now_s: float) -> None:
        """Bytes of a board, read at `now_s` of the loop's clock."""
        if self._reason:
            return
        step = self._step(now_s)
        self._pending += encode_record(DATA, step + encode_varint(board) + data)
        if len(self._pending) >= MEMBER_BYTES:
            self._hand_over()

    def event(self, name: str, now_s: float, /, **facts: Any) -> None:
        """Anything else; see the table in `take`."""
        if not self._reason:
            step = self._step(now_s)
            self._pending += encode_json(EVENT, {"event": name, **facts}, step)

    def close(self, reason: str, wait_s: float = CLOSE_S) -> None:
        """End the take. Twice is harmless.

        wait_s: how long the disk is waited for; 0 where the show goes on, and the thread may end
        after this returns.
        """
        if self._reason:
            return
        facts: Mapping[str, Any] = {"event": "end", "reason": reason}
        step = self._step(self._loop.now_s())
        self._pending += encode_json(END, facts, step)
        self._hand_over()
        if not self._reason:
            self._stop(reason)
            self._thread.join(wait_s)

    def _step(self, now_s: float) -> bytes:
        """Microseconds since the record before; begins a member where none is begun.

        It is the absolute time that is rounded, so that no error adds up.
        """
        now_us = round((now_s - self.start_s) * TICKS_PER_S)
        if not self._pending:
            self._pending += encode_record(TIME, encode_varint(self._last_us))
        step_us = max(0, now_us - self._last_us)
        self._last_us += step_us
        return encode_varint(step_us)

    def _set_timer(self) -> None:
        self._timer = self._loop.call_at(self._loop.now_s() + MEMBER_S, self._flush)

    def _flush(self) -> None:
        self._set_timer()
        self._hand_over()

    def _hand_over(self) -> None:
        if self._failure:
            self._end(self._failure)
        elif self._waiting.qsize() >= MAX_WAITING:
            with suppress(Empty):
                while True:
                    self._waiting.get_nowait()
            self._end(f"the disk is too slow for {self.path}")
        elif self._pending:
            self._waiting.put(bytes(self._pending))
            self._pending.clear()

    def _end(self, reason: str) -> None:
        self._stop(reason)
        if self.on_end is not None:
            self.on_end(reason)

    def _stop(self, reason: str) -> None:
        self._reason = reason
        self._pending.clear()
        self._waiting.put(None)
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    # On the thread

    def _write_all(self, fd: int) -> None:
        try:
            while (records := self._waiting.get()) is not None and not self._failure:
                packed = member(records)
                _write(fd, packed)
                _sync(fd)
                self.bytes_written += len(packed)
        except OSError as error:
            why = (
                "no space is left" if error.errno == errno.ENOSPC else error.strerror or str(error)
            )
            self._failure = f"{self.path} cannot be written: {why}"
            with suppress(OSError):
                os.ftruncate(fd, self.bytes_written)
        finally:
            with suppress(OSError):
                os.close(fd)


def _write(fd: int, data: bytes) -> None:
    while data:
        data = data[os.write(fd, data) :]
