"""Readers of a small computer's own pins, against emulated parts.

The converter answers as its data sheet (Microchip DS21295) says, the touch chip as its own (NXP
MPR121). The same readers meet the kernel's own drivers in tests/machine.
"""

from __future__ import annotations

import os
import sys
import types
from collections.abc import Sequence
from pathlib import Path

import pytest

from matbridge.board.hello import Hello
from matbridge.board.packed import PackedDecoder
from matbridge.board.readers import converters, steady, touch_chips
from matbridge.errors import BoardLost, BoardUnavailable

READINGS = [(channel * 41 + 7) % 1024 for channel in range(20)]


class EmulatedConverter:
    """One chip on SPI: start bit, single-ended bit, three bits of input, then ten of answer."""

    def __init__(self) -> None:
        self.mode = self.max_speed_hz = -1
        self.inputs: Sequence[int] = ()

    def open_path(self, path: str) -> None:
        if not path.startswith("/dev/spidev0."):
            raise FileNotFoundError(2, "No such file or directory")
        chip = int(path.rpartition(".")[2])
        self.inputs = READINGS[chip * 8 : chip * 8 + 8]

    def xfer2(self, sent: list[int]) -> list[int]:
        bits_in = "".join(f"{byte:08b}" for byte in sent)
        start = bits_in.index("1")
        assert bits_in[start + 1] == "1", "not single-ended"
        value = self.inputs[int(bits_in[start + 2 : start + 5], 2)]
        # One clock to sample, a null bit, then the value.
        answer = "1" * (start + 6) + "0" + f"{value:010b}"
        answer = answer.ljust(len(bits_in), "0")
        return [int(answer[at : at + 8], 2) for at in range(0, len(answer), 8)]


@pytest.fixture
def spidev(monkeypatch: pytest.MonkeyPatch) -> None:
    module = types.ModuleType("spidev")
    module.SpiDev = EmulatedConverter  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "spidev", module)


@pytest.mark.usefixtures("spidev")
def test_spi_readings_are_what_the_converters_hold() -> None:
    nodes = ["/dev/spidev0.0", "/dev/spidev0.1", "/dev/spidev0.2"]
    chips = converters.SpiConverters(nodes, len(READINGS), 1_000_000)
    assert chips.read() == READINGS
    assert chips.read() == READINGS


@pytest.mark.usefixtures("spidev")
def test_a_missing_node_is_named() -> None:
    with pytest.raises(BoardUnavailable, match=r"/dev/nothing: No such file"):
        converters.SpiConverters(["/dev/nothing"], 8, 1_000_000)


def test_a_missing_library_says_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "spidev", None)
    with pytest.raises(BoardUnavailable, match="small-computer"):
        converters.SpiConverters(["/dev/spidev0.0"], 8, 1_000_000)


def test_iio_readings_are_what_the_kernel_shows(tmp_path: Path) -> None:
    folders = []
    for chip in range(3):
        folder = tmp_path / f"iio:device{chip}"
        folder.mkdir()
        folders.append(str(folder))
        for number, value in enumerate(READINGS[chip * 8 : chip * 8 + 8]):
            (folder / f"in_voltage{number}_raw").write_text(f"{value}\n")
    chips = converters.IioConverters(folders, len(READINGS))
    assert chips.read() == READINGS
    (tmp_path / "iio:device1" / "in_voltage2_raw").write_text("99\n")
    assert chips.read()[10] == 99
    chips.close()
    with pytest.raises(BoardUnavailable, match="in_voltage4_raw"):
        converters.IioConverters(folders, 24)


class EmulatedTouchChips:
    """Chips at two addresses. Most registers take a value only while the chip is stopped."""

    REST = 700

    def __init__(self) -> None:
        self.registers = {0x5A: [0] * 256, 0x5B: [0] * 256}
        self.depths = {0x5A: [0] * 12, 0x5B: [0] * 12}
        self.gone = False

    def write_byte_data(self, i2c_addr: int, register: int, value: int) -> None:
        chip = self._chip(i2c_addr)
        if register == 0x80 and value == 0x63:
            chip[:] = [0] * 256
        elif register == 0x5E or not chip[0x5E] & 0x3F:
            chip[register] = value

    def read_i2c_block_data(self, i2c_addr: int, register: int, length: int) -> list[int]:
        chip = self._chip(i2c_addr)
        assert length <= 32, "SMBus block"
        touched = 0
        for electrode, depth in enumerate(self.depths[i2c_addr]):
            if electrode < chip[0x5E] & 0x0F:
                chip[4 + 2 * electrode] = (self.REST - depth) & 0xFF
                chip[5 + 2 * electrode] = (self.REST - depth) >> 8
                chip[0x1E + electrode] = self.REST >> 2
                touched |= (depth > chip[0x41 + 2 * electrode]) << electrode
        chip[0], chip[1] = touched & 0xFF, touched >> 8
        return chip[register : register + length]

    def _chip(self, address: int) -> list[int]:
        if self.gone or address not in self.registers:
            raise OSError(121, "Remote I/O error")
        return self.registers[address]


