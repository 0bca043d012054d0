"""The recovery journal, against published vectors and a receiver of its own making.

Vectors: payloads of RFC 6295 as the protocol analyser tshark 4.0 decodes them.
"""

from __future__ import annotations

import struct

from hypothesis import given
from hypothesis import strategies as st

from matbridge.midi import messages as midi
from matbridge.midi import rtp_packet as rtp
from matbridge.midi.rtp_journal import MOST_PARAMETERS, Journal
from tests.support.rtp_receiver import Receiver


def journal_after(*packets: list[bytes]) -> bytes:
    journal = Journal()
    for number, batch in enumerate(packets):
        for message in batch:
            journal.take(number, message, 0.0)
    return journal.encode(len(packets), 0.0)


def test_a_note_that_is_on_is_a_log() -> None:
    # 2x: A bit, one channel; checkpoint; channel journal of 7; chapter N of one log: C4, 100, play.
    # Only the S bits differ from the vector, for here the note came in the packet just before.
    assert journal_after([midi.note_on(1, 60, 100)]).hex(" ") == "20 00 00 00 07 08 81 f0 3c e4"


def test_a_note_that_is_off_is_a_bit() -> None:
    played = journal_after([midi.note_on(1, 60, 100)], [midi.note_off(1, 60)], [])
    assert played.hex(" ") == "a0 00 00 80 06 08 80 77 08"


def test_what_the_receiver_has_is_forgotten() -> None:
    journal = Journal()
    journal.take(0, midi.note_on(1, 60, 100), 0.0)
    journal.take(1, midi.note_on(1, 64, 100), 0.0)
    journal.received(0)
    assert journal.encode(2, 0.0).hex(" ") == "20 00 01 00 07 08 81 f0 40 e4"
    journal.received(1)
    assert journal.encode(2, 0.0).hex(" ") == "00 00 02"


def test_an_old_note_on_should_not_sound_late() -> None:
    journal = Journal()
    journal.take(0, midi.note_on(1, 60, 100), 10.0)
    assert journal.encode(1, 11.0)[-1] == 100  # Y bit clear


def test_all_notes_off_ends_every_note() -> None:
    receiver = Receiver()
    receiver.take(packet(0, [midi.note_on(1, 60, 100), midi.note_on(1, 61, 100)], Journal()))
    assert receiver.notes
    journal = Journal()
    journal.take(0, midi.note_on(1, 60, 100), 0.0)
    journal.take(0, midi.note_on(1, 61, 100), 0.0)
    journal.take(1, midi.control_change(1, 123, 0), 0.0)
    receiver.take(packet(2, [], journal))
    assert not receiver.notes


def packet(number: int, batch: list[bytes], journal: Journal) -> bytes:
    return rtp.encode(number, 0, 1, batch, journal.encode(number, 0.0))


notes = st.integers(0, 127)
values = st.integers(0, 127)
channels = st.integers(1, 16)
message = st.one_of(
    st.builds(midi.note_on, channels, notes, st.integers(1, 127)),
    st.builds(midi.note_off, channels, notes),
    st.builds(midi.control_change, channels, st.integers(1, 31).filter(lambda n: n != 6), values),
    st.builds(midi.program_change, channels, values),
    st.builds(midi.channel_pressure, channels, values),
    st.builds(midi.poly_pressure, channels, notes, values),
    st.builds(midi.pitch_bend, channels, st.integers(0, 16383)),
)


@given(
    batches=st.lists(st.lists(message, max_size=6), min_size=2, max_size=30),
    kept=st.lists(st.booleans(), min_size=30, max_size=30),
    acknowledged=st.lists(st.booleans(), min_size=30, max_size=30),
)
def test_whatever_is_lost_the_next_packet_makes_good(
    batches: list[list[bytes]], kept: list[bool], acknowledged: list[bool]
) -> None:
    journal, ideal, real = Journal(), Receiver(), Receiver()
    ideal_journal = Journal()
    real.take(packet(0, [], journal))
    for number, batch in enumerate(batches, 1):
        data = packet(number, batch, journal)
        for one in batch:
            journal.take(number, one, 0.0)
        ideal.take(packet(number, batch, ideal_journal))
        if kept[number - 1]:
            real.take(data)
            if acknowledged[number - 1]:
                journal.received(number)
    real.take(packet(len(batches) + 1, [], journal))
    assert real.notes.keys() == ideal.notes.keys()
    assert real.controls == ideal.controls
    assert {c: p[0] for c, p in real.programs.items()} == {
        c: p[0] for c, p in ideal.programs.items()
    }
    assert real.bends == ideal.bends
    assert real.pressures == ideal.pressures


