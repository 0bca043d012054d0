"""The beat of a reader: scans at a steady rate, sent as packed frames, and dropped but counted
when the bridge is too slow to read them."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Callable, Sequence

from matbridge.board.hello import Hello
from matbridge.board.packed import encode_hello, encode_scan


def run(
    read: Callable[[], Sequence[int]],
    hello: Hello,
    out_fd: int,
    *,
    scans: int | None = None,
    now_ns: Callable[[], int] = time.monotonic_ns,
    sleep_s: Callable[[float], None] = time.sleep,
) -> None:
    """Scan for ever, or `scans` times; raises what `read` raises, and BrokenPipeError.

    out_fd: a pipe; it is made non-blocking. A frame is far below PIPE_BUF (4096 bytes, POSIX
        limits.h asks for 512), so it is written whole or not at all.
    """
    os.set_blocking(out_fd, False)
    period_ns = round(1e9 / hello.rate_hz)
    os.write(out_fd, b"\0" + encode_hello(hello))
    sequence = 0
    due_ns = now_ns()
    while scans is None or sequence < scans:
        at_ns = now_ns()
        frame = encode_scan(sequence, at_ns // 1000, read(), hello.bits)
        with contextlib.suppress(BlockingIOError):  # its number is used up: it counts as lost
            os.write(out_fd, frame)
        sequence += 1
        due_ns += period_ns
        late_ns = now_ns() - due_ns
        if late_ns < 0:
            sleep_s(-late_ns / 1e9)
        else:
            missed = late_ns // period_ns
            sequence += missed
            due_ns += missed * period_ns
