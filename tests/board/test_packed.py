"""The packed wire format."""

from __future__ import annotations

import random
from binascii import crc_hqx
from itertools import pairwise

import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from matbridge.board import packed
from matbridge.board.hello import Hello
from matbridge.board.packed import MAX_FRAME_BYTES, WIDTHS, PackedDecoder, encode_hello, encode_scan
from matbridge.board.scan import MAX_BANNER_BYTES, Misfit
from tests.support.feeding import cut_at_random, cuts, feed_all, outcome

HELLO = Hello(3, 10, 1000, "packed", "1.2", "stepping stones")
FIRST = encode_scan(0, 0, [1, 2, 3], 10)


def decoder() -> PackedDecoder:
    return PackedDecoder(3, 10)


def framed(payload: bytes) -> bytes:
    """A payload of any kind as a sound frame, by the rules of the docstring."""
    return bytes(cobs.encode(payload + crc_hqx(payload, 0xFFFF).to_bytes(2, "big"))) + b"\0"


def scan_number(number: int, row: tuple[int, int, int] = (4, 5, 600)) -> bytes:
    return encode_scan(number, number * 1000, row, 10)


def readings_of(data: bytes) -> tuple[list[tuple[int, ...]], int]:
    """Readings, and how many were damaged, of bytes that follow a first good frame."""
    results = [outcome(decoder, pieces) for pieces in cuts(FIRST + data)]
    assert all(result == results[0] for result in results)
    made = decoder()
    scans = feed_all(made, [FIRST + data])
    assert list(scans[0].readings) == [1, 2, 3]
    return [tuple(scan.readings) for scan in scans[1:]], made.counts.damaged


def test_the_worked_example_of_the_docstring() -> None:
    frame = encode_scan(7, 1000, [0, 513, 1023], 10)
    assert packed.__doc__ is not None
    assert frame.hex(" ").upper() in packed.__doc__
    assert frame == bytes.fromhex("04 11 0A 07 03 E8 03 01 02 03 01 06 04 F8 3F 1A F3 00")
    assert [scan.readings for scan in decoder().feed(frame, 1.0)] == [[0, 513, 1023]]


def pack_as_a_board_does(readings: list[int], width: int) -> bytes:
    """The packing that the docstring tells a board to do: a byte, a bit count and a shift."""
    body = bytearray()
    waiting, held = 0, 0
    for reading in readings:
        held |= reading << waiting
        waiting += width
        while waiting >= 8:
            body.append(held & 0xFF)
            held >>= 8
            waiting -= 8
    if waiting:
        body.append(held)
    return bytes(body)


@given(
    st.data(), st.sampled_from(WIDTHS), st.sampled_from([1, 2, 3, 24, 31, 32, 33, 64, 100, 1024])
)
def test_a_board_packs_and_the_bridge_unpacks(
    data: st.DataObject, width: int, channels: int
) -> None:
    rng = random.Random(data.draw(st.integers(0, 1000)))
    readings = [rng.randrange(1 << width) for _ in range(channels)]
    frame = encode_scan(70000, 1 << 33 | 5, readings, width)
    payload = cobs.decode(frame[:-1])[:-2]
    assert payload[10:] == pack_as_a_board_does(readings, width)
    assert payload[2:4] == (70000 - 65536).to_bytes(2, "little")
    assert payload[4:8] == (5).to_bytes(4, "little")
    assert len(frame) - 1 <= MAX_FRAME_BYTES
    assert [list(scan.readings) for scan in PackedDecoder(channels, width).feed(frame, 1.0)] == [
        readings
    ]


