"""The checksum and the stuffing of the packed format, against published values.

CRC: the catalogue of parametrised CRC algorithms (reveng), over the ASCII digits 1 to 9, and the
general CRC library crcmod. COBS: encodings as printed by PyPI `cobs`; the abstract of Cheshire and
Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on Networking 7(2), 1999, states
the cost of at most one byte in 254. The example of an IP header is that paper's, from memory.
"""

from __future__ import annotations

from binascii import crc_hqx

import pytest
from cobs import cobs
from crc import Calculator, Crc16
from hypothesis import given
from hypothesis import strategies as st

from matbridge.board import packed

IBM_3740 = Calculator(Crc16.IBM_3740.value)
DIGITS = b"123456789"


def test_the_checksum_is_ibm_3740() -> None:
    assert crc_hqx(DIGITS, packed.CRC_INIT) == 0x29B1


@pytest.mark.parametrize(
    ("init", "check", "name"), [(0, 0x31C3, "XMODEM"), (0x1D0F, 0xE5CC, "SPI-FUJITSU")]
)
def test_it_is_none_of_its_neighbours(init: int, check: int, name: str) -> None:
    """The initial value alone tells them apart, so that it must be stated."""
    assert crc_hqx(DIGITS, init) == check != crc_hqx(DIGITS, packed.CRC_INIT), name


@given(st.binary(max_size=300))
def test_the_checksum_agrees_with_a_crc_library(data: bytes) -> None:
    expected = IBM_3740.checksum(data)
    assert crc_hqx(data, packed.CRC_INIT) == expected
    assert crc_hqx(data + expected.to_bytes(2, "big"), packed.CRC_INIT) == 0


@given(st.lists(st.integers(0, 1023), min_size=1, max_size=60), st.integers(0, 70_000))
def test_a_frame_carries_that_checksum(readings: list[int], sequence: int) -> None:
    frame = cobs.decode(packed.encode_scan(sequence, 0, readings, 10)[:-1])
    expected = IBM_3740.checksum(frame[:-2])
    assert frame[-2:] == expected.to_bytes(2, "big")


RISING = bytes(range(1, 256))


@pytest.mark.parametrize(
    ("plain", "stuffed"),
    [
        (b"", "01"),
        (b"\0", "01 01"),
        (b"\0\0", "01 01 01"),
        (b"\x00\x11\x00", "01 02 11 01"),
        (b"\x11\x22\x00\x33", "03 11 22 02 33"),
        (b"\x11\x22\x33\x44", "05 11 22 33 44"),
        (b"\x11\x00\x00\x00", "02 11 01 01 01"),
        (bytes.fromhex("4500002C4C79000040064F37"), "02 45 01 04 2C 4C 79 01 05 40 06 4F 37"),
        (RISING[:254], "FF" + RISING[:254].hex()),
        (b"\0" + RISING[:254], "01 FF" + RISING[:254].hex()),
        (RISING, "FF" + RISING[:254].hex() + "02 FF"),
        (RISING[1:] + b"\0", "FF" + RISING[1:].hex() + "01 01"),
        (RISING[2:] + b"\0\x01", "FE" + RISING[2:].hex() + "02 01"),
    ],
)
def test_the_stuffing(plain: bytes, stuffed: str) -> None:
    assert cobs.encode(plain) == bytes.fromhex(stuffed)
    assert cobs.decode(bytes.fromhex(stuffed)) == plain


@pytest.mark.parametrize("wrong", ["00", "03 11", "02 00", "05 11 22 00 44", "FF 01"])
def test_what_was_never_stuffed_is_refused(wrong: str) -> None:
    with pytest.raises(cobs.DecodeError):
        cobs.decode(bytes.fromhex(wrong))


@given(st.binary(max_size=2100))
def test_the_cost_of_stuffing(data: bytes) -> None:
    stuffed = cobs.encode(data)
    assert 0 not in stuffed
    assert len(data) < len(stuffed) <= len(data) + 1 + len(data) // 254
