"""The simulated mat as a way to a board: the bytes a board would send, when it would send them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

from matbridge.board.hello import QUERY, Hello, to_line
from matbridge.board.link import BoardLink
from matbridge.board.packed import encode_hello, encode_scan, width_for
from matbridge.board.scan import Scan
from matbridge.board.simulated.mat import SimulatedMat
from matbridge.board.simulated.pieces import PIECES
from matbridge.board.simulated.render import Renderer
from matbridge.board.simulated.score import Press
from matbridge.loop import Loop, Timer

# Common practice for boards that read feet is 250-500 Hz, for hands 1 kHz.
DEFAULT_RATE_HZ = 500.0

# Scans leave in small batches, as through a USB bridge; 5 ms is not noticed and costs few wake-ups.
BATCH_S = 0.005

# Of a scan or a batch: what the sum of a start and a distance may be short of, in floating point.
ROUNDING = 1e-3

# After a longer stall (a suspended laptop) the mat goes on from now, not from then.
LONGEST_STALL_S = 1.0

# A piece that ends leaves the mat empty for so long before the end.
EMPTY_END_S = 0.3


class SimulatedLink(BoardLink):
    """A board that is always there and plays a piece; `open` starts it from the beginning.

    on_end: called once when `seconds` are over; the link is silent from then on.
    """

    on_end: Callable[[], None] | None = None

    def __init__(
        self,
        mat: SimulatedMat,
        *,
        format: str = "text",  # noqa: A002  the key of the mat file
        rate_hz: float = DEFAULT_RATE_HZ,
        seed: int = 1,
        piece: str = "tide",
        seconds: float | None = None,
    ) -> None:
        """format: "text" or "packed". rate_hz: scans a second. piece: a name of PIECES.

        seconds: how long it plays, or for ever when None. Raises ValueError for a format or a
        piece that there is not.
        """
        if piece not in PIECES:
            raise ValueError(f"there is no piece '{piece}'; there are {', '.join(PIECES)}")
        self._greeting = greeting(mat, format, rate_hz)
        self._encode = encoder(format, mat.bits)
        self._mat = mat
        self._rate_hz = rate_hz
        self._seed = seed
        self._piece = piece
        self._seconds = seconds
        self._loop: Loop | None = None
        self._timer: Timer | None = None
        self._over = False
        self._start_s = 0.0
        self._sent = 0
        self._scans: Iterator[Scan] = iter(())

    def open(self, loop: Loop) -> None:
        self.close()
        self._loop = loop
        self._over = False
        self._sent = 0
        self._scans = self._play()
        self._start_s = loop.now_s()
        self._timer = loop.call_at(self._start_s, self._begin)

    def write(self, data: bytes) -> None:
        loop = self._loop
        if loop is not None and not self._over and QUERY in data:
            loop.call_at(loop.now_s(), self._greet)

    def close(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer = None
        self._loop = None

    def status(self) -> Mapping[str, object]:
        found = self._loop is not None and not self._over
        facts: dict[str, object] = {"port": "simulated", "found": found}
        facts |= {"piece": self._piece, "rate_hz": self._rate_hz, "sent": self._sent}
        if not found:
            facts["why"] = "the piece is over" if self._over else "not open"
        return facts

    def _play(self) -> Iterator[Scan]:
        presses = PIECES[self._piece](self._mat, self._seed)
        if self._seconds is not None:
            presses = _ending(presses, self._seconds - EMPTY_END_S)
        renderer = Renderer(presses, self._mat, self._rate_hz, self._seed)
        while True:
            yield from renderer.block()

    def _begin(self) -> None:
        self.on_found()
        self._greet()
        self._send_due()

    def _greet(self) -> None:
        if self._loop is not None:
            self.on_data(self._greeting, self._loop.now_s())

    def _send_due(self) -> None:
        loop, rate_hz = self._loop, self._rate_hz
        if loop is None:
            return
        now_s = loop.now_s()
        due = int((now_s - self._start_s) * rate_hz + ROUNDING) + 1
        if due - self._sent > LONGEST_STALL_S * rate_hz:
            self._start_s += (due - self._sent - 1) / rate_hz
            due = self._sent + 1
        if self._seconds is not None:
            last = int(self._seconds * rate_hz)
            self._over = due >= last
            due = min(due, last)
        while self._sent < due:
            read_s = min(now_s, self._start_s + self._sent / rate_hz)
            data = self._encode(self._sent, next(self._scans))
            self._sent += 1
            self.on_data(data, read_s)
            if self._loop is None:
                return  # closed by whoever took the data
        if self._over:
            self._timer = None
            if self.on_end is not None:
                self.on_end()
            return
        batches = int((now_s - self._start_s) / BATCH_S + ROUNDING) + 1
        self._timer = loop.call_at(self._start_s + batches * BATCH_S, self._send_due)


def encoder(format: str, bits: int) -> Callable[[int, Scan], bytes]:  # noqa: A002
    """From the number of a scan and the scan to its bytes in a wire format.

    Raises ValueError for a format that there is not.
    """
    if format == "text":
        return lambda _, scan: ",".join(map(str, scan.readings)).encode() + b"\n"
    if format == "packed":
        width = width_for(bits)
        return lambda number, scan: encode_scan(
            number, round(scan.time_s * 1e6), scan.readings, width
        )
    raise ValueError(f"the simulated mat speaks text or packed, not '{format}'")


def greeting(mat: SimulatedMat, format: str, rate_hz: float) -> bytes:  # noqa: A002
    """What the board sends when it starts and when it is asked: an end of line, then its name."""
    channels = len(mat.zone_of_channel)
    hello = Hello(channels, mat.bits, round(rate_hz), format, "simulated", "simulated mat")
    return b"\0" + encode_hello(hello) if format == "packed" else b"\n" + to_line(hello)


def _ending(presses: Iterator[Press], end_s: float) -> Iterator[Press]:
    for press in presses:
        if press.start_s >= end_s:
            return
        if press.end_s <= end_s:
            yield press
