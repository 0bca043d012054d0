"""Order and pace of a MIDI cable, by the arithmetic of the wire."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matbridge.midi import messages as m
from matbridge.midi.din_queue import AHEAD_S, MAX_WAITING, REFRESH_S, DinQueue
from tests.support.asound import parse, parse_with_places

START_S = 1000.0

# 31 250 baud, ten bits a byte.
BYTE_S = 320e-6


class Wire:
    """A cable, fed as the port feeds it; `bytes_at` has each byte with the time it starts."""

    def __init__(self, queue: DinQueue, now_s: float = START_S) -> None:
        self.queue = queue
        self.now_s = now_s
        self.bytes_at: list[tuple[float, int]] = []
        self._free_s = now_s

    def send(self, *messages: bytes) -> None:
        for message in messages:
            self.queue.push(message, self.now_s)
        self._take()

    def drain(self) -> None:
        """Serve the queue whenever it asks, until nothing waits."""
        while self.queue:
            self.now_s = max(self.now_s, self.queue.next_s())
            self._take()

    def wait(self, seconds: float) -> None:
        """Serve the queue whenever it asks, for so long."""
        end_s = self.now_s + seconds
        while self.queue.next_s() <= end_s:
            self.now_s = max(self.now_s, self.queue.next_s())
            self._take()
        self.now_s = end_s

    def _take(self) -> None:
        for byte in self.queue.take(self.now_s):
            self._free_s = max(self._free_s, self.now_s)
            self.bytes_at.append((self._free_s, byte))
            self._free_s += BYTE_S
            # What is not on the wire yet waits in the driver.
            assert self._free_s - self.now_s <= AHEAD_S + 1e-9

    @property
    def data(self) -> bytes:
        return bytes(byte for _, byte in self.bytes_at)

    @property
    def messages(self) -> list[bytes]:
        """What a receiver makes of it, by libasound."""
        return parse(self.data)

    @property
    def arrivals(self) -> list[tuple[float, bytes]]:
        """Each message with the second at which its last byte has arrived."""
        return [
            (self.bytes_at[place][0] + BYTE_S, message)
            for place, message in parse_with_places(self.data)
        ]


@pytest.fixture
def wire() -> Wire:
    return Wire(DinQueue())


def test_a_lone_note_leaves_at_once_and_whole(wire: Wire) -> None:
    wire.send(m.note_on(1, 60, 100))
    assert wire.data == m.note_on(1, 60, 100)
    assert wire.queue.delay_s == 0.0
    assert wire.queue.next_s() == float("inf")


def test_a_chord_of_ten_takes_the_wire_what_the_arithmetic_says(wire: Wire) -> None:
    # 320 us a byte, ten bits at 31 250 baud: 3 bytes for the first note, 2 for each other.
    wire.send(*(m.note_on(1, 60 + n, 100) for n in range(10)))
    wire.drain()
    assert wire.messages == [m.note_on(1, 60 + n, 100) for n in range(10)]
    assert len(wire.data) == 21
    assert wire.arrivals[-1][0] - START_S == pytest.approx(0.00672)


def test_without_a_common_status_the_same_chord_takes_what_full_messages_take(wire: Wire) -> None:
    wire.send(*(m.note_on(1 + n, 60, 100) for n in range(10)))
    wire.drain()
    assert wire.arrivals[-1][0] - START_S == pytest.approx(0.00960)


def test_at_another_rate_the_pace_is_another() -> None:
    queue = DinQueue(1_000_000)
    for n in range(600):
        queue.push(m.note_on(1, n % 128, 100), 0.0)
    # 10 ms at 10 us a byte.
    assert len(queue.take(0.0)) in (999, 1000)
    assert queue.wire_s(0.0) == pytest.approx(AHEAD_S, abs=2e-5)


def test_running_status_is_what_libasound_makes_of_the_same_messages(wire: Wire) -> None:
    # snd_midi_event_decode compresses these to: 90 3C 40 3E 40 3C 00 B0 07 01 07 02 80 3E 40.
    for message in ("903C40", "903E40", "903C00", "B00701", "B00702", "803E40"):
        wire.send(bytes.fromhex(message))
        wire.drain()
    assert wire.data == bytes.fromhex("903C40 3E40 3C00 B00701 0702 803E40")


def test_the_status_is_sent_again_after_a_while_of_play_and_after_idleness(wire: Wire) -> None:
    for n in range(100):
        wire.send(m.note_on(1, n, 100))
        wire.wait(0.02)
    assert wire.data.count(0x90) == pytest.approx(100 * 0.02 / REFRESH_S, abs=1)
    before = len(wire.data)
    wire.wait(2 * REFRESH_S)
    wire.send(m.note_on(1, 1, 100))
    assert wire.data[before:] == m.note_on(1, 1, 100)


def test_system_messages_cancel_running_status_and_real_time_does_not(wire: Wire) -> None:
    wire.send(m.note_on(1, 60, 1), m.CLOCK, m.note_on(1, 61, 1))
    assert wire.data == m.CLOCK + bytes.fromhex("903C01 3D01")
    wire.send(bytes.fromhex("F07E7F0901F7"), m.note_on(1, 62, 1))
    wire.drain()
    assert wire.data.endswith(bytes.fromhex("F07E7F0901F7 903E01"))


def test_clock_overtakes_whatever_waits(wire: Wire) -> None:
    wire.send(*(m.note_on(1, n, 100) for n in range(40)))
    taken = len(wire.data)
    wire.send(m.CLOCK)
    wire.drain()
    assert wire.data[taken : taken + 1] == m.CLOCK


def test_notes_overtake_pressure_that_waits(wire: Wire) -> None:
    wire.send(*(m.poly_pressure(1, n, 50) for n in range(40)))
    before = len(wire.messages)
    wire.send(m.note_off(2, 60), m.note_on(2, 61, 100))
    wire.drain()
    assert wire.messages[before : before + 2] == [m.note_off(2, 60), m.note_on(2, 61, 100)]


def test_values_that_wait_are_thinned_to_the_latest(wire: Wire) -> None:
    wire.send(*(m.note_on(1, n, 100) for n in range(20)))
    for value in range(50):
        wire.send(m.channel_pressure(1, value), m.control_change(1, 1, value))
    wire.drain()
    assert wire.messages[20:] == [m.channel_pressure(1, 49), m.control_change(1, 1, 49)]
    assert wire.queue.thinned == 98


def test_the_two_halves_of_a_fine_control_stay_together(wire: Wire) -> None:
    wire.send(*(m.note_on(1, n, 100) for n in range(20)))
    wire.send(m.control_change(1, 7, 10), m.control_change(1, 39, 20))
    wire.send(m.control_change(1, 1, 1))
    wire.send(m.control_change(1, 7, 11), m.control_change(1, 39, 21))
    wire.send(m.control_change(1, 39, 22))
    wire.drain()
    assert wire.messages[20:] == [
        m.control_change(1, 7, 11),
        m.control_change(1, 39, 22),
        m.control_change(1, 1, 1),
    ]


def test_what_a_note_needs_arrives_before_it(wire: Wire) -> None:
    # MPE 1.0: bend, pressure and control 74 of a member channel are set before its note-on.
    wire.send(*(m.note_on(1, n, 100) for n in range(20)))
    wire.send(*(m.poly_pressure(1, n, 9) for n in range(20)))
    wire.send(m.pitch_bend(2, 9000), m.channel_pressure(2, 0), m.control_change(2, 74, 64))
    wire.send(m.note_on(2, 60, 100))
    wire.drain()
    at = wire.messages.index(m.note_on(2, 60, 100))
    assert wire.messages[at - 3 : at] == [
        m.pitch_bend(2, 9000),
        m.channel_pressure(2, 0),
        m.control_change(2, 74, 64),
    ]
    assert at == 23


@pytest.mark.parametrize("later", [m.program_change(3, 1), m.control_change(3, 121, 0)])
def test_what_would_undo_a_value_does_not_overtake_it(wire: Wire, later: bytes) -> None:
    wire.send(*(m.note_on(1, n, 100) for n in range(20)))
    wire.send(m.control_change(3, 11, 5), m.control_change(4, 11, 6), later)
    wire.drain()
    assert wire.messages[20:] == [m.control_change(3, 11, 5), later, m.control_change(4, 11, 6)]


def test_pedals_and_parameters_keep_their_order_among_notes(wire: Wire) -> None:
    wire.send(*(m.note_on(1, n, 100) for n in range(20)))
    kept = [
        m.control_change(1, 64, 127),
        m.note_off(1, 3),
        m.control_change(1, 64, 0),
        m.control_change(1, 0, 1),
        m.control_change(1, 32, 2),
        m.program_change(1, 3),
        *(m.control_change(1, number, 0) for number in (101, 100, 6, 38, 101, 100)),
    ]
    wire.send(*kept)
    wire.drain()
    assert wire.messages[20:] == kept


def test_a_pedal_that_moves_is_thinned_while_nothing_else_comes_between(wire: Wire) -> None:
    wire.send(*(m.note_on(1, n, 100) for n in range(20)))
    wire.send(*(m.control_change(1, 64, value) for value in range(128)))
    wire.drain()
    assert wire.messages[20:] == [m.control_change(1, 64, 127)]


def test_every_step_of_a_data_entry_counts(wire: Wire) -> None:
    wire.send(*(m.note_on(1, n, 100) for n in range(20)))
    steps = [m.control_change(1, number, 0) for number in (96, 96, 96, 97, 97)]
    wire.send(*steps)
    wire.drain()
    assert wire.messages[20:] == steps


def test_pressure_of_a_note_that_ended_is_not_sent_after_it(wire: Wire) -> None:
    wire.send(*(m.note_on(1, n, 100) for n in range(20)))
    wire.send(m.poly_pressure(1, 3, 50), m.note_off(1, 3))
    wire.drain()
    assert wire.messages[20:] == [m.note_off(1, 3)]


def test_a_flood_drops_note_ons_and_never_note_offs(wire: Wire) -> None:
    for n in range(3 * MAX_WAITING):
        wire.send(m.note_on(1, n % 128, 1 + n % 127))
    wire.send(*(m.note_off(1, n) for n in range(128)))
    assert wire.queue.dropped > 0
    wire.drain()
    assert wire.messages[-128:] == [m.note_off(1, n) for n in range(128)]


def test_a_driver_that_is_slower_than_the_rule_is_not_overfed(wire: Wire) -> None:
    queue = wire.queue
    for n in range(200):
        queue.push(m.note_on(1, n % 128, 1), 0.0)
    held, now_s = 0.0, 0.0
    for _ in range(200):
        queue.held(int(held), now_s)
        held += len(queue.take(now_s))
        assert held * BYTE_S <= AHEAD_S + 2 * BYTE_S
        now_s += 0.005
        # A wire at 90 % of the rate.
        held = max(0.0, held - 0.9 * 0.005 / BYTE_S)


def test_24_zones_at_once_with_pressure_on_all_of_them(wire: Wire) -> None:
    notes = [m.note_on(1, 40 + zone, 100) for zone in range(24)]
    wire.send(*notes)
    given_s: dict[bytes, float] = {}
    # Half a second of pressure, 100 values a second for each zone: 2.3 times what fits.
    for value in range(1, 51):
        for zone in range(24):
            message = m.poly_pressure(1, 40 + zone, value)
            given_s[message] = wire.now_s
            wire.send(message)
        wire.wait(0.010)
    lifted_s = wire.now_s
    offs = [m.note_off(1, 40 + zone) for zone in range(24)]
    wire.send(*offs)
    wire.drain()
    arrivals = wire.arrivals
    assert [message for _, message in arrivals[:24]] == notes
    assert arrivals[23][0] - START_S == pytest.approx((24 * 2 + 1) * BYTE_S)
    ages_s = [
        arrived_s - 3 * BYTE_S - given_s[message]
        for arrived_s, message in arrivals
        if message in given_s
    ]
    assert len(ages_s) > 500
    assert max(ages_s) <= 0.020
    # The note-offs wait for nothing but what was in the driver already, and come last.
    assert [message for _, message in arrivals[-24:]] == offs
    assert arrivals[-1][0] - lifted_s <= AHEAD_S + (24 * 2 + 1) * BYTE_S


MESSAGES = st.one_of(
    st.builds(m.note_on, st.integers(1, 3), st.integers(0, 3), st.integers(1, 127)),
    st.builds(m.note_off, st.integers(1, 3), st.integers(0, 3)),
    st.builds(m.poly_pressure, st.integers(1, 3), st.integers(0, 3), st.integers(0, 127)),
    st.builds(
        m.control_change,
        st.integers(1, 3),
        st.sampled_from((0, 1, 7, 33, 39, 64, 74, 101, 121)),
        st.integers(0, 127),
    ),
    st.builds(m.program_change, st.integers(1, 3), st.integers(0, 127)),
    st.builds(m.channel_pressure, st.integers(1, 3), st.integers(0, 127)),
    st.builds(m.pitch_bend, st.integers(1, 3), st.integers(0, 16383)),
    st.sampled_from((m.CLOCK, m.START, bytes.fromhex("F07E7F0901F7"))),
)


@given(st.lists(st.tuples(st.lists(MESSAGES, max_size=30), st.floats(0, 0.05)), max_size=20))
def test_whatever_is_sent_arrives_in_order_or_thinned(
    bursts: list[tuple[list[bytes], float]],
) -> None:
    wire = Wire(DinQueue())
    sent: list[bytes] = []
    for messages, pause_s in bursts:
        sent += messages
        wire.send(*messages)
        wire.wait(pause_s)
    wire.drain()
    heard = wire.messages
    assert list(filter(_real_time, heard)) == list(filter(_real_time, sent))
    assert _in_order(heard) == _in_order(sent)
    # Of every value that moves, the last one sent is the last one heard, unless its note ended.
    last_sent = {_place(message): message for message in sent if _moves(message)}
    last_heard = {_place(message): message for message in heard if _moves(message)}
    for place, message in last_sent.items():
        if message[0] & 0xF0 != m.POLY_PRESSURE:
            assert last_heard[place] == message


def _moves(message: bytes) -> bool:
    kind = message[0] & 0xF0
    if kind == m.CONTROL_CHANGE:
        return message[1] in (1, 7, 33, 39, 74)
    return kind in (m.POLY_PRESSURE, m.CHANNEL_PRESSURE, m.PITCH_BEND)


def _place(message: bytes) -> bytes:
    two = message[0] & 0xF0 in (m.POLY_PRESSURE, m.CONTROL_CHANGE)
    return message[:2] if two else message[:1]


def _real_time(message: bytes) -> bool:
    return message[0] >= 0xF8


def _in_order(messages: list[bytes]) -> list[bytes]:
    """Those whose order counts; of a switch that is set several times in a row, the last."""
    kept: list[bytes] = []
    for message in messages:
        if _moves(message) or _real_time(message):
            continue
        switch = message[0] & 0xF0 == m.CONTROL_CHANGE and message[1] < 120
        if switch and kept and kept[-1][:2] == message[:2]:
            kept.pop()
        kept.append(message)
    return kept
