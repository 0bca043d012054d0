"""`python -m matbridge.midi.listening KIND ...`: the process that listens to one MIDI port.

    messages   writes what comes as it is: a byte for the length, then so many bytes. An empty
               message, a single zero byte, says that the port is open
    board      writes packed scans, as a board would: each channel's reading is what its note or
               control says at the moment (see `midi_board`)

It lives for one connection: when the port goes, it says so on its standard error and ends, and
whoever started it starts it again.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
import time
from collections.abc import Callable, Sequence

from matbridge.errors import OutputError

# How often the port is polled: half of what a USB frame takes, so that polling is not what is felt.
POLL_S = 0.0005

# How often the port is looked for, and looked after.
LOOK_S = 0.5

Take = Callable[[Sequence[bytes], float], None]
"""Takes the messages of one poll, often none, with the monotonic second."""


def listen(pattern: str, driver: str, opened: Callable[[], None], take: Take) -> None:
    """Wait for the port, then poll it until it goes. Raises OutputError."""
    from matbridge.midi.rtmidi_port import Listener, candidates

    drivers = candidates(driver)
    listener = Listener(pattern, f"matbridge-in-{os.getpid()}", drivers)
    opened()
    look_s = time.monotonic() + LOOK_S
    while True:
        now_s = time.monotonic()
        take(listener.messages(), now_s)
        if now_s >= look_s:
            listener.check()
            look_s = now_s + LOOK_S
        time.sleep(POLL_S)


def main(argv: Sequence[str]) -> int:
    """Listen until the port or the bridge goes; 1 with a word on standard error."""
    parser = argparse.ArgumentParser(prog="matbridge listener")
    parser.add_argument("kind", choices=("messages", "board"))
    parser.add_argument("--port", required=True)
    parser.add_argument("--driver", default="auto")
    parser.add_argument("--note", type=int, action="append", default=[])
    parser.add_argument("--control", type=int, action="append", default=[])
    parser.add_argument("--midi-channel", type=int, default=0)
    options = parser.parse_args(argv)
    out_fd = sys.stdout.fileno()
    try:
        if options.kind == "messages":
            os.set_blocking(out_fd, False)

            def take(messages: Sequence[bytes], _: float) -> None:
                for message in messages:
                    # Whoever does not read for a whole pipe's length does without.
                    with contextlib.suppress(BlockingIOError):
                        os.write(out_fd, bytes((len(message),)) + message)

            listen(options.port, options.driver, lambda: _say_open(out_fd), take)
        else:
            from matbridge.midi.midi_board import MidiBoard

            board = MidiBoard(out_fd, options.note, options.control, options.midi_channel)
            listen(options.port, options.driver, board.announce, board.take)
    except (OutputError, OSError, ImportError) as error:
        if not isinstance(error, BrokenPipeError):
            print(error, file=sys.stderr, flush=True)
            os._exit(1)
    # Some drivers crash on the way out, and there is nothing left to do.
    os._exit(0)


def _say_open(out_fd: int) -> None:
    os.write(out_fd, b"\0")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
