"""The text wire format."""

from __future__ import annotations

import sys
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matbridge.board.hello import Hello, to_line
from matbridge.board.scan import MAX_BANNER_BYTES, Misfit
from matbridge.board.text import _MAX_WORDS, MAX_LINE_BYTES, TextDecoder, _Words
from tests.support.feeding import cut_at_random, cuts, feed_all, outcome

START = b"\n"
GOOD = b"1,2,3\n"
HELLO = Hello(3, 10, 1000, "text", "1.2", "stepping stones")


def decoder() -> TextDecoder:
    return TextDecoder(3, 10)


def readings_of(data: bytes) -> tuple[list[tuple[int, ...]], int]:
    """Readings, and how many were damaged, of bytes that follow a first good line."""
    results = [outcome(decoder, pieces) for pieces in cuts(START + GOOD + data)]
    assert all(result == results[0] for result in results)
    made = decoder()
    scans = feed_all(made, [START + GOOD + data])
    assert list(scans[0].readings) == [1, 2, 3]
    return [tuple(scan.readings) for scan in scans[1:]], made.counts.damaged


@pytest.mark.parametrize(
    "line",
    [
        b"4,5,600\n",
        b"4;5;600\n",
        b"4\t5\t600\n",
        b"4 5 600\n",
        b"4, 5, 600\n",
        b"4 , 5 ;\t600\n",
        b"4,5,600\r\n",
        b"4 5 600\r\n",
        b"  4,5,600  \n",
        b"4,5,600,\n",
        b"4;5;600; \r\n",
        b"0x4,0X5,0x258\n",
        b"0x4 5 0x0258\n",
        b"004,005,0600\n",
    ],
)
def test_every_way_to_write_a_scan(line: bytes) -> None:
    assert readings_of(line) == ([(4, 5, 600)], 0)
    # The separator of a line is no promise for the next one.
    assert readings_of(line + b"7;8;9\n10 11 12\n" + line) == (
        [(4, 5, 600), (7, 8, 9), (10, 11, 12), (4, 5, 600)],
        0,
    )


@pytest.mark.parametrize(
    "line", [b"\n", b"\r\n", b"  \t \n", b"# 1,2,3\n", b"  #\n", b"#board\r\n"]
)
def test_blank_lines_and_comments_are_passed_over(line: bytes) -> None:
    assert readings_of(line + b"4,5,6\n" + line + b"4 5 6\n" + line) == ([(4, 5, 6), (4, 5, 6)], 0)


@pytest.mark.parametrize(
    "line",
    [
        b"4,5\n",
        b"4,5,6,7\n",
        b"4,5,\n",
        b"4,,6\n",
        b",4,5,6\n",
        b"4,5,6,,\n",
        b"4,5,x\n",
        b"4,5,-6\n",
        b"4,5,+6\n",
        b"4,5,6.0\n",
        b"4,5,1e2\n",
        b"4,5,1_0\n",
        b"4,5,0x\n",
        b"4,5,1024\n",
        b"4,5,0x400\n",
        b"4,5,99999999999999999999\n",
        b"4,5,\xb2\n",
        "4,5,٣\n".encode(),
        b"4,5,6\xa0\n",
        b"4,5,6\0\n",
        b"4,5,6 7\n",
        b"4,5\r6\n",
        b"4,5,6 # warm\n",
        b"ready\n",
    ],
)
def test_any_other_line_is_damage(line: bytes) -> None:
    assert readings_of(line) == ([], 1)
    assert readings_of(line + b"4,5,6\n" + line + b"7 8 9\n") == ([(4, 5, 6), (7, 8, 9)], 2)


def test_a_reading_at_the_edge_of_the_range() -> None:
    assert readings_of(b"0,1023,0x3ff\n") == ([(0, 1023, 1023)], 0)
    assert [tuple(scan.readings) for scan in TextDecoder(1, 16).feed(b"\n65535\n65536\n", 1.0)] == [
        (65535,)
    ]


def test_what_comes_before_the_first_line_end_is_never_a_scan() -> None:
    made = decoder()
    # The tail of "123,2,3": sound to look at, and wrong.
    assert made.feed(b"3,2,3\n4,5,6\n", 1.0)[0].readings == [4, 5, 6]
    assert made.counts.damaged == 0
    made.reset()
    assert made.feed(b"3,2,3\n", 2.0) == []
    assert len(made.feed(GOOD, 2.1)) == 1


def test_a_banner_is_no_damage_but_the_same_words_later_are() -> None:
    banner = b"\nboot ok\r\nclock 80 MHz, 4 5\nload:0x3fff,len:1\n"
    made = decoder()
    assert len(feed_all(made, [banner + GOOD])) == 1
    assert made.counts.damaged == 0
    assert len(feed_all(made, [banner + GOOD], 101.0)) == 1
    assert made.counts.damaged == 3
    made.reset()
    assert len(feed_all(made, [banner + GOOD], 102.0)) == 1
    assert made.counts.damaged == 3


