"""MPR121-class 12-electrode touch chips on the small computer's own I2C bus.

Readings are either what the chip decided (0 or 1) or baseline minus filtered data (0-1023), as the
board program's. The chip goes on calibrating itself: see README. Block reads of at most 32 bytes
are used because every adapter has them. Registers and thresholds: NXP data sheet MPR121,
application note AN3944.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from matbridge.errors import BoardLost, BoardUnavailable

ELECTRODES = 12
BITS = 10

TOUCH_STATUS, FILTERED, BASELINE, FILTERS, THRESHOLDS = 0x00, 0x04, 0x1E, 0x2B, 0x41
FIRST_CONFIG, SECOND_CONFIG, ELECTRODE_CONFIG, SOFT_RESET = 0x5C, 0x5D, 0x5E, 0x80

# Quick start of AN3944: how the baseline follows (rising, then falling: MHD, NHD, NCL, FDL).
FOLLOW = (1, 1, 0, 0, 1, 1, 0xFF, 2)
TOUCH_THRESHOLD = 0x0F
RELEASE_THRESHOLD = 0x0A


class Bus(Protocol):
    """The part of smbus2.SMBus that is used."""

    def write_byte_data(self, i2c_addr: int, register: int, value: int) -> None: ...

    def read_i2c_block_data(self, i2c_addr: int, register: int, length: int) -> list[int]: ...


def open_bus(number: int) -> Bus:
    """/dev/i2c-NUMBER. Raises BoardUnavailable."""
    try:
        from smbus2 import SMBus
    except ImportError:
        raise BoardUnavailable(
            "i2c needs the package smbus2: in the clone of matbridge,"
            " .venv/bin/pip install '.[small-computer]'"
        ) from None
    try:
        bus: Bus = SMBus(number)
    except OSError as error:
        raise BoardUnavailable(f"cannot open /dev/i2c-{number}: {error.strerror}") from error
    return bus


class TouchChips:
    """The chips at `addresses`, in the order of the zones; all are set up at once.

    Raises BoardUnavailable when one does not answer, and BoardLost when it no longer does.
    """

    def __init__(
        self,
        bus: Bus,
        addresses: Sequence[int],
        channels: int,
        *,
        pressure: bool,
        touch: int = TOUCH_THRESHOLD,
        release: int = RELEASE_THRESHOLD,
    ) -> None:
        self._bus, self._addresses, self._channels = bus, tuple(addresses), channels
        self._pressure = pressure
        for address in addresses:
            try:
                self._set_up(address, touch, release)
            except OSError as error:
                raise BoardUnavailable(
                    f"no touch chip answers at address {address:#x}: {error.strerror}"
                ) from error

    def _set_up(self, address: int, touch: int, release: int) -> None:
        def write(register: int, value: int) -> None:
            self._bus.write_byte_data(address, register, value)

        write(SOFT_RESET, 0x63)
        write(ELECTRODE_CONFIG, 0)  # most registers take a value only while stopped
        for offset, value in enumerate(FOLLOW):
            write(FILTERS + offset, value)
        for electrode in range(ELECTRODES):
            write(THRESHOLDS + 2 * electrode, touch)
            write(THRESHOLDS + 2 * electrode + 1, release)
        write(FIRST_CONFIG, 0x10)  # 16 microamperes of charge current, 6 samples
        write(SECOND_CONFIG, 0x20)  # half a microsecond of charging, a reading each millisecond
        write(ELECTRODE_CONFIG, 0x80 | ELECTRODES)  # run; the baseline starts at the first reading

    def read(self) -> list[int]:
        """One reading of every channel: 0 or 1, or with `pressure` 0-1023."""
        readings: list[int] = []
        try:
            for address in self._addresses:
                readings += self._pressures(address) if self._pressure else self._states(address)
        except OSError as error:
            raise BoardLost(f"a touch chip no longer answers: {error.strerror}") from error
        return readings[: self._channels]

    def _states(self, address: int) -> list[int]:
        low, high = self._bus.read_i2c_block_data(address, TOUCH_STATUS, 2)
        touched = low | high << 8
        return [touched >> electrode & 1 for electrode in range(ELECTRODES)]

    def _pressures(self, address: int) -> list[int]:
        data = self._bus.read_i2c_block_data(address, FILTERED, 2 * ELECTRODES)
        baseline = self._bus.read_i2c_block_data(address, BASELINE, ELECTRODES)
        # The baseline register holds the upper eight of ten bits.
        return [
            min(max((baseline[e] << 2) - (data[2 * e] | data[2 * e + 1] << 8), 0), 1023)
            for e in range(ELECTRODES)
        ]