def test_a_bend_range_is_repaired_as_a_parameter() -> None:
    # RPN 0 (bend range) selected, set to 48 semitones, and deselected (MIDI 1.0, RPN 0).
    batch = [
        midi.control_change(2, 101, 0),
        midi.control_change(2, 100, 0),
        midi.control_change(2, 6, 48),
        midi.control_change(2, 38, 0),
        midi.control_change(2, 101, 127),
        midi.control_change(2, 100, 127),
    ]
    receiver = Receiver()
    receiver.take(packet(0, [], Journal()))
    journal = Journal()
    for one in batch:
        journal.take(1, one, 0.0)
    receiver.take(packet(2, [], journal))
    assert receiver.parameters == {(1, 0, 0, 0): (48, 0)}
    assert not receiver.controls


def parameter(nrpn: int, number: int, value: int) -> list[bytes]:
    """A registered (0) or not registered (1) parameter is set on channel 1 (MIDI 1.0)."""
    msb, lsb = divmod(number, 128)
    selects = (99, 98) if nrpn else (101, 100)
    return [
        midi.control_change(1, control, byte)
        for control, byte in (*zip(selects, (msb, lsb), strict=True), (6, value))
    ]


# All that chapters P, C, W, N, T and A can hold at most: each control that is no parameter's, 126
# notes on and the outermost two off, which takes the most octets, and pressure of every note.
FULL = [
    midi.control_change(1, 121, 0),  # which takes other controls away
    *(midi.control_change(1, control, 1) for control in (*range(98), *range(102, 121))),
    *(midi.control_change(1, control, 1) for control in range(122, 128)),
    midi.program_change(1, 1),
    midi.control_change(1, 0, 1),  # banks that a program has not taken along
    midi.control_change(1, 32, 1),
    midi.pitch_bend(1, 1),
    midi.note_off(1, 0),
    midi.note_off(1, 127),
    *(midi.note_on(1, note, 1) for note in range(1, 127)),
    midi.channel_pressure(1, 1),
    *(midi.poly_pressure(1, note, 1) for note in range(128)),
]


def test_a_channel_with_everything_at_once_fits_the_length_it_can_say() -> None:
    # Ten bits say how long a channel journal is (RFC 6295, section 5).
    journal = Journal()
    for message in FULL:
        journal.take(0, message, 0.0)
    assert len(journal.encode(1, 0.0)) == 3 + 785
    for number in range(MOST_PARAMETERS):
        for message in parameter(0, number, 1):
            journal.take(0, message, 0.0)
    assert 3 + 1023 - 5 < len(journal.encode(1, 0.0)) <= 3 + 1023


@given(
    rest=st.booleans(),
    crowd=st.integers(0, 300),
    more=st.lists(
        st.tuples(
            st.integers(0, 1),
            st.integers(0, 16382),  # the last one, 16383, selects nothing
            st.integers(0, 127),
        ),
        max_size=20,
    ),
)
def test_however_many_parameters_the_newest_are_repaired_and_all_else(
    rest: bool, crowd: int, more: list[tuple[int, int, int]]
) -> None:
    journal, receiver = Journal(), Receiver()
    receiver.take(packet(0, [], journal))
    for message in FULL if rest else ():
        journal.take(1, message, 0.0)
    sets = [(1, 100 + number, 1) for number in range(crowd)] + more
    newest: dict[tuple[int, int, int, int], tuple[int, int]] = {}
    for number, (nrpn, which, value) in enumerate(sets, 2):
        for message in parameter(nrpn, which, value):
            journal.take(number, message, 0.0)
        key = (0, nrpn, *divmod(which, 128))
        newest.pop(key, None)
        newest[key] = (value, 0)
    receiver.take(packet(len(sets) + 2, [], journal))
    assert list(receiver.parameters.items()) == list(newest.items())[-MOST_PARAMETERS:]
    if rest:
        assert len(receiver.notes) == 126
        assert len(receiver.poly) == 128


def test_bank_and_program_go_together() -> None:
    journal = Journal()
    for one in (
        midi.control_change(1, 0, 1),
        midi.control_change(1, 32, 2),
        midi.program_change(1, 5),
    ):
        journal.take(0, one, 0.0)
    # Chapter P: program 5, B and bank 1, bank 2 (RFC 6295, appendix A.2).
    assert journal.encode(2, 0.0).hex(" ") == "a0 00 00 80 06 80 85 81 02"


def test_every_note_on_one_channel_fits_its_special_form() -> None:
    for count in (126, 127, 128):
        receiver = Receiver()
        receiver.take(packet(0, [], Journal()))
        journal = Journal()
        for note in range(count):
            journal.take(1, midi.note_on(1, note, 1), 0.0)
        receiver.take(packet(2, [], journal))
        assert len(receiver.notes) == count


def test_a_long_list_of_commands_has_the_long_length() -> None:
    batch = [midi.note_on(1, note, 64) for note in range(5)]
    data = rtp.encode(7, 0, 0x01020304, batch, Journal().encode(7, 0.0))
    assert struct.unpack_from("!BBHII", data) == (0x80, 0xE1, 7, 0, 0x01020304)
    assert data[12:14] == bytes((0xC0, 19))


@given(st.binary(max_size=80))
def test_no_datagram_raises(data: bytes) -> None:
    rtp.decode_session(data)
    rtp.decode_session(rtp.SESSION + data)
