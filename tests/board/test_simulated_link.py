"""The simulated mat as a board: its bytes go through the real decoders, and come in time."""

from __future__ import annotations

import pytest

from matbridge.board.packed import PackedDecoder, encode_scan
from matbridge.board.scan import Decoder, Scan
from matbridge.board.simulated import SimulatedLink, SimulatedMat, render
from matbridge.board.simulated.link import encoder
from matbridge.board.simulated.mat import stepping_stones
from matbridge.board.simulated.pieces import tide
from matbridge.board.text import TextDecoder
from tests.support.loop import ManualLoop

MAT = SimulatedMat(stepping_stones(5, 3, 45.0))
ZONES = len(MAT.places_cm)


class Listener:
    """Takes what a link brings, as the bridge would."""

    def __init__(self, link: SimulatedLink, format: str) -> None:  # noqa: A002
        self.chunks: list[tuple[bytes, float]] = []
        self.scans: list[Scan] = []
        self.found = 0
        self.ended = 0
        self.decoder: Decoder = (
            TextDecoder(ZONES, 10) if format == "text" else PackedDecoder(ZONES, 10)
        )
        link.on_data = self.data
        link.on_found = self.start
        link.on_lost = lambda: pytest.fail("a simulated mat is never lost")
        link.on_end = self.end

    def data(self, data: bytes, read_s: float) -> None:
        self.chunks.append((data, read_s))
        self.scans += self.decoder.feed(data, read_s)

    def start(self) -> None:
        self.found += 1
        self.decoder.reset()

    def end(self) -> None:
        self.ended += 1


def heard(
    format: str,  # noqa: A002
    seconds: float,
    rate_hz: float = 500.0,
    seed: int = 3,
) -> tuple[Listener, ManualLoop]:
    link = SimulatedLink(MAT, format=format, rate_hz=rate_hz, seed=seed, seconds=seconds)
    listener, loop = Listener(link, format), ManualLoop()
    link.open(loop)
    loop.advance(seconds + 1.0)
    link.close()
    return listener, loop


@pytest.mark.parametrize("format", ["text", "packed"])
@pytest.mark.parametrize("rate_hz", [250.0, 500.0, 1000.0])
def test_a_decoder_gets_every_scan_that_was_computed(format: str, rate_hz: float) -> None:  # noqa: A002
    listener, _ = heard(format, 3.0, rate_hz)
    expected = [scan.readings for scan in render(tide(MAT, 3), MAT, rate_hz, 3, seconds=2.4)]
    got = [tuple(scan.readings) for scan in listener.scans]
    assert got[: len(expected)] == expected
    assert len(got) == 3 * rate_hz
    assert listener.decoder.counts.damaged == 0
    assert listener.decoder.counts.lost == 0
    assert listener.decoder.hello is not None
    assert listener.decoder.hello.channels == ZONES
    assert listener.decoder.hello.rate_hz == rate_hz


def test_both_formats_carry_the_same_scans() -> None:
    text, packed = heard("text", 4.0)[0], heard("packed", 4.0)[0]
    assert [tuple(s.readings) for s in text.scans] == [tuple(s.readings) for s in packed.scans]
    assert max(max(scan.readings) for scan in text.scans) > 300


def test_no_scan_drifts_away_from_its_time() -> None:
    listener, _ = heard("text", 20.0)
    scans = listener.chunks[1:]
    for index in (0, 1, 4_999, 9_999):
        assert scans[index][1] == pytest.approx(1000.0 + index / 500, abs=1e-6)


def test_it_ends_once_and_empty_handed() -> None:
    listener, loop = heard("text", 6.0)
    assert listener.found == 1
    assert listener.ended == 1
    assert loop.pending == 0
    assert max(listener.scans[-1].readings) < 20


def test_another_seed_plays_otherwise_and_the_same_seed_the_same() -> None:
    first, again, other = (heard("text", 3.0, seed=seed)[0] for seed in (5, 5, 6))
    assert first.chunks == again.chunks
    assert first.chunks != other.chunks


def test_opened_again_it_begins_again() -> None:
    link = SimulatedLink(MAT, seconds=2.0)
    listener, loop = Listener(link, "text"), ManualLoop()
    link.open(loop)
    loop.advance(0.5)
    link.close()
    link.close()
    loop.advance(0.5)
    first = len(listener.scans)
    assert 240 <= first <= 252
    link.open(loop)
    loop.advance(3.0)
    assert listener.found == 2
    assert [s.readings for s in listener.scans[first : 2 * first]] == [
        s.readings for s in listener.scans[:first]
    ]
    assert len(listener.scans) == first + 1000


def test_it_may_be_closed_from_within_its_own_data() -> None:
    link = SimulatedLink(MAT)
    listener, loop = Listener(link, "text"), ManualLoop()

    def close_at_ten(data: bytes, read_s: float) -> None:
        listener.data(data, read_s)
        if len(listener.scans) == 10:
            link.close()

    link.on_data = close_at_ten
    link.open(loop)
    loop.advance(1.0)
    assert len(listener.scans) == 10
    assert loop.pending == 0


def test_after_a_long_stall_it_goes_on_from_now() -> None:
    link = SimulatedLink(MAT)
    listener, loop = Listener(link, "text"), ManualLoop()
    link.open(loop)
    loop.advance(0.1)
    before = len(listener.scans)
    loop._now_s += 3600.0  # the machine slept: timers are late
    loop.advance(0.1)
    assert len(listener.scans) - before < 60
    times = [read_s for _, read_s in listener.chunks]
    assert times == sorted(times)


def test_it_says_what_it_is_when_asked() -> None:
    link = SimulatedLink(MAT)
    listener, loop = Listener(link, "text"), ManualLoop()
    link.write(b"?")  # nobody there yet
    link.open(loop)
    loop.advance(0.1)
    assert sum(b"# board:" in data for data, _ in listener.chunks) == 1
    link.write(b"?")
    loop.advance(0.1)
    assert sum(b"# board:" in data for data, _ in listener.chunks) == 2
    link.write(b"x")
    loop.advance(0.1)
    assert sum(b"# board:" in data for data, _ in listener.chunks) == 2
    assert listener.decoder.counts.damaged == 0
    assert link.status() == {
        "port": "simulated",
        "found": True,
        "piece": "tide",
        "rate_hz": 500.0,
        "sent": len(listener.scans),
    }


def test_packed_carries_the_number_and_the_microsecond_of_the_scan() -> None:
    scan = Scan(0.5, (1, 2, 3))
    assert encoder("packed", 10)(7, scan) == encode_scan(7, 500_000, (1, 2, 3), 10)
    assert encoder("packed", 9)(7, scan) == encode_scan(7, 500_000, (1, 2, 3), 10)


@pytest.mark.parametrize(("format", "piece"), [("morse", "tide"), ("text", "waltz")])
def test_what_there_is_not_is_refused_with_what_there_is(format: str, piece: str) -> None:  # noqa: A002
    with pytest.raises(ValueError, match=r"tide|text or packed"):
        SimulatedLink(MAT, format=format, piece=piece)