@pytest.mark.parametrize(("bits", "width"), [(1, 8), (8, 8), (9, 10), (11, 12), (13, 16), (16, 16)])
def test_a_reading_takes_the_next_width_up(bits: int, width: int) -> None:
    assert packed.width_for(bits) == width
    top = (1 << bits) - 1
    made = PackedDecoder(2, bits)
    assert [list(scan.readings) for scan in made.feed(encode_scan(0, 0, [top, 0], width), 1.0)] == [
        [top, 0]
    ]
    if bits < width:
        assert made.feed(encode_scan(1, 1000, [top + 1, 0], width), 1.001) == []
        assert made.counts.damaged == 1


@pytest.mark.parametrize(
    ("readings", "width"), [([1], 9), ([], 8), ([0] * 1025, 8), ([256], 8), ([-1], 8)]
)
def test_what_cannot_be_sent_is_refused(readings: list[int], width: int) -> None:
    with pytest.raises(ValueError, match=r"reading|wide"):
        encode_scan(0, 0, readings, width)


def test_junk_before_between_and_after() -> None:
    scan = scan_number(1)
    for junk, damaged in ((b"\0", 0), (b"\0\0\0", 0), (b"junk\0", 1), (b"\x01\0" * 5, 5)):
        assert readings_of(junk + scan + junk + scan_number(2) + junk) == (
            [(4, 5, 600), (4, 5, 600)],
            3 * damaged,
        )


def test_junk_without_an_end_takes_the_frame_it_runs_into_with_it() -> None:
    assert readings_of(b"junk" + scan_number(1) + scan_number(2)) == ([(4, 5, 600)], 1)
    assert readings_of(scan_number(1)[:-1] + scan_number(2) + scan_number(3)) == (
        [(4, 5, 600)],
        1,
    )


@given(st.integers(0, len(FIRST) - 2), st.integers(1, 255))
def test_one_changed_byte_never_becomes_a_scan(place: int, change: int) -> None:
    frame = bytearray(scan_number(1))
    frame[place] ^= change
    made = decoder()
    feed_all(made, [FIRST])
    assert feed_all(made, [bytes(frame)], 101.0) == []
    assert made.counts.damaged >= 1
    assert len(feed_all(made, [scan_number(2)], 102.0)) == 1


@given(st.integers(0, 8 * (len(scan_number(1)) - 1) - 16), st.integers(1, 0xFFFF))
def test_a_burst_of_up_to_16_bits_never_becomes_a_scan(place: int, burst: int) -> None:
    """Any CRC-16 sees every burst no longer than itself; COBS must not take that away.

    The bits are changed before the stuffing, where the property is the checksum's own.
    """
    frame = cobs.decode(scan_number(1)[:-1])
    place = min(place, 8 * len(frame) - 16)
    spoilt = (int.from_bytes(frame, "big") ^ burst << place).to_bytes(len(frame), "big")
    assert feed_all(decoder(), [cobs.encode(spoilt) + b"\0"]) == []


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"\x11",
        b"\x21" + cobs.decode(scan_number(1)[:-1])[1:-2],  # version 2
        b"\x13" + cobs.decode(scan_number(1)[:-1])[1:-2],  # kind 3
        cobs.decode(scan_number(1)[:-1])[:-3],  # a byte short
        cobs.decode(scan_number(1)[:-1])[:-2] + b"\0",  # a byte long
        b"\x11\x09" + bytes(6) + b"\x01\x00" + bytes(2),  # a reading of 9 bits
        b"\x12\x0a",
        b"\x12\x00\x00\x00\x03\x00x",  # bits 0
        b"\x12\x0a\x00\x00\x00\x00x",  # no channels
        b"\x12\x0a\x00\x00\x01\x04x",  # 1025 channels
        b"\x12\x0a\x00\x00\x03\x00" + b"x" * 65,
    ],
)
def test_a_sound_frame_that_says_nothing_we_know_is_damage(payload: bytes) -> None:
    assert readings_of(framed(payload)) == ([], 1)
    made = decoder()
    feed_all(made, [FIRST + framed(payload)])
    assert made.hello is None
    assert made.misfit is None


