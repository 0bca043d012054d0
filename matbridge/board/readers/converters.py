"""MCP3008-class converters on the small computer's own SPI bus, read in one of two ways.

`SpiConverters` speaks to them itself, through spidev. `IioConverters` lets the kernel's own driver
(mcp320x, an overlay on most small computers) do it and reads its files, which is slower but needs
no library. A channel of a scan is converter number * 8 + input, as on a board.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from matbridge.errors import BoardUnavailable

INPUTS = 8  # of one converter (Microchip DS21295)
BITS = 10
MAX_SPI_HZ = 3_600_000  # at 5 V; 1.35 MHz at 2.7 V (DS21295)

# Start bit; "single-ended" and three bits of input; room for the answer (DS21295, 3-byte form).
_QUESTIONS = tuple((0x01, (0x08 | number) << 4, 0x00) for number in range(INPUTS))


class SpiConverters:
    """Converters behind spidev nodes such as /dev/spidev0.0, one a chip select.

    Raises BoardUnavailable when spidev is not installed or a node cannot be opened.
    """

    def __init__(self, nodes: Sequence[str], channels: int, clock_hz: int) -> None:
        try:
            import spidev
        except ImportError:
            raise BoardUnavailable(
                "spi needs the package spidev: in the clone of matbridge,"
                " .venv/bin/pip install '.[small-computer]'"
            ) from None
        self._reads: list[tuple[Any, list[int]]] = []
        for first, node in zip(range(0, channels, INPUTS), nodes, strict=False):
            chip = spidev.SpiDev()
            try:
                chip.open_path(node)
            except OSError as error:
                raise BoardUnavailable(f"cannot open {node}: {error.strerror}") from error
            chip.mode = 0
            chip.max_speed_hz = clock_hz
            inputs = min(INPUTS, channels - first)
            self._reads += [(chip.xfer2, list(_QUESTIONS[number])) for number in range(inputs)]

    def read(self) -> list[int]:
        """One reading of every channel, 0-1023."""
        readings = []
        for transfer, question in self._reads:
            answer = transfer(question.copy())
            readings.append((answer[1] & 0x03) << 8 | answer[2])
        return readings


class IioConverters:
    """Converters that the kernel drives: folders such as /sys/bus/iio/devices/iio:device0.

    Raises BoardUnavailable when a folder has no input of that number.
    """

    def __init__(self, folders: Sequence[str], channels: int) -> None:
        self._files: list[int] = []
        for channel in range(channels):
            name = f"in_voltage{channel % INPUTS}_raw"
            path = Path(folders[channel // INPUTS]) / name
            try:
                self._files.append(os.open(path, os.O_RDONLY))
            except OSError as error:
                self.close()
                raise BoardUnavailable(f"cannot read {path}: {error.strerror}") from error

    def read(self) -> list[int]:
        """One reading of every channel, 0-1023."""
        return [int(os.pread(fd, 16, 0)) for fd in self._files]

    def close(self) -> None:
        """Let the files go."""
        for fd in self._files:
            with contextlib.suppress(OSError):
                os.close(fd)
        self._files.clear()
