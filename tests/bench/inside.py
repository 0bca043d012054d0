"""What a scan costs inside, without ports: stage by stage, and after a rest."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from functools import partial
from math import inf
from pathlib import Path
from statistics import median

from matbridge.board.scan import Scan
from matbridge.mapping.load import load_show
from matbridge.midi.messages import NOTE_ON
from matbridge.service.boards import make_decoder, make_detector
from matbridge.service.pipeline import Sent
from tests.bench import bridges
from tests.bench.common import BRIDGE, LEAST, LOOP, RATE_HZ, ZONES, Figures, Size
from tests.bench.play import THRESHOLD, Played, perform

STAGE_REPEATS = 5


def _plain_loop(played: Played) -> None:
    """What a scan costs anybody: its line to numbers, each against one level."""
    on = [False] * played.zones
    for frame in played.frames:
        for zone, reading in enumerate(map(int, frame.split(b","))):
            if (reading >= THRESHOLD) != on[zone]:
                on[zone] = not on[zone]


def _costs_us(works: Sequence[Callable[[], object]], scans: int) -> list[float]:
    """Microseconds a scan of each: the least of several times, since others only add to it.

    They take turns, so that a machine that is slower for a while is so for all of them.
    """
    best = [inf] * len(works)
    for _ in range(STAGE_REPEATS):
        for index, work in enumerate(works):
            before = time.process_time()
            work()
            best[index] = min(best[index], time.process_time() - before)
    return [round(each / scans * 1e6, 2) for each in best]


def stages(folder: Path, size: Size) -> Figures:
    """Microseconds a scan of each stage, in this process, beside a plain loop over the same."""
    result: Figures = {}
    for scenario in ("idle", "play", "storm"):
        lines = perform(scenario, ZONES, size.seconds, RATE_HZ, packed=False, seed=0)
        count = len(lines.frames)
        for packed in (False, True):
            played = perform(scenario, ZONES, size.seconds, RATE_HZ, packed=packed, seed=0)
            path = bridges.write_show(folder, ZONES, "/dev/x", "/dev/y", packed=packed)
            show = load_show(str(path))
            (board,) = show.mat.boards
            at = [1000 + index / RATE_HZ for index in range(count)]
            arrivals = list(zip(played.frames, at, strict=True))

            def decode() -> list[Sequence[Scan]]:
                decoder = make_decoder(board, show.mat)  # noqa: B023 - called at once
                return [decoder.feed(frame, now_s) for frame, now_s in arrivals]  # noqa: B023

            scans = [scan for found in decode() for scan in found]

            def sense() -> None:
                detector = make_detector(board, show.mat, None)  # noqa: B023
                for time_s, readings in scans:  # noqa: B023
                    detector.scan(time_s, readings)

            def play() -> None:
                pipeline = bridges.pipeline(show)  # noqa: B023
                pipeline.start(at[0])  # noqa: B023
                for frame, now_s in arrivals:  # noqa: B023
                    pipeline.feed(0, frame, now_s)

            names = ("decode_us", "sense_us", "whole_us")
            loop, *costs = _costs_us((partial(_plain_loop, lines), decode, sense, play), count)
            result[f"{scenario}, {'packed' if packed else 'text'}"] = {
                BRIDGE: dict(zip(names, costs, strict=True)),
                LOOP: dict.fromkeys(names, loop),
            }
    return result


REST_S = 0.9 / RATE_HZ


def _stay_awake() -> None:
    until_s = time.perf_counter() + REST_S
    while time.perf_counter() < until_s:
        pass


RESTS: dict[str, Callable[[], None]] = {
    "at once": lambda: None,
    "a scan period apart, asleep": partial(time.sleep, REST_S),
    "a scan period apart, awake": _stay_awake,
}


def rested(folder: Path, size: Size) -> Figures:
    """The scans that bring a note, one right after another and a scan period apart, as in play.

    The work is the same to the byte. What the second takes longer is the processor's: if it does so
    too where we stayed awake meanwhile, its caches hold something else by then, of whoever shares
    them. Beside it, what nobody can do without: a line to numbers.
    """
    played = perform("play", ZONES, size.seconds, RATE_HZ, packed=False, seed=0)
    show = load_show(str(bridges.write_show(folder, ZONES, "/dev/x", "/dev/y", packed=False)))
    result: Figures = {}
    for case, rest in RESTS.items():
        pipeline = bridges.pipeline(show)
        pipeline.start(1000.0)
        notes, quiet = [], []
        for index, frame in enumerate(played.frames):
            rest()
            sent, took_us = _timed_us(partial(pipeline.feed, 0, frame, 1000.0 + index / RATE_HZ))
            if not sent:
                quiet.append(took_us)
            elif sent[0][1][0] & 0xF0 == NOTE_ON:
                notes.append(took_us)
        least = []
        for frame in played.frames:
            rest()
            least.append(_timed_us(partial(_numbers, frame))[1])
        result[case] = {
            BRIDGE: {"note_us": round(median(notes), 1), "quiet_us": round(median(quiet), 1)},
            LEAST: {"quiet_us": round(median(least), 1)},
        }
    return result


def _timed_us(work: Callable[[], Sent]) -> tuple[Sent, float]:
    """What comes of the work, and how long it took."""
    before = time.perf_counter()
    sent = work()
    return sent, (time.perf_counter() - before) * 1e6


def _numbers(frame: bytes) -> Sent:
    list(map(int, frame.split(b",")))
    return []
