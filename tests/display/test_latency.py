"""The latency budget against the arithmetic of its wires, as published."""

import io

import pytest
from rich.console import Console

from matbridge.display.doctor_report import budget_table
from matbridge.display.latency import (
    Budget,
    Part,
    Way,
    link_part,
    output_part,
    scan_part,
    window_part,
)
from matbridge.mapping.plan import OutputKind, OutputPlan

# 24 readings of 10 bits in packed, and about as much again in text.
PACKED_BYTES, TEXT_BYTES = 44.0, 96.0


def shown(budget: Budget) -> str:
    """As `doctor` prints it."""
    screen = io.StringIO()
    Console(file=screen, width=100).print(budget_table(budget))
    return screen.getvalue()


def test_a_touch_waits_for_half_a_scan_and_at_most_for_one() -> None:
    part = scan_part(500.0)
    assert (part.usual_s, part.most_s) == (0.001, 0.002)
    assert "faster than 500" in part.change
    assert scan_part(1000.0).change == ""


def test_a_serial_line_takes_ten_bits_a_byte() -> None:
    """A byte at 115 200 baud 8N1 lasts 86.8 us."""
    part = link_part(Way.UART, 115_200, TEXT_BYTES, 1000.0, 0.0)
    assert part.most_s == pytest.approx(96 * 86.8e-6, rel=0.001)
    assert "packed" in part.change


def test_a_quiet_adapter_holds_what_its_timer_allows() -> None:
    """FTDI AN232B-04: 16 ms by default, unless 62 bytes have come before."""
    slow = link_part(Way.ADAPTER, 921_600, 10.0, 50.0, 0.016)
    assert slow.most_s == pytest.approx(0.016 + 0.001, abs=0.0002)
    assert "latency timer" in slow.change
    timed = link_part(Way.ADAPTER, 921_600, 10.0, 50.0, 0.001)
    assert timed.most_s < 0.0025
    busy = link_part(Way.ADAPTER, 921_600, PACKED_BYTES, 1000.0, 0.016)
    assert busy.most_s == pytest.approx(62 / 44_000 + 0.00048 + 0.001, abs=0.0002)


def test_a_usb_board_waits_for_a_frame_and_no_wire_for_nothing() -> None:
    assert link_part(Way.USB, 9600, TEXT_BYTES, 1000.0, 0.0).most_s == 0.001
    assert link_part(Way.NONE, 9600, TEXT_BYTES, 1000.0, 0.0).most_s == 0.0


def test_the_longest_window_counts() -> None:
    part = window_part([("fixed", 0.0), ("peak", 0.006), ("rise", 0.005)])
    assert part.most_s == 0.006
    assert "peak_window_ms" in part.change
    assert window_part([("fixed", 0.0)]).change == ""


def test_a_note_takes_960_us_on_a_serial_jack() -> None:
    """31 250 baud, three bytes: 960 us (MIDI 1.0 electrical specification)."""
    jack = output_part(OutputPlan("rack", OutputKind.SERIAL, "/dev/ttyAMA0"))
    assert jack.most_s == pytest.approx(0.00096)
    fast = output_part(OutputPlan("rack", OutputKind.SERIAL, "/dev/x", (("baud", 312_500),)))
    assert fast.most_s == pytest.approx(0.000096)


def test_what_was_not_measured_is_said() -> None:
    for kind in (OutputKind.VIRTUAL, OutputKind.PORT, OutputKind.NETWORK):
        assert "not measured" in output_part(OutputPlan("synth", kind, "x")).why


def test_outputs_are_reached_at_once_so_only_the_slowest_counts() -> None:
    way = (Part("scan", 0.001, 0.002, ""), Part("window", 0.005, 0.005, "", "shorten it"))
    outputs = (Part("a", 0.001, 0.001, ""), Part("b", 0.007, 0.015, "", "use a cable"))
    assert Budget(way, outputs).sums_s() == pytest.approx((0.013, 0.022))
    assert Budget(way).sums_s() == pytest.approx((0.006, 0.007))


def test_what_is_beyond_the_aim_is_told_what_shortens_it_most() -> None:
    """10 ms; see AIM_S."""
    scan, window = Part("scan", 0.003, 0.006, ""), Part("window", 0.005, 0.005, "", "shorten it")
    radio = Part("b", 0.007, 0.015, "", "use a cable")
    beyond = Budget((scan, window))
    assert beyond.change_first() == "shorten it"
    assert Budget((scan, window), (radio,)).change_first() == "use a cable"
    assert Budget((radio._replace(change=""),)).change_first() == ""
    assert "11.00  beyond the aim of 10 ms" in shown(beyond)
    assert "change first: shorten it" in shown(beyond)
    several = Budget((scan, window), (Part("a", 0.0, 0.0, ""), radio))
    assert "26.00  beyond the aim of 10 ms, at the slowest output" in shown(several)


def test_what_is_within_the_aim_needs_no_change() -> None:
    within = Budget(
        (Part("scan", 0.002, 0.004, "", "scan faster"), Part("window", 0.005, 0.006, ""))
    )
    assert within.change_first() == ""
    assert "10.00  within the aim of 10 ms" in shown(within)
    assert "change" not in shown(within)
