"""What some bytes from a board look like: which wire format, of what shape; pure."""

from __future__ import annotations

import re
from collections import Counter
from enum import StrEnum
from typing import NamedTuple

from matbridge.board.hello import Hello
from matbridge.board.packed import PackedDecoder
from matbridge.board.text import TextDecoder

# Bytes looked at: some tens of scans of the largest mat.
MAX_BYTES = 65_536

# A line of numbers is text of ours if this share of all whole lines has as many as it.
AGREEING_SHARE = 0.8

# At a wrong baud most bytes are no printable ASCII.
PRINTABLE_SHARE = 0.95

# Widths that converters have.
CONVERTER_BITS = (1, 8, 10, 12, 14, 16)

_NUMBERS = re.compile(
    rb"[\s,;]*(?:0[xX][0-9a-fA-F]+|[0-9]+)(?:[\s,;]+(?:0[xX][0-9a-fA-F]+|[0-9]+))*[\s,;]*"
)
_NUMBER = re.compile(rb"0[xX][0-9a-fA-F]+|[0-9]+")


class Looks(StrEnum):
    """What bytes look like."""

    NOTHING = "nothing"  # there are none
    TEXT = "text"  # lines of numbers
    PACKED = "packed"  # frames with a right checksum
    WORDS = "words"  # text, but not lines of as many numbers each
    NOISE = "noise"  # neither: a wrong baud, or another program


class Guess(NamedTuple):
    """channels, bits: of a scan, for TEXT and PACKED, else 0; of text it has at least those bits.

    hello: what the board announced, or None. sample: the start of it, for WORDS, printable.
    """

    looks: Looks
    channels: int = 0
    bits: int = 0
    hello: Hello | None = None
    sample: str = ""


def guess(data: bytes) -> Guess:
    """What the bytes look like; they may begin and end in the middle of anything."""
    data = data[:MAX_BYTES]
    if not data:
        return Guess(Looks.NOTHING)
    return _packed(data) or _text(data) or Guess(Looks.NOISE)


def _packed(data: bytes) -> Guess | None:
    # A decoder for a mat that nobody has: every sound scan is a misfit to it, and says its shape.
    decoder = PackedDecoder(1, 1)
    scans = decoder.feed(data, 0.0)
    if decoder.misfit is not None:
        return Guess(Looks.PACKED, decoder.misfit.channels, decoder.misfit.bits, decoder.hello)
    if scans:
        return Guess(Looks.PACKED, 1, 1, decoder.hello)
    return None


def _text(data: bytes) -> Guess | None:
    printable = sum(32 <= byte < 127 or byte in b"\t\r\n" for byte in data)
    if printable < PRINTABLE_SHARE * len(data):
        return None
    announcements = TextDecoder(1, 1)
    announcements.feed(b"\n" + data, 0.0)
    whole = [line.strip() for line in data.split(b"\n")[1:-1]]
    lines = [line for line in whole if line and not line.startswith(b"#")]
    rows = [_NUMBER.findall(line) for line in lines if _NUMBERS.fullmatch(line)]
    counts = Counter(map(len, rows))
    channels, agreeing = counts.most_common(1)[0] if counts else (0, 0)
    if not lines or agreeing < AGREEING_SHARE * len(lines):
        sample = data.strip()[:60].decode("ascii", "replace")
        return Guess(Looks.WORDS, hello=announcements.hello, sample=" ".join(sample.split()))
    highest = max(int(word, 0 if word[1:2] in b"xX" and len(word) > 1 else 10)
                  for row in rows if len(row) == channels for word in row)  # fmt: skip
    bits = next((bits for bits in CONVERTER_BITS if highest < 1 << bits), highest.bit_length())
    return Guess(Looks.TEXT, channels, bits, announcements.hello)
