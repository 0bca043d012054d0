"""What leaves the board stage: scans, and a count of what could not become one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol

from matbridge.board.hello import Hello

# Bytes without one good scan, after the link was opened, that pass for the start-up talk of a board
# (boot loaders print up to about 2 KiB, some at another baud). What goes on longer is damage.
MAX_BANNER_BYTES = 4096


class Scan(NamedTuple):
    """One reading of every channel of a board at one time.

    time_s: seconds on the bridge's monotonic clock. It never goes back from scan to scan, and is
        corrected by the board's own clock where the wire format carries one.
    readings: one integer a channel, 0 to 2**bits - 1, in the board's own order.
    """

    time_s: float
    readings: Sequence[int]


class Misfit(NamedTuple):
    """A scan that was sound, but of another shape than the mat file says.

    channels: readings in it. bits: width of a reading as sent, or that its highest reading needs.
    """

    channels: int
    bits: int


@dataclass(slots=True)
class LinkCounts:
    """How a link has fared since the decoder was made. Only ever counts up.

    scans: scans decoded. damaged: frames or lines that were cut, malformed or failed their
    checksum, and so became nothing. lost: scans that the sequence numbers say were sent but never
    seen (always 0 for a format without them).
    """

    scans: int = 0
    damaged: int = 0
    lost: int = 0


class Decoder(Protocol):
    """Bytes of one wire format to scans; pure, and never raises for any bytes.

    Of what is fed it makes scans, keeps an incomplete tail for the next call, passes over what the
    format says is no scan (comments, the banner of a board that starts), or counts damage.

    hello: what the board last said it is, or None. misfit: the last scan of another shape, or
    None; it also counts as damaged.
    """

    counts: LinkCounts
    hello: Hello | None
    misfit: Misfit | None

    def feed(self, data: bytes, now_s: float) -> Sequence[Scan]:
        """The scans completed by `data`, which was read at `now_s` (monotonic seconds)."""

    def reset(self) -> None:
        """Forget an incomplete tail and the clock's history; the link was opened anew."""
