"""The stages joined: the same bytes at the same seconds are the same messages."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matbridge.mapping.load import load_show
from matbridge.mapping.plan import Act, ActionPart, Show
from matbridge.playing.player import Player
from matbridge.sensing.touch import VelocitySource
from matbridge.service.boards import make_decoder, make_detector
from matbridge.service.pipeline import Pipeline, Sent
from tests.service.stage import REST, ZONES, write_show

# Notes that end by themselves, repeat, and wait for the beat: everything that is timed.
TIMED = """\
outputs:
  out: {virtual: quay}
tempo: 120
presets:
  ebb:
    output: out
    channel: 1
    zones:
      z0: {note: 60, hold: {seconds: 0.05}}
      z1: {note: 61, hold: {beats: 0.3}}
      z2: {note: 62, repeat: {seconds: 0.033}}
      z3: {note: 63, hold: toggle}
      z4: {action: next preset}
      z5: {note: 65}
  flood:
    output: out
    channel: 2
    velocity: {from: peak}
    pressure: {send: channel pressure}
    zones:
      z0: {note: 70}
      z1: {note: 71, hold: {seconds: 0.02}}
      z4: {action: previous preset}
"""


@pytest.fixture(scope="module")
def show(tmp_path_factory: pytest.TempPathFactory) -> Show:
    return load_show(write_show(tmp_path_factory.mktemp("pipeline"), TIMED))


def pipeline_of(show: Show) -> Pipeline:
    board = show.mat.boards[0]
    return Pipeline(
        [make_decoder(board, show.mat)],
        [make_detector(board, show.mat, None)],
        Player(show.performance),
    )


def played(seed: int, seconds: float = 3.0) -> list[tuple[float, bytes]]:
    """Chunks of a board at 500 Hz, each with the second at which it was read."""
    dice = random.Random(seed)
    until_s = [0.0] * ZONES
    chunks: list[tuple[float, bytes]] = []
    data, now_s = b"\n", 100.0
    for number in range(round(seconds * 500)):
        at_s = number / 500
        if at_s > 0.7 and dice.random() < 0.03:
            until_s[dice.randrange(ZONES)] = at_s + dice.uniform(0.02, 0.4)
        readings = [(800 if until > at_s else REST) + dice.randint(-2, 2) for until in until_s]
        data += (",".join(map(str, readings)) + "\n").encode()
        if dice.random() < 0.6:
            now_s = max(now_s, 100.0 + at_s) + dice.uniform(0, 0.001)
            chunks.append((now_s, data))
            data = b""
    return chunks


def run(show: Show, chunks: list[tuple[float, bytes]], ticks: list[float]) -> Sent:
    """All messages, with a live loop's ticks at these seconds besides those that are due."""
    pipeline = pipeline_of(show)
    sent = list(pipeline.start(99.0))
    waiting = sorted(ticks)
    for now_s, data in chunks:
        while waiting and waiting[0] < now_s:
            sent += pipeline.tick(waiting.pop(0))
        sent += pipeline.feed(0, data, now_s)
    sent += pipeline.finish(chunks[-1][0] + 1)
    return sent


@given(st.integers(0, 1000), st.lists(st.floats(99.5, 104.0), max_size=60))
def test_when_the_loop_comes_round_to_its_timers_changes_nothing(
    show: Show, seed: int, ticks: list[float]
) -> None:
    chunks = played(seed)
    assert run(show, chunks, ticks) == run(show, chunks, [])


@given(st.integers(0, 1000))
def test_every_strike_has_its_end(show: Show, seed: int) -> None:
    sounding: set[tuple[int, int]] = set()
    for _, message in run(show, played(seed), []):
        key = (message[0] & 15, message[1])
        if message[0] & 0xF0 == 0x90:
            assert key not in sounding
            sounding.add(key)
        elif message[0] & 0xF0 == 0x80:
            sounding.remove(key)
    assert not sounding


def test_what_is_due_comes_before_what_is_read(show: Show) -> None:
    pipeline = pipeline_of(show)
    pipeline.start(99.0)
    chunks = [
        (100 + at / 500, (",".join([str(REST)] * ZONES) + "\n").encode()) for at in range(500)
    ]
    for now_s, data in chunks:
        pipeline.feed(0, data, now_s)
    line = f"800,800{(',' + str(REST)) * (ZONES - 2)}\n".encode()
    sent = [each for at in range(10) for each in pipeline.feed(0, line, 101 + at / 500)]
    assert [message[:2] for _, message in sent] == [b"\x90\x3c", b"\x90\x3d"]
    assert pipeline.next_due_s == pytest.approx(101.05, abs=0.02)
    # Nobody has ticked for long: both ends come, in order, before whatever these bytes bring.
    late = pipeline.feed(0, line, 102.0)
    assert [message[:2] for _, message in late[:2]] == [b"\x80\x3c", b"\x80\x3d"]


def test_the_detectors_sense_what_the_preset_needs(show: Show) -> None:
    class Ear:
        """Stands in for a detector: what it is told to sense."""

        told: list[tuple[VelocitySource, bool]]

        def __init__(self) -> None:
            self.told = []

        def use(self, sources: list[VelocitySource], pressure: frozenset[int]) -> None:
            self.told.append((sources[0], 0 in pressure))

    pipeline = pipeline_of(show)
    ear = Ear()
    pipeline.detectors = [ear]  # type: ignore[list-item]
    pipeline.start(1.0)
    pipeline.act(ActionPart(Act.NEXT_PRESET), 2.0)
    pipeline.act(ActionPart(Act.MUTE), 3.0)
    assert ear.told == [(VelocitySource.RISE, False), (VelocitySource.PEAK, True)]
    assert pipeline.preset == 1


def test_a_show_of_no_time_at_all_is_no_mistake(tmp_path: Path) -> None:
    pipeline = pipeline_of(load_show(write_show(tmp_path)))
    assert pipeline.finish(0.0) == []
    assert pipeline.feed(0, b"", 0.0) == []