def test_a_scan_of_another_shape_is_told_apart() -> None:
    made = decoder()
    feed_all(made, [encode_scan(0, 0, [1, 2], 10)])
    assert made.misfit == Misfit(2, 10)
    feed_all(made, [encode_scan(1, 0, [1, 2, 3, 4], 8)])
    assert made.misfit == Misfit(4, 8)
    # Just as many bytes as three readings of 10 bits.
    feed_all(made, [encode_scan(1, 0, [1, 2], 16)])
    assert made.misfit == Misfit(2, 16)
    assert made.counts.scans == 0


def test_the_announcement() -> None:
    made = decoder()
    feed_all(made, cut_at_random(b"\0" + encode_hello(HELLO) + FIRST, 1))
    assert made.hello == HELLO
    assert (made.counts.scans, made.counts.damaged) == (1, 0)
    longest = Hello(1024, 16, 65535, "packed", "v" * 10, "n" * 100)
    feed_all(made, [encode_hello(longest)], 101.0)
    assert made.hello == longest._replace(name="n" * 53)


def test_a_banner_is_no_damage_but_the_same_bytes_later_are() -> None:
    banner = b"boot ok\r\n\0" + scan_number(9)[3:]
    made = decoder()
    feed_all(made, [banner + FIRST])
    assert (made.counts.scans, made.counts.damaged) == (1, 0)
    feed_all(made, [banner], 101.0)
    assert made.counts.damaged == 2
    made.reset()
    feed_all(made, [banner + FIRST], 102.0)
    assert (made.counts.scans, made.counts.damaged) == (2, 2)


