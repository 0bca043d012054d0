"""Guessing a wire format from bytes: real ones of either, cut anywhere, and what is neither."""

from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matbridge.board.guess import Looks, guess
from matbridge.board.hello import Hello, to_line
from matbridge.board.packed import encode_hello, encode_scan

HELLO = Hello(12, 10, 500, "text", "1.2", "harbour mat")


def text_scans(channels: int, top: int, separator: str = ",", count: int = 30) -> bytes:
    rng = Random(1)
    rows = [[rng.randrange(top + 1) for _ in range(channels - 1)] + [top] for _ in range(count)]
    return "".join(separator.join(map(str, row)) + "\r\n" for row in rows).encode()


def packed_scans(channels: int, bits: int, count: int = 30) -> bytes:
    rng = Random(1)
    return b"".join(
        encode_scan(
            number, number * 2000, [rng.randrange(1 << bits) for _ in range(channels)], bits
        )
        for number in range(count)
    )


@pytest.mark.parametrize("separator", [",", "; ", "\t", "  "])
@pytest.mark.parametrize(("channels", "top", "bits"), [(1, 1, 1), (12, 1023, 10), (24, 4000, 12)])
def test_text_is_known_by_its_shape(separator: str, channels: int, top: int, bits: int) -> None:
    found = guess(text_scans(channels, top, separator))
    assert (found.looks, found.channels, found.bits) == (Looks.TEXT, channels, bits)


def test_hex_numbers_are_numbers() -> None:
    found = guess(b"0x3FF,12,0x0\n" * 20)
    assert (found.looks, found.channels, found.bits) == (Looks.TEXT, 3, 10)


@pytest.mark.parametrize(("channels", "bits"), [(1, 8), (12, 10), (384, 16)])
def test_packed_is_known_by_its_checksums(channels: int, bits: int) -> None:
    found = guess(packed_scans(channels, bits))
    assert (found.looks, found.channels, found.bits) == (Looks.PACKED, channels, bits)


def test_announcements_are_heard() -> None:
    assert guess(to_line(HELLO) + text_scans(12, 1000)).hello == HELLO
    packed = HELLO._replace(format="packed")
    assert guess(b"\0" + encode_hello(packed) + packed_scans(12, 10)).hello == packed


@given(st.integers(0, 400), st.integers(600, 1500))
def test_bytes_may_begin_and_end_anywhere(start: int, end: int) -> None:
    assert guess(text_scans(12, 1023)[start:end]).looks is Looks.TEXT
    assert guess(packed_scans(24, 10, 60)[start:end]).looks is Looks.PACKED


def test_words_are_quoted_and_no_scans() -> None:
    found = guess(b"ets Jun  8 2016\r\nrst:0x1 (POWERON_RESET),boot:0x13\r\nmode:DIO\r\n" * 3)
    assert found.looks is Looks.WORDS
    assert found.sample.startswith("ets Jun 8 2016 rst:0x1")
    assert found.sample.isprintable()


def test_lines_of_differing_length_are_no_scans() -> None:
    ragged = b"".join(b",".join(b"5" for _ in range(1 + n % 4)) + b"\n" for n in range(40))
    assert guess(ragged).looks is Looks.WORDS


def test_text_heard_at_a_wrong_baud_is_noise() -> None:
    """At twice the rate every bit is seen twice: half of the bytes come out as no ASCII."""
    heard = bytearray()
    for byte in text_scans(12, 1023):
        line = [0, *((byte >> bit) & 1 for bit in range(8)), 1]
        twice = [bit for bit in line for _ in range(2)]
        for start in (0, 10):
            heard.append(
                sum(bit << place for place, bit in enumerate(twice[start + 1 : start + 9]))
            )
    assert guess(bytes(heard)).looks is Looks.NOISE


def test_no_bytes_look_like_nothing() -> None:
    assert guess(b"").looks is Looks.NOTHING


@given(st.binary(max_size=400))
def test_any_bytes_look_like_something(data: bytes) -> None:
    found = guess(data)
    assert (found.looks in (Looks.TEXT, Looks.PACKED)) == (found.channels > 0)
