"""The stages of the bridge with nothing around them: a blocking read, the pipeline, a write.

usage: python -m tests.bench.bare BOARD OUT SHOW

There is no loop, no timer, no queue for the cable, and nothing is kept or recovered from. What the
bridge takes beyond this is its service; what this takes beyond floor.py is sensing and mapping.
"""

from __future__ import annotations

import gc
import os
import sys
import tty
from time import monotonic

from matbridge.mapping.load import load_show
from tests.bench import bridges

READ_BYTES = 4096


def main(board_path: str, out_path: str, show: str) -> None:
    played_by = bridges.pipeline(load_show(show))
    board, out = (os.open(path, os.O_RDWR | os.O_NOCTTY) for path in (board_path, out_path))
    for fd in (board, out):
        tty.setraw(fd)
    played_by.start(monotonic())
    gc.collect()
    gc.freeze()
    while data := os.read(board, READ_BYTES):
        sent = played_by.feed(0, data, monotonic())
        if sent:
            os.write(out, b"".join([message for _, message in sent]))


if __name__ == "__main__":
    main(*sys.argv[1:])