def test_a_banner_that_does_not_end_is_damage() -> None:
    made = decoder()
    feed_all(made, [b"garbage\0" * (MAX_BANNER_BYTES // 7)])
    assert made.counts.damaged == 0
    feed_all(made, [b"garbage\0" * 10], 101.0)
    assert made.counts.damaged == 10


def test_an_endless_frame_is_cut_and_counted_once() -> None:
    endless = b"\x01" * (MAX_FRAME_BYTES * 3)
    assert readings_of(endless + b"\0" + scan_number(1)) == ([(4, 5, 600)], 1)
    made = decoder()
    feed_all(made, [FIRST])
    for number in range(40):
        made.feed(endless, 101.0 + number)
        assert len(made._tail) <= MAX_FRAME_BYTES
    assert made.counts.damaged == 1


def test_the_longest_frame_is_not_cut() -> None:
    frame = encode_scan(0xFFFF, 0xFFFFFFFF, [0xFFFF] * 1024, 16)
    assert len(frame) - 1 == MAX_FRAME_BYTES
    for pieces in cuts(frame):
        assert len(feed_all(PackedDecoder(1024, 16), pieces)) == 1


@pytest.mark.parametrize(
    ("numbers", "lost"),
    [
        ([0, 1, 2], 0),
        ([0, 2], 1),
        ([5, 10], 4),
        ([65534, 65535, 0, 1], 0),
        ([65534, 2], 3),
        ([10, 9], 0),  # back: not lost but odd
        ([10, 10], 0),
    ],
)
def test_gaps_in_the_sequence_are_lost_scans(numbers: list[int], lost: int) -> None:
    made = decoder()
    frames = [encode_scan(number, place * 1000, [1, 2, 3], 10)
              for place, number in enumerate(numbers)]  # fmt: skip
    assert len(feed_all(made, frames)) == len(numbers)
    assert made.counts.lost == lost


def test_a_reset_link_has_lost_nothing() -> None:
    made = decoder()
    feed_all(made, [scan_number(1)])
    made.reset()
    feed_all(made, [scan_number(500)], 101.0)
    assert made.counts.lost == 0


def test_the_boards_clock_wraps() -> None:
    made = decoder()
    start_us = (1 << 32) - 250_000
    frames = [encode_scan(n, start_us + n * 1000, [1, 2, 3], 10) for n in range(500)]
    scans = feed_all(made, frames)
    assert all(
        later.time_s - scan.time_s == pytest.approx(0.001) for scan, later in pairwise(scans)
    )


def test_a_restarted_board_is_no_loss_and_its_times_go_on() -> None:
    made = decoder()
    feed_all(made, [scan_number(number) for number in range(30_000, 30_100)])
    scans = made.feed(scan_number(30_100) + scan_number(0) + scan_number(1), 100.3)
    assert made.counts.lost == 0
    assert len(scans) == 3
    assert 100.099 < scans[0].time_s < scans[1].time_s < scans[2].time_s <= 100.3
    assert scans[2].time_s == 100.3


def test_a_board_that_ran_long_and_restarted_seems_to_leap_ahead() -> None:
    """From 50 minutes to 0 is, on a clock that wraps at 71.6 minutes, 21.6 minutes ahead."""
    made = decoder()
    feed_all(made, [encode_scan(40_000, 3_000_000_000, [1, 2, 3], 10)], 9000.0)
    assert made.feed(encode_scan(0, 0, [1, 2, 3], 10), 9000.1)[0].time_s == 9000.1
    assert made.counts.lost == 0


def test_scans_of_one_read_are_told_apart_by_the_boards_clock() -> None:
    made = decoder()
    frames = [encode_scan(n, n * 1000, [1, 2, 3], 10) for n in range(100)]
    feed_all(made, frames)
    uneven = (101_000, 101_700, 104_000)
    scans = made.feed(
        b"".join(encode_scan(100 + n, us, [1, 2, 3], 10) for n, us in enumerate(uneven)), 100.11
    )
    assert [later.time_s - scan.time_s for scan, later in pairwise(scans)] == pytest.approx(
        [0.0007, 0.0023]
    )


PIECES = st.one_of(
    st.binary(max_size=40),
    st.sampled_from([b"\0", FIRST, encode_hello(HELLO), b"\1" * 3000, scan_number(3)[:-4]]),
    st.integers(0, 70_000).map(scan_number),
    st.tuples(st.integers(0, 1 << 32), st.lists(st.integers(0, 255), min_size=1, max_size=4)).map(
        lambda made: encode_scan(made[0], made[0], made[1], 10)
    ),
)


@given(st.lists(PIECES, max_size=20).map(b"".join), st.integers(0, 1000))
def test_where_the_bytes_are_cut_makes_no_difference(data: bytes, seed: int) -> None:
    whole = outcome(decoder, [data])
    assert outcome(decoder, cut_at_random(data, seed)) == whole


@given(st.lists(PIECES, max_size=30))
def test_any_bytes_make_sound_scans_in_order_and_take_bounded_memory(pieces: list[bytes]) -> None:
    made = decoder()
    last_s = 0.0
    for number, piece in enumerate(pieces):
        now_s = 100.0 + number * 0.01
        for scan in made.feed(piece, now_s):
            assert len(scan.readings) == 3
            assert all(0 <= reading <= 1023 for reading in scan.readings)
            assert last_s <= scan.time_s <= now_s
            last_s = scan.time_s
        assert len(made._tail) <= MAX_FRAME_BYTES


def test_one_byte_in_a_hundred_changed() -> None:
    """No reading that was not sent comes out, and every scan is accounted for."""
    rng = random.Random(5)
    sent = [tuple(rng.randrange(1024) for _ in range(24)) for _ in range(5000)]
    wire = bytearray(b"".join(encode_scan(n, n * 1000, row, 10) for n, row in enumerate(sent)))
    for place in range(len(wire)):
        if rng.random() < 0.01:
            wire[place] ^= rng.randrange(1, 256)
    made = PackedDecoder(24, 10)
    got = [tuple(scan.readings) for scan in feed_all(made, cut_at_random(bytes(wire), 1))]
    assert 2500 < len(got) < 4500
    assert set(got) <= set(sent)
    assert made.counts.lost >= len(sent) - len(got) - 20
