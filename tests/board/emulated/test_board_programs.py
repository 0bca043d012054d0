"""The shipped board programs as AVR machine code, judged by what comes out of the serial line.

The converters and touch chips are emulated from their data sheets (Microchip DS21295, NXP MPR121
and its application note AN3944); the processor by simavr.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest

from matbridge.board.packed import PackedDecoder
from matbridge.board.text import TextDecoder
from tests.board.emulated.rig import running

READINGS = [(index * 41 + 7) % 1024 for index in range(24)]
CHANGED = [1023 - index * 43 for index in range(24)]
# simavr 1.6 takes 100 microseconds for every SPI byte whatever the clock divider, so 24 zones take
# 7.2 ms there against 0.9 ms on a real board.
RATE_HZ = "100"
Built = Callable[..., Path]


def decoder_of(packed: str, channels: int) -> PackedDecoder | TextDecoder:
    return PackedDecoder(channels, 10) if packed == "1" else TextDecoder(channels, 10)


@pytest.mark.parametrize("packed", ["0", "1"])
def test_readings_are_what_the_converters_were_given(
    emulator: Path, built: Built, packed: str
) -> None:
    decoder = decoder_of(packed, 24)
    with running(emulator, built("mat_board", PACKED=packed, RATE_HZ=RATE_HZ)) as board:
        board.set_readings(READINGS)
        board.plug_in()
        board.until(decoder, lambda scan: list(scan.readings) == READINGS)
        after = [board.until(decoder, lambda scan: True)[-1] for _ in range(50)]
        assert all(list(scan.readings) == READINGS for scan in after)
        board.set_readings(CHANGED)
        board.until(decoder, lambda scan: list(scan.readings) == CHANGED)
        assert decoder.counts.lost == 0


@pytest.mark.parametrize("packed", ["0", "1"])
def test_the_query_is_answered_with_what_the_board_is(
    emulator: Path, built: Built, packed: str
) -> None:
    decoder = decoder_of(packed, 24)
    with running(emulator, built("mat_board", PACKED=packed, RATE_HZ=RATE_HZ)) as board:
        board.plug_in()
        board.until(decoder, lambda scan: True)
        decoder.hello = None
        board.write(b"?")
        board.until(decoder, lambda scan: decoder.hello is not None)
        assert decoder.hello is not None
        assert (decoder.hello.channels, decoder.hello.bits) == (24, 10)
        assert decoder.hello.rate_hz == 100
        assert decoder.hello.name == "mat board"


def test_scans_come_at_the_steady_rate_of_the_options(emulator: Path, built: Built) -> None:
    decoder = PackedDecoder(8, 10)
    with running(emulator, built("mat_board", ZONES="8", RATE_HZ="200")) as board:
        board.plug_in()
        board.until(decoder, lambda scan: True)
        scans = [board.until(decoder, lambda scan: True)[-1] for _ in range(100)]
    steps_s = [b.time_s - a.time_s for a, b in pairwise(scans)]
    # By the board's own clock, which is what the scan times follow.
    assert sum(steps_s) / len(steps_s) == pytest.approx(1 / 200, rel=0.02)


def test_a_reset_in_the_middle_of_a_frame_is_recovered(emulator: Path, built: Built) -> None:
    decoder = PackedDecoder(24, 10)
    with running(emulator, built("mat_board", RATE_HZ=RATE_HZ)) as board:
        board.set_readings(READINGS)
        board.plug_in()
        board.until(decoder, lambda scan: list(scan.readings) == READINGS)
        for _ in range(5):
            board.order("reset")
            scans = board.until(decoder, lambda scan: list(scan.readings) == READINGS)
            assert all(list(scan.readings) == READINGS for scan in scans)


def test_the_watchdog_ends_a_hang(emulator: Path, built: Built) -> None:
    decoder = PackedDecoder(24, 10)
    with running(emulator, built("mat_board", RATE_HZ=RATE_HZ)) as board:
        board.plug_in()
        board.until(decoder, lambda scan: True)
        decoder.hello = None
        board.order("hang")
        board.until(decoder, lambda scan: decoder.hello is not None)


def test_it_plays_on_when_nobody_has_read_for_a_while(emulator: Path, built: Built) -> None:
    decoder = PackedDecoder(24, 10)
    with running(emulator, built("mat_board", RATE_HZ=RATE_HZ)) as board:
        board.plug_in()
        board.until(decoder, lambda scan: True)
        # The line overflows unread: no waiting on time, the emulator counts what it cannot place.
        while board.order("dropped") == ["0"]:
            pass
        board.set_readings(CHANGED)
        board.until(decoder, lambda scan: list(scan.readings) == CHANGED)


def test_babble_towards_the_board_does_no_harm(emulator: Path, built: Built) -> None:
    decoder = PackedDecoder(24, 10)
    with running(emulator, built("mat_board", RATE_HZ=RATE_HZ)) as board:
        board.set_readings(READINGS)
        board.plug_in()
        for _ in range(20):
            board.write(bytes(range(256)))
            board.until(decoder, lambda scan: list(scan.readings) == READINGS)


def test_touch_pressure_is_baseline_minus_filtered(emulator: Path, built: Built) -> None:
    decoder = PackedDecoder(24, 10)
    program = built("touch_board", ZONES="24", ADDRESSES="0x5A, 0x5B")
    pressed = [0, 3, 8, 60, 120, 240, 0, 0, 16, 15, 14, 1, *range(12)]
    with running(emulator, program) as board:
        board.set_readings(pressed)
        board.plug_in()
        board.until(decoder, lambda scan: list(scan.readings) == pressed)


def test_touch_states_follow_the_thresholds_of_the_options(emulator: Path, built: Built) -> None:
    decoder = TextDecoder(12, 10)
    program = built("touch_board", PACKED="0", SEND_PRESSURE="0", TOUCH_THRESHOLD="20")
    with running(emulator, program) as board:
        board.plug_in()
        board.until(decoder, lambda scan: True)
        # MPR121 data sheet: the thresholds of electrode 0 are at 41 and 42 hexadecimal; the
        # electrodes that run are counted in 5E.
        assert board.order("register 0 65") == ["20"]
        assert board.order("register 0 66") == ["10"]
        assert int(board.order("register 0 94")[0]) & 0x0F == 12
        board.set_readings([20, 21, 0, 200] + [0] * 8)
        board.until(decoder, lambda scan: list(scan.readings) == [0, 1, 0, 1] + [0] * 8)
        board.set_readings([20, 10, 0, 9] + [0] * 8)  # between the two: touched stays touched
        board.until(decoder, lambda scan: list(scan.readings) == [0, 1] + [0] * 10)


def test_a_touch_chip_that_falls_silent_reads_zero_and_comes_back(
    emulator: Path, built: Built
) -> None:
    decoder = PackedDecoder(24, 10)
    program = built("touch_board", ZONES="24", ADDRESSES="0x5A, 0x5B")
    both = [100] * 24
    with running(emulator, program) as board:
        board.set_readings(both)
        board.plug_in()
        board.until(decoder, lambda scan: list(scan.readings) == both)
        board.order("unplug 1")
        board.until(decoder, lambda scan: list(scan.readings) == [100] * 12 + [0] * 12)
        board.order("plug 1")
        board.until(decoder, lambda scan: list(scan.readings) == both)


def test_nothing_is_written_over(written: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from matbridge.cli.board_program import main

    assert main([str(written)]) == 1
    assert "is there already" in capsys.readouterr().err
