"""Bluetooth LE MIDI packets: what must hold for any messages."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matbridge.midi import messages as m
from matbridge.midi.ble_packet import MIN_MTU, OVERHEAD, packets
from tests.support.ble_reader import BleReader

MESSAGES = st.one_of(
    st.builds(m.note_on, st.integers(1, 16), st.integers(0, 127), st.integers(1, 127)),
    st.builds(m.note_off, st.integers(1, 16), st.integers(0, 127)),
    st.builds(m.program_change, st.integers(1, 16), st.integers(0, 127)),
    st.builds(m.pitch_bend, st.integers(1, 16), st.integers(0, 16383)),
    st.sampled_from((m.CLOCK, m.START, m.STOP)),
    st.binary(max_size=60).map(lambda data: b"\xf0" + bytes(b & 0x7F for b in data) + b"\xf7"),
)


@given(
    st.lists(MESSAGES, max_size=40),
    st.floats(0, 100),
    st.integers(MIN_MTU - OVERHEAD, 512),
)
def test_all_arrive_in_order_with_their_time_in_packets_that_fit(
    sent: list[bytes], now_s: float, size: int
) -> None:
    reader = BleReader()
    for packet in packets(sent, now_s, size):
        assert len(packet) <= size
        reader.feed(packet)
    assert reader.messages == sent
    assert {time_ms for time_ms, _ in reader.found} <= {int(now_s * 1000) % 8192}


def test_every_message_has_its_time_and_its_status() -> None:
    sent = [m.note_on(1, 60, 100), m.note_on(1, 62, 100)]
    assert packets(sent, 0.005, 20) == [bytes.fromhex("80 85903C64 85903E64")]


def test_a_second_packet_begins_where_the_first_is_full() -> None:
    sent = [m.note_on(1, 60 + n, 100) for n in range(6)]
    assert [len(packet) for packet in packets(sent, 1.0, 20)] == [17, 9]


def test_a_message_that_fits_no_packet_is_refused() -> None:
    with pytest.raises(ValueError, match="does not fit a packet of 4"):
        packets([m.note_on(1, 60, 100)], 0.0, 4)
