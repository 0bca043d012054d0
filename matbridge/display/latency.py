"""From contact to the note leaving: where the time goes, reckoned from what is known of each part.

Pure: figures in, figures out. `usual` is what half of all touches wait at most, `most` what hardly
any exceeds, both in seconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from typing import NamedTuple

from matbridge.mapping.plan import OutputKind, OutputPlan

# "10 ms, varying by 1 ms" is the aim that Wessel and Wright set for musical control (NIME 2001,
# from memory); Jack et al. (Music Perception 36/1) found a steady 10 ms not told from none.
AIM_S = 0.010

# 8N1: a byte is ten bits on a serial line.
BITS_A_BYTE = 10

# A full-speed USB device is asked once a frame (USB 2.0; FTDI AN232B-04).
USB_FRAME_S = 0.001

# What an FTDI chip sends without waiting for its latency timer: 64 bytes less two of status
# (FTDI AN232B-04).
ADAPTER_BYTES = 62

# A note-on without running status.
NOTE_BYTES = 3
DIN_BAUD = 31_250

# Connection intervals of Bluetooth LE: what MIDI devices ask for at most, and the least there is
# (MIDI over Bluetooth LE specification).
BLE_MOST_S, BLE_LEAST_S = 0.015, 0.0075


class Way(StrEnum):
    """How the board's bytes reach this computer."""

    USB = "usb"  # the board is a USB device itself: the baud limits nothing
    ADAPTER = "adapter"  # a USB serial adapter, with its latency timer
    UART = "uart"  # a serial line of the computer itself
    NONE = "none"  # no wire that is known: a pty, a simulated mat, sensors read here


class Part(NamedTuple):
    """One part of the way. why: how it was reckoned. change: what would shorten it, or empty."""

    name: str
    usual_s: float
    most_s: float
    why: str
    change: str = ""


def scan_part(rate_hz: float) -> Part:
    """Waiting for the scan that sees the touch."""
    period_s = 1.0 / rate_hz
    change = f"scan faster than {rate_hz:.0f} times a second" if rate_hz < 900 else ""
    return Part("next scan", period_s / 2, period_s, f"{rate_hz:.0f} scans a second", change)


def link_part(way: Way, baud: int, scan_bytes: float, rate_hz: float, timer_s: float) -> Part:
    """The last byte of a scan on its way here. scan_bytes: bytes in one, as received."""
    if way is Way.NONE:
        return Part("link", 0.0, 0.0, "no wire to reckon with")
    if way is Way.USB:
        return Part("link", USB_FRAME_S / 2, USB_FRAME_S, "a USB frame")
    wire_s = scan_bytes * BITS_A_BYTE / baud
    why = f"{scan_bytes:.0f} bytes at {baud} baud"
    shorter = "raise the baud, or send packed instead of text, on the board and in the mat file"
    if way is Way.UART:
        return Part("link", wire_s, wire_s, why, shorter)
    # The chip waits until its timer has run out or its packet is full.
    fill_s = ADAPTER_BYTES / max(scan_bytes * rate_hz, 1.0)
    held_s = min(timer_s, fill_s)
    change = shorter
    if held_s > wire_s and timer_s > USB_FRAME_S:
        change = "set the adapter's latency timer to 1 ms"
    return Part(
        "link",
        wire_s + held_s / 2 + USB_FRAME_S / 2,
        wire_s + held_s + USB_FRAME_S,
        f"{why}, held up to {held_s * 1000:.0f} ms by the adapter",
        change,
    )


def window_part(windows_s: Sequence[tuple[str, float]]) -> Part:
    """The detection window. windows_s: (velocity source, its window) of all that are in use."""
    source, window_s = max(windows_s, key=lambda window: window[1])
    setting = "rise_window_ms" if source == "rise" else "peak_window_ms"
    change = f"shorten {setting}, under sensing in the mat file" if window_s > 0.0 else ""
    return Part("detection", window_s, window_s, f"velocity from {source}", change)


def program_part(usual_s: float, most_s: float) -> Part:
    """This program's own work, as measured on this computer."""
    return Part("program", usual_s, most_s, "decoding and detecting one read, measured here")


def output_part(output: OutputPlan) -> Part:
    """The wire behind an output; only what is known of it without playing."""
    name = f"output {output.name}"
    options = dict(output.options)
    if output.kind is OutputKind.SERIAL:
        baud = options.get("baud", DIN_BAUD)
        rate = baud if isinstance(baud, int) and baud > 0 else DIN_BAUD
        wire_s = NOTE_BYTES * BITS_A_BYTE / rate
        return Part(name, wire_s, wire_s, f"{NOTE_BYTES} bytes at {rate} baud")
    if output.kind is OutputKind.BLUETOOTH:
        change = "use a cable where time matters"
        return Part(name, BLE_LEAST_S, BLE_MOST_S, "a Bluetooth connection interval", change)
    if output.kind is OutputKind.FILE:
        return Part(name, 0.0, 0.0, "a file")
    if output.kind is OutputKind.NETWORK:
        return Part(name, 0.0, 0.0, "the network, which is not measured")
    return Part(name, 0.0, 0.0, "not measured; under JACK up to one period of the server")


class Budget(NamedTuple):
    """The way from contact to the program's end, and the outputs that go on from there at once."""

    way: tuple[Part, ...]
    outputs: tuple[Part, ...] = ()

    def sums_s(self) -> tuple[float, float]:
        """Usual and most, to the end of the slowest output."""
        last = max(self.outputs, key=lambda part: part.most_s, default=NO_OUTPUT)
        parts = (*self.way, last)
        return sum(part.usual_s for part in parts), sum(part.most_s for part in parts)

    @property
    def in_time(self) -> bool:
        """Whether even the slowest touch is heard within AIM_S, as far as it was measured."""
        return self.sums_s()[1] <= AIM_S

    def change_first(self) -> str:
        """What shortens it most; empty where it is short enough, or nothing known would help."""
        if self.in_time:
            return ""
        parts = [part for part in (*self.way, *self.outputs) if part.change]
        return max(parts, key=lambda part: part.most_s, default=NO_OUTPUT).change


NO_OUTPUT = Part("no output", 0.0, 0.0, "")
