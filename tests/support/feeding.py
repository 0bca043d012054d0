"""Feeding a decoder: whole, byte by byte, and in cuts chosen by a seed."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Iterator, Sequence

from matbridge.board.scan import Decoder, Scan


def feed_all(decoder: Decoder, pieces: Iterable[bytes], start_s: float = 100.0) -> list[Scan]:
    """Every scan that comes of the pieces, a millisecond apart."""
    scans: list[Scan] = []
    for number, piece in enumerate(pieces):
        scans += decoder.feed(piece, start_s + number * 0.001)
    return scans


def cuts(data: bytes) -> Iterator[list[bytes]]:
    """The same bytes whole, byte by byte, in pairs, and in some random ways."""
    yield [data]
    yield [data[at : at + 1] for at in range(len(data))]
    yield [data[at : at + 2] for at in range(0, len(data), 2)]
    for seed in range(5):
        yield cut_at_random(data, seed)


def cut_at_random(data: bytes, seed: int) -> list[bytes]:
    rng = random.Random(seed)
    pieces: list[bytes] = []
    at = 0
    while at < len(data):
        size = rng.choice((1, 3, 17, 100, 1000))
        pieces.append(data[at : at + size])
        at += size
    return pieces


def outcome(make: Callable[[], Decoder], pieces: Sequence[bytes]) -> tuple[object, ...]:
    """All that must not depend on where the bytes were cut."""
    decoder = make()
    readings = [tuple(scan.readings) for scan in feed_all(decoder, pieces)]
    return readings, decoder.counts, decoder.hello, decoder.misfit