def test_touch_pressure_is_baseline_minus_filtered() -> None:
    bus = EmulatedTouchChips()
    chips = touch_chips.TouchChips(bus, [0x5A, 0x5B], 20, pressure=True)
    bus.depths[0x5A][3], bus.depths[0x5B][7] = 200, 31
    assert chips.read() == [0] * 3 + [200] + [0] * 15 + [31]


def test_touch_states_follow_the_thresholds() -> None:
    bus = EmulatedTouchChips()
    chips = touch_chips.TouchChips(bus, [0x5A], 12, pressure=False)
    # AN3944, quick start: touch above 0F.
    bus.depths[0x5A][0], bus.depths[0x5A][1] = 15, 16
    assert chips.read() == [0, 1] + [0] * 10


def test_a_chip_that_is_not_there_and_one_that_goes_away() -> None:
    bus = EmulatedTouchChips()
    with pytest.raises(BoardUnavailable, match="0x5d"):
        touch_chips.TouchChips(bus, [0x5D], 12, pressure=True)
    chips = touch_chips.TouchChips(bus, [0x5A], 12, pressure=True)
    bus.gone = True
    with pytest.raises(BoardLost, match="no longer answers"):
        chips.read()


class Clock:
    """Time that passes only in sleep and, for a slow bus, in reading."""

    def __init__(self) -> None:
        self.ns = 5_000_000_000

    def now_ns(self) -> int:
        return self.ns

    def sleep_s(self, seconds: float) -> None:
        self.ns += round(seconds * 1e9)


HELLO = Hello(4, 10, 1000, "packed", "1.0", "spi")


def test_scans_come_at_the_rate_with_the_time_they_were_read() -> None:
    clock = Clock()
    source, sink = os.pipe()
    steady.run(
        lambda: [1, 2, 3, 4], HELLO, sink, scans=50, now_ns=clock.now_ns, sleep_s=clock.sleep_s
    )
    decoder = PackedDecoder(4, 10)
    scans = decoder.feed(os.read(source, 65536), 100.0)
    assert decoder.hello == HELLO
    assert len(scans) == 50
    assert decoder.counts.lost == 0
    assert scans[49].time_s - scans[0].time_s == pytest.approx(0.049)
    os.close(source)
    os.close(sink)


def test_scans_that_a_slow_bus_missed_are_counted_as_lost() -> None:
    clock = Clock()
    source, sink = os.pipe()

    def slow() -> list[int]:
        clock.ns += 3_500_000 if clock.ns < 5_010_000_000 else 0
        return [0] * 4

    steady.run(slow, HELLO, sink, scans=40, now_ns=clock.now_ns, sleep_s=clock.sleep_s)
    decoder = PackedDecoder(4, 10)
    scans = decoder.feed(os.read(source, 65536), 100.0)
    assert decoder.counts.lost == 40 - len(scans) > 0
    os.close(source)
    os.close(sink)


def test_a_bridge_that_does_not_read_costs_scans_and_never_a_wait() -> None:
    clock = Clock()
    source, sink = os.pipe()
    steady.run(
        lambda: [7] * 4, HELLO, sink, scans=20_000, now_ns=clock.now_ns, sleep_s=clock.sleep_s
    )
    decoder = PackedDecoder(4, 10)
    scans = list(decoder.feed(os.read(source, 1 << 20), 100.0))
    assert 0 < len(scans) < 20_000
    steady.run(lambda: [7] * 4, HELLO, sink, scans=3, now_ns=clock.now_ns, sleep_s=clock.sleep_s)
    assert decoder.feed(os.read(source, 1 << 20), 200.0)
    os.close(source)
    os.close(sink)
