"""Standard MIDI Files: events, and times that do not drift."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matbridge.midi import messages as m
from matbridge.midi.smf import (
    MARKER,
    TICKS_PER_QUARTER,
    Track,
    file_header,
    filler,
    track_header,
    variable_length,
)
from tests.support.midi_judges import csv_of, length_s


def whole(events: bytes, ticks_per_quarter: int = TICKS_PER_QUARTER) -> bytes:
    return file_header(ticks_per_quarter) + track_header(len(events)) + events


def test_a_quantity_beyond_four_bytes_is_refused() -> None:
    for value in (-1, 0x10000000):
        with pytest.raises(ValueError, match="what a file can count"):
            variable_length(value)


@given(st.integers(4, 5000))
def test_filler_of_any_size_is_whole_events_that_say_nothing(size: int) -> None:
    data = filler(size)
    assert len(data) == size
    told = csv_of(whole(data + bytes.fromhex("00FF2F00")))
    kinds = {fields[2] for fields in told[2:-2]}
    assert kinds == {"Sequencer_specific"}
    # Those after the first have four bytes each, so that a writer knows where they begin.
    assert len(told) - 4 == size // 4


@pytest.mark.parametrize("size", [1, 2, 3])
def test_no_filler_is_smaller_than_an_event(size: int) -> None:
    with pytest.raises(ValueError, match="no event"):
        filler(size)
    assert filler(0) == b""


def test_times_are_rounded_from_the_beginning_and_not_one_by_one() -> None:
    # A quarter note of 960 ticks at 120 beats a minute; 1.04 us over half a tick each time.
    track = Track(50.0, 960)
    events = track.opening("t", 120.0)
    step_s = 0.5 / 960 * 1.501
    for n in range(1, 10_001):
        events += track.message(m.control_change(1, 1, n % 128), 50.0 + n * step_s)
    events += track.end(50.0 + 10_000 * step_s)
    assert length_s(whole(events, 960)) == pytest.approx(10_000 * step_s, abs=0.5 / 960 / 2)


@pytest.mark.parametrize("bpm", [20.0, 59.7, 120.0, 133.0, 300.0])
def test_three_hours_end_within_a_millisecond(bpm: float) -> None:
    track = Track(12345.678)
    events = track.opening("t", bpm)
    for second in range(0, 3 * 3600, 7):
        events += track.message(m.note_on(1, 60, 1 + second % 127), 12345.678 + second + 0.123)
        events += track.message(m.note_off(1, 60), 12345.678 + second + 0.456)
    end_s = 3 * 3600 + 0.3331
    events += track.end(12345.678 + end_s)
    assert length_s(whole(events)) == pytest.approx(end_s, abs=0.001)


@given(
    st.lists(
        st.tuples(st.floats(0, 30), st.floats(16, 400), st.floats(0, 30)), min_size=1, max_size=20
    )
)
def test_times_hold_through_changes_of_tempo(changes: list[tuple[float, float, float]]) -> None:
    track = Track(0.0)
    events = track.opening("t", 120.0)
    now_s = 0.0
    for until_change_s, bpm, until_note_s in changes:
        now_s += until_change_s
        events += track.tempo(bpm, now_s)
        now_s += until_note_s
        events += track.message(m.note_on(1, 60, 1), now_s)
    events += track.end(now_s)
    # Half a tick of the slowest tempo.
    assert length_s(whole(events)) == pytest.approx(now_s, abs=0.0005)


def test_a_tempo_that_three_bytes_cannot_hold_becomes_the_slowest_they_can() -> None:
    told = csv_of(whole(Track(0.0).opening("t", 1.0) + bytes.fromhex("00FF2F00")))
    assert ["1", "0", "Tempo", "16777215"] in told


def test_time_that_stands_still_or_goes_back_moves_nothing() -> None:
    track = Track(10.0)
    track.message(m.note_on(1, 60, 1), 11.0)
    assert track.message(m.note_off(1, 60), 10.5)[:1] == b"\0"
    assert track.message(m.note_on(1, 60, 1), 11.0)[:1] == b"\0"


def test_what_a_file_cannot_hold_is_left_out_and_takes_no_time() -> None:
    track = Track(0.0, 480)
    for message in (m.CLOCK, m.START, m.STOP, b"\xff", b"\xf6", b"\xf1\x00", b"\xf2\x01\x02"):
        assert track.message(message, 1.0) == b""
    assert track.message(m.note_on(1, 60, 1), 1.0) == variable_length(960) + m.note_on(1, 60, 1)


def test_a_system_exclusive_message_has_its_length() -> None:
    assert Track(0.0).message(bytes.fromhex("F07E7F0901F7"), 0.0) == bytes.fromhex(
        "00 F0 05 7E7F0901F7"
    )


def test_names_are_latin_1_where_it_can_say_them() -> None:
    assert Track(0.0).text(MARKER, "Möwe", 0.0) == b"\0\xff\x06\x04M\xf6we"
    assert Track(0.0).text(MARKER, "潮", 0.0) == b"\0\xff\x06\x03" + "潮".encode()
