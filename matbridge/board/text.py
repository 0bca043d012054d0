"""The text wire format: one line a scan, one number a reading.

    512,498,0x1F4,3        numbers are decimal or 0x, parted by comma, semicolon, tab or spaces;
                           LF or CRLF ends the line; one separator more at its end does no harm
    # anything             a comment; one kind of it is the board's announcement (see `hello`)
                           blank lines are passed over like comments

What becomes of a line:

    up to the first line end    dropped: the link may have been opened in the middle of it. A board
    after the link was opened   therefore sends an empty line when it starts
    channels numbers, each      a scan
    0 to 2**bits - 1
    anything else               before the first scan, up to MAX_BANNER_BYTES: the banner of a board
                                that starts, dropped. Afterwards: damage, counted
    longer than MAX_LINE_BYTES  cut and dropped up to its end, counted as one damage

Text carries no checksum: a digit that became another digit on the way cannot be told. Where the
wire is long, use the packed format.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from matbridge.board.clock import BoardClock
from matbridge.board.hello import Hello, from_line
from matbridge.board.scan import MAX_BANNER_BYTES, LinkCounts, Misfit, Scan

# 1024 readings of five digits, each with a comma and a space, fit.
MAX_LINE_BYTES = 8192

# A remembered word is at most this long: a number, a space or two, a carriage return.
_MAX_WORD_BYTES = 16

# Words that a decoder remembers: every reading of a 14-bit converter, about 2 MiB. When a wider one
# has filled it up, it is emptied.
_MAX_WORDS = 1 << 14

_SEPARATED = re.compile(rb"[ \t]*[,;][ \t]*|[ \t]+")
_NUMBER = re.compile(rb"[ \t\r]*(?:([0-9]{1,10})|0[xX]([0-9a-fA-F]{1,8}))[ \t\r]*")


class _Words(dict[bytes, int]):
    """Numbers as they are written, to readings in range; ValueError for a word that is none.

    A board says the same few hundred words all day, and looking one up is faster than parsing it.
    """

    __slots__ = ("_top",)

    def __init__(self, top: int) -> None:
        super().__init__()
        self._top = top

    def __missing__(self, word: bytes) -> int:
        value = _number(word)
        if value > self._top:
            raise ValueError
        if len(word) <= _MAX_WORD_BYTES:
            if len(self) >= _MAX_WORDS:
                self.clear()
            self[word] = value
        return value


def _number(word: bytes) -> int:
    found = _NUMBER.fullmatch(word)
    if found is None:
        raise ValueError
    decimal, hexadecimal = found.groups()
    return int(decimal) if decimal is not None else int(hexadecimal, 16)


class TextDecoder:
    """Implements Decoder for a board of `channels` readings of `bits` bits each."""

    __slots__ = ("_channels", "_clock", "_reading", "_separator", "_skipping", "_spare_bytes",
                 "_steps", "_tail", "counts", "hello", "misfit")  # fmt: skip

    def __init__(self, channels: int, bits: int) -> None:
        self.counts = LinkCounts()
        self.hello: Hello | None = None
        self.misfit: Misfit | None = None
        self._channels = channels
        self._reading: Callable[[bytes], int] = _Words((1 << bits) - 1).__getitem__
        self._separator: bytes | None = b","  # of the last good line; None: tabs and spaces
        self._clock = BoardClock(None)
        self.reset()

    def reset(self) -> None:
        self._tail = b""
        self._skipping = True  # drop what comes before the next line end
        self._spare_bytes = MAX_BANNER_BYTES  # what may still pass for a banner
        self._steps = 1  # scan periods since the last scan: one, and one for each damaged line
        self._clock.restart()

    def feed(self, data: bytes, now_s: float) -> list[Scan]:
        lines = (self._tail + data).split(b"\n")
        self._tail = lines.pop()
        if self._skipping and lines:
            del lines[0]
            self._skipping = False
        rows: list[list[int]] = []
        steps: list[int] = []
        channels = self._channels
        reading = self._reading
        for line in lines:
            if len(line) > MAX_LINE_BYTES:
                self._count_damage(len(line))
                continue
            try:
                row = list(map(reading, line.split(self._separator)))
            except ValueError:
                row = self._read_slowly(line)
            if len(row) == channels:
                rows.append(row)
                steps.append(self._steps)
                self._steps = 1
                self._spare_bytes = 0
            elif row:
                self._count_misfit(row, len(line))
        if len(self._tail) > MAX_LINE_BYTES:
            if not self._skipping:
                self._count_damage(len(self._tail))
            self._tail = b""
            self._skipping = True
        if not rows:
            return []
        self.counts.scans += len(rows)
        return list(map(Scan, self._clock.times(steps, now_s), rows))

    def _read_slowly(self, line: bytes) -> list[int]:
        """The readings in a line that the quick way could not read; none if it is no scan."""
        content = line.strip(b" \t\r")
        if not content:
            return []
        if content.startswith(b"#"):
            self.hello = from_line(content.decode("ascii", "replace")) or self.hello
            return []
        words = _SEPARATED.split(content)
        if not words[-1]:
            words.pop()
        try:
            row = list(map(self._reading, words))
        except ValueError:
            self._refuse(words, len(line))
            return []
        if b"," in content:
            self._separator = b","
        elif b";" in content:
            self._separator = b";"
        else:
            self._separator = None
        return row

    def _refuse(self, words: list[bytes], size: int) -> None:
        """Count a line with a word that is no number, or a reading above the range."""
        try:
            row = list(map(_number, words))
        except ValueError:
            self._count_damage(size)
        else:
            self._count_misfit(row, size)

    def _count_misfit(self, row: list[int], size: int) -> None:
        self.misfit = Misfit(len(row), max(row).bit_length())
        self._count_damage(size)

    def _count_damage(self, size: int) -> None:
        if size <= self._spare_bytes:
            self._spare_bytes -= size
            return
        self._spare_bytes = 0
        self._steps += 1
        self.counts.damaged += 1