def test_a_banner_that_does_not_end_is_damage() -> None:
    line = b"\xfe\x80garbage of a wrong baud\n"
    made = decoder()
    feed_all(made, [START, line * (MAX_BANNER_BYTES // (len(line) - 1))])
    assert made.counts.damaged == 0
    feed_all(made, [line * 10], 101.0)
    assert made.counts.damaged == 10


def test_an_endless_line_is_cut_and_counted_once() -> None:
    endless = b"1" * (MAX_LINE_BYTES * 3)
    assert readings_of(endless + b"\n4,5,6\n") == ([(4, 5, 6)], 1)
    made = decoder()
    feed_all(made, [START, GOOD])
    for number in range(40):
        made.feed(endless, 101.0 + number)
        assert sys.getsizeof(made._tail) <= MAX_LINE_BYTES + 100
    assert made.counts.damaged == 1


@pytest.mark.parametrize("spaces", [MAX_LINE_BYTES - 5, MAX_LINE_BYTES - 4])
def test_the_longest_line(spaces: int) -> None:
    line = b" " * spaces + b"4 5 6\n"
    fits = spaces + 5 <= MAX_LINE_BYTES
    assert readings_of(line) == ([(4, 5, 6)] if fits else [], 0 if fits else 1)


def test_the_widest_scan_fits_a_line() -> None:
    line = b", ".join([b"0xFFFF"] * 1023 + [b"65535"]) + b"\r\n"
    assert len(line) <= MAX_LINE_BYTES
    assert len(TextDecoder(1024, 16).feed(START + line, 1.0)) == 1


def test_the_announcement_is_taken_from_a_comment() -> None:
    made = decoder()
    assert made.hello is None
    feed_all(made, cut_at_random(START + b"# board: later\n" + to_line(HELLO) + GOOD, 1))
    assert made.hello == HELLO
    feed_all(made, [b"# another comment\n", GOOD], 101.0)
    assert made.hello == HELLO


def test_a_scan_of_another_shape_is_told_apart() -> None:
    made = decoder()
    feed_all(made, [START, b"4,5\n" * 3])
    assert made.misfit == Misfit(2, 3)
    feed_all(made, [b"4,4095,7\n"], 101.0)
    assert made.misfit == Misfit(3, 12)
    feed_all(made, [b"4,x,7,8\n"], 102.0)
    assert made.misfit == Misfit(3, 12)


def test_scans_of_one_read_are_spread_over_the_past() -> None:
    made = decoder()
    feed_all(made, [START] + [GOOD] * 500)  # one a millisecond, until 100.5 s
    scans = made.feed(GOOD * 10, 100.51)
    gaps = [later.time_s - scan.time_s for scan, later in pairwise(scans)]
    assert gaps == pytest.approx([0.001] * 9, rel=0.01)
    assert scans[-1].time_s == pytest.approx(100.51, abs=1e-4)


def test_a_damaged_line_takes_the_time_of_a_scan() -> None:
    made = decoder()
    feed_all(made, [START] + [GOOD] * 500)
    times = [scan.time_s for scan in made.feed(GOOD + b"1,x,3\n" * 3 + GOOD * 2, 100.506)]
    assert [later - time_s for time_s, later in pairwise(times)] == pytest.approx(
        [0.004, 0.001], rel=0.01
    )


PIECES = st.one_of(
    st.binary(max_size=40),
    st.sampled_from([b"\n", b"\r\n", GOOD, b"4;5;6\r\n", b"7 8 9\n", b"# x\n", b"4,5\n"]),
    st.sampled_from([b"4,5,9999\n", to_line(HELLO), b"9" * 9000, b"0x"]),
    st.lists(st.integers(0, 2000), min_size=1, max_size=5).map(
        lambda row: (",".join(map(str, row)) + "\n").encode()
    ),
)


@given(st.lists(PIECES, max_size=30).map(b"".join), st.integers(0, 1000))
def test_where_the_bytes_are_cut_makes_no_difference(data: bytes, seed: int) -> None:
    whole = outcome(decoder, [data])
    assert outcome(decoder, cut_at_random(data, seed)) == whole
    assert outcome(decoder, [data[at : at + 1] for at in range(len(data))]) == whole


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
        assert len(made._tail) <= MAX_LINE_BYTES


@given(
    st.lists(st.lists(st.integers(0, 1023), min_size=3, max_size=3), min_size=1, max_size=20),
    st.sampled_from([",", ";", "\t", " ", ", ", " ; "]),
    st.sampled_from(["\n", "\r\n", ",\n"]),
    st.sampled_from([str, hex, "{:04d}".format]),
)
def test_what_a_board_writes_is_read_back(
    rows: list[list[int]], separator: str, end: str, form: type[str]
) -> None:
    data = "\n" + "".join(separator.join(map(form, row)) + end for row in rows)
    made = decoder()
    assert [scan.readings for scan in feed_all(made, [data.encode()])] == rows
    assert (made.counts.scans, made.counts.damaged, made.counts.lost) == (len(rows), 0, 0)


def test_the_memory_of_words_is_bounded() -> None:
    words = _Words(65535)
    for number in range(3 * _MAX_WORDS):
        assert words[b"%d" % number] == number
        assert len(words) <= _MAX_WORDS
    known = len(words)
    assert words[b" " * 4000 + b"7"] == 7
    assert len(words) == known


def test_more_words_than_are_remembered_are_still_read() -> None:
    made = TextDecoder(2, 16)
    rows = [[number, 65535 - number] for number in range(0, 65536, 2)]
    data = b"\n" + b"".join(b"%d,0x%x\n" % (a, b) for a, b in rows)
    assert [scan.readings for scan in made.feed(data, 1.0)] == rows
