"""A board on a pty that scans all the time, and hands that press its channels."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping, Sequence
from random import Random

from matbridge.board.hello import QUERY
from tests.support.pty_board import PtyBoard

RATE_HZ = 250.0

# A press: up within 20 ms, held, and gone; long enough for the slowest scan rate used.
HOLD_S = 0.15

# A board that sends nothing for so long has been unplugged.
PATIENCE_S = 2.0


class MatPlayer:
    """Text scans of `channels` readings until closed.

    wires: which channels a press of a hand-named place moves, and by what share of its force.
    """

    def __init__(
        self,
        board: PtyBoard,
        channels: int,
        wires: Mapping[str, Mapping[int, float]],
        *,
        greeting: bytes = b"\n",
        answer: bytes = b"",
        bad: Mapping[int, int] | None = None,
        jumping: Sequence[int] = (),
        spoil: Callable[[int, bytes], bytes] | None = None,
    ) -> None:
        """greeting: sent first. answer: sent when the board is asked what it is. bad: channels that
        always read the same. jumping: channels with a loose contact. spoil: what becomes of each
        line, by its number.
        """
        self._board = board
        self._channels = channels
        self._wires = wires
        self._bad = dict(bad or {})
        self._answer = answer
        self._jumping = jumping
        self._spoil = spoil
        self._rng = Random(9)
        self._levels = [0.0] * channels
        self._scans = 0  # sent so far
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._scan, args=(greeting,), daemon=True)

    def __enter__(self) -> MatPlayer:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def press(self, place: str, reading: float, hold_s: float = HOLD_S) -> None:
        """Press it and let go; returns when it is let go.

        However busy the machine is, the board sees it: each part lasts for some scans at least.
        """
        for share in (0.5, 1.0):
            self._set(place, reading * share)
            self._pass(0.01, scans=2)
        self._pass(hold_s, scans=10)
        self._set(place, 0.0)

    def _pass(self, seconds: float, scans: int) -> None:
        """Let time and scans go by, but never wait for scans that do not come."""
        started_s, until = time.monotonic(), self._scans + scans
        time.sleep(seconds)
        while self._scans < until and time.monotonic() < started_s + seconds + PATIENCE_S:
            time.sleep(0.002)

    def _set(self, place: str, reading: float) -> None:
        with self._lock:
            for channel, share in self._wires[place].items():
                self._levels[channel] = reading * share

    def _scan(self, greeting: bytes) -> None:
        self._send(greeting)
        due_s = time.monotonic()
        while not self._stop.is_set():
            with self._lock:
                levels = list(self._levels)
            readings = [
                self._bad.get(
                    channel, min(1023, max(0, round(4 + level + self._rng.gauss(0, 0.7))))
                )
                for channel, level in enumerate(levels)
            ]
            if self._answer and self._asked():
                self._send(self._answer)
            for channel in self._jumping:
                if self._rng.random() < 0.2:
                    readings[channel] = 900
            line = (",".join(map(str, readings)) + "\n").encode()
            self._send(line if self._spoil is None else self._spoil(self._scans, line))
            self._scans += 1
            # A board that could not send goes on from now: it does not make up for what it missed.
            due_s = max(due_s + 1 / RATE_HZ, time.monotonic() - 0.05)
            self._stop.wait(max(0.0, due_s - time.monotonic()))

    def _asked(self) -> bool:
        try:
            return QUERY in self._board.received(0.0)
        except OSError:  # nobody has it open
            return False

    def _send(self, data: bytes) -> None:
        try:
            self._board.send(data)
        except (OSError, TimeoutError):
            # Nobody reads it now: a board says what it has to say all the same.
            time.sleep(0.01)
