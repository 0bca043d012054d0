"""The board at the far end of the machine's USB serial adapter."""

from __future__ import annotations

import threading
import time
from types import TracebackType
from typing import Self

from matbridge.board.packed import encode_scan
from tests.machine.machine import Machine

ZONES = 6
RATE_HZ = 200.0
BITS = 10
REST = 12
PRESSED = 700


class HostBoard(threading.Thread):
    """Sends scans all the time; `press` and `lift` move its sensors."""

    def __init__(self, machine: Machine) -> None:
        super().__init__(daemon=True)
        self._machine = machine
        self._readings = [REST] * ZONES
        self._wanted = [REST] * ZONES
        self._ended = threading.Event()

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._ended.set()
        self.join()

    def _move(self) -> None:
        """One scan nearer to where each sensor is wanted: up in three scans, down in six."""
        for zone, wanted in enumerate(self._wanted):
            reading = self._readings[zone]
            if reading < wanted:
                self._readings[zone] = min(reading + (PRESSED - REST) // 3 + 1, wanted)
            elif reading > wanted:
                self._readings[zone] = max(reading - (PRESSED - REST) // 6 - 1, wanted)

    def run(self) -> None:
        start, sequence = time.monotonic(), 0
        while not self._ended.is_set():
            self._move()
            clock_us = round(sequence * 1e6 / RATE_HZ)
            self._machine.send(encode_scan(sequence, clock_us, self._readings, BITS))
            sequence += 1
            time.sleep(max(0.0, start + sequence / RATE_HZ - time.monotonic()))

    def press(self, zone: int) -> None:
        self._wanted[zone] = PRESSED

    def lift(self, zone: int) -> None:
        self._wanted[zone] = REST

    def lift_all(self) -> None:
        self._wanted[:] = [REST] * ZONES
