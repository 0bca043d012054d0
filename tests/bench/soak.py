"""A day on stage: memory that stays, timers that end, and nothing left sounding.

    python -m tests.bench.soak               24 hours of play in simulated time, real pipeline
    python -m tests.bench.soak --process 30  half an hour of the real process at 1 kHz

The first plays a recorded half hour of the simulated mat again and again, and all the while presets
are switched, boards vanish, outputs fail, mappings are swapped. Memory is looked at every hour.
"""

from __future__ import annotations

import argparse
import contextlib
import gc
import json
import os
import random
import signal
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from matbridge.board.simulated import SimulatedMat, render
from matbridge.board.simulated.pieces import tide
from matbridge.mapping.load import load_show
from matbridge.mapping.plan import Act, ActionPart, OutputKind, OutputPlan, Show
from matbridge.midi.messages import KEYS
from matbridge.playing.player import Player
from matbridge.service.boards import make_decoder, make_detector
from matbridge.service.pipeline import Pipeline, Sent
from tests.bench.rig import Pty
from tests.support.bridge import Bridge

RATE_HZ = 500.0
SCANS_A_CHUNK = 25  # what a USB frame or two bring
RECORDED_S = 1800.0
HOUR_S = 3600.0
PAGE_KIB = os.sysconf("SC_PAGE_SIZE") // 1024

# How often something happens, in seconds on average.
EVENT_S = 20.0

CONFIGS = Path(__file__).parents[2] / "configs"


@dataclass(slots=True)
class Judge:
    """Keeps what sounds at the receiver; fails on a second strike or an end without one."""

    sounding: set[tuple[int, int, int]] = field(default_factory=set)
    notes: int = 0

    def hear(self, sent: Sent) -> None:
        for output, message in sent:
            kind, key = message[0] & 0xF0, (output, message[0] & 15, message[1])
            if kind == 0x90 and message[2]:
                assert key not in self.sounding, f"struck again: {key}"
                self.sounding.add(key)
                self.notes += 1
            elif kind in (0x80, 0x90):
                self.sounding.discard(key)


def rss_kib() -> int:
    return int(Path("/proc/self/statm").read_text().split()[1]) * PAGE_KIB


def recorded(show: Show) -> list[bytes]:
    """Half an hour of the simulated mat as its board sends it, in chunks."""
    mat = SimulatedMat(places_cm=tuple((zone.x_cm, zone.y_cm) for zone in show.mat.zones))
    scans = render(tide(mat, 1), mat, RATE_HZ, 1, seconds=RECORDED_S)
    lines = [(",".join(map(str, scan.readings)) + "\n").encode() for scan in scans]
    return [b"".join(lines[at : at + SCANS_A_CHUNK]) for at in range(0, len(lines), SCANS_A_CHUNK)]


class Day:
    """One pipeline through many hours."""

    def __init__(self, shows: list[Show], seed: int) -> None:
        self._shows = shows
        self._dice = random.Random(seed)
        show = shows[0]
        board = show.mat.boards[0]
        image = bytearray(len(show.performance.outputs) * KEYS)
        self._pipeline = Pipeline(
            [make_decoder(board, show.mat)],
            [make_detector(board, show.mat, None)],
            Player(show.performance, image),
        )
        self._judge = Judge()
        self._now_s = 1000.0
        self.happened: dict[str, int] = {}
        self._judge.hear(self._pipeline.start(self._now_s))

    @property
    def notes(self) -> int:
        return self._judge.notes

    def play(self, chunks: list[bytes], seconds: float) -> None:
        """Chunks again and again, with a live loop's ticks between them."""
        pipeline, hear, step_s = self._pipeline, self._judge.hear, SCANS_A_CHUNK / RATE_HZ
        end_s, event_s = self._now_s + seconds, self._now_s + EVENT_S
        while self._now_s < end_s:
            for chunk in chunks:
                self._now_s += step_s
                while pipeline.next_due_s <= self._now_s:
                    hear(pipeline.tick(max(pipeline.next_due_s, self._now_s - step_s)))
                hear(pipeline.feed(0, chunk, self._now_s))
                if self._now_s >= event_s:
                    self._happen()
                    event_s = self._now_s + self._dice.expovariate(1 / EVENT_S)
                if self._now_s >= end_s:
                    break

    def end(self) -> None:
        """Finish; nothing may sound, nothing be due."""
        hear = self._judge.hear
        hear(self._pipeline.board_lost(0, self._now_s))
        for output in range(len(self._pipeline.player.performance.outputs)):
            hear(self._pipeline.output_back(output))
        hear(self._pipeline.finish(self._now_s))
        assert not self._judge.sounding, self._judge.sounding
        assert not self._pipeline.player.sounding()

    def _happen(self) -> None:
        dice, pipeline, now_s = self._dice, self._pipeline, self._now_s
        what = dice.choice(
            ("preset", "transpose", "mute", "panic", "board", "output", "swap", "tempo", "input")
        )
        self.happened[what] = self.happened.get(what, 0) + 1
        outputs = len(pipeline.player.performance.outputs)
        match what:
            case "preset":
                act = dice.choice((Act.NEXT_PRESET, Act.PREVIOUS_PRESET))
                sent = pipeline.act(ActionPart(act), now_s)
            case "transpose":
                sent = pipeline.act(ActionPart(Act.TRANSPOSE_TO, dice.randint(-70, 70)), now_s)
            case "mute":
                sent = pipeline.act(ActionPart(Act.MUTE), now_s)
                sent += pipeline.act(ActionPart(Act.MUTE), now_s)
            case "panic":
                sent = pipeline.act(ActionPart(Act.PANIC), now_s)
            case "board":
                sent = pipeline.board_lost(0, now_s)
                pipeline.board_found(0)
            case "output":
                output = dice.randrange(outputs)
                pipeline.output_lost(output, dice.random() < 0.5)
                sent = pipeline.output_back(output)
            case "swap":
                show = dice.choice(self._shows)
                image = bytearray(len(show.performance.outputs) * KEYS)
                sent = pipeline.swap(show.performance, image, now_s, show.performance.first)
                sent += pipeline.start(now_s)
            case "tempo":
                sent = pipeline.act(ActionPart(Act.TAP_TEMPO), now_s)
            case _:
                sent = pipeline.midi_in(dice.randbytes(3), now_s)
        self._judge.hear(sent)


def simulated(hours: float, seed: int) -> dict[str, object]:
    """Play for so many hours; what was seen. Fails where something is left."""
    show = load_show(CONFIGS / "harbour-lights.yaml")
    # A show with one output more to swap with, so that swaps end and carry over what sounds.
    more = OutputPlan("rack", OutputKind.SERIAL, "/dev/ttyAMA0")
    wider = replace(show.performance, outputs=(*show.performance.outputs, more))
    shows = [show, replace(show, performance=wider)]
    chunks = recorded(shows[0])
    day = Day(shows, seed)
    seen_kib: list[int] = []
    began_s = time.monotonic()
    left_s = hours * HOUR_S
    while left_s > 0:
        day.play(chunks, min(HOUR_S, left_s))
        left_s -= HOUR_S
        gc.collect()
        seen_kib.append(rss_kib())
        print(f"hour {len(seen_kib):3}: {seen_kib[-1]} KiB, {day.notes} notes", flush=True)
    day.end()
    return {
        "hours": hours,
        "notes": day.notes,
        "happened": day.happened,
        "rss_kib": seen_kib,
        "grown_kib": max(seen_kib) - seen_kib[0],
        "took_s": round(time.monotonic() - began_s, 1),
    }


def process(minutes: float) -> dict[str, object]:
    """The real process, fed 24 zones at 1 kHz; its memory and latency as it sees them itself."""
    with contextlib.ExitStack() as opened:
        folder = Path(opened.enter_context(tempfile.TemporaryDirectory()))
        board, synth = Pty(), Pty()
        zones = "".join(f"  - {{name: z{zone}, at: [{zone * 20}, 0]}}\n" for zone in range(24))
        (folder / "soak.mat.yaml").write_text(
            f"mat: soak\nboard: {{port: {board.path}, format: text}}\n"
            f"sensor: {{type: force, bits: 10, fixed_resistor_ohm: 1000}}\nzones:\n{zones}"
        )
        show = folder / "soak.yaml"
        show.write_text(
            "performance: soak\nmat: soak.mat.yaml\n"
            f"outputs:\n  out: {{serial: {synth.path}}}\n"
            "presets:\n  all:\n    output: out\n    channel: 1\n"
            "    scale: {root: C3, type: major}\n"
        )
        bridge = opened.enter_context(Bridge(show, folder))
        seen: list[dict[str, object]] = []
        for _ in _paced(board, synth, minutes * 60):
            facts = json.loads(bridge.ask("status", "--json"))
            rss = int(
                Path(f"/proc/{bridge.pid}/status").read_text().partition("VmRSS:")[2].split()[0]
            )
            seen.append({"rss_kib": rss, "latency_us": facts["latency_us"]})
            print(f"minute {len(seen):3}: {rss} KiB, latency {facts['latency_us']} us", flush=True)
        bridge.signal(signal.SIGTERM)
        assert bridge.wait() == 143
        board.close()
        synth.close()
    return {"minutes": minutes, "seen": seen}


def _paced(board: Pty, synth: Pty, seconds: float) -> Iterator[None]:
    """Write scans at 1 kHz and read what comes; yields once a minute."""
    mat = SimulatedMat(places_cm=tuple((zone * 20.0, 0.0) for zone in range(24)))
    lines = [
        (",".join(map(str, scan.readings)) + "\n").encode()
        for scan in render(tide(mat, 1), mat, 1000.0, 1, seconds=60.0)
    ]
    start_s = time.monotonic()
    number, minute = 0, 1
    while (at_s := number / 1000.0) < seconds:
        wait_s = start_s + at_s - time.monotonic()
        if wait_s > 0:
            time.sleep(wait_s)
        board.write(lines[number % len(lines)])
        if number % 10 == 0:
            with contextlib.suppress(BlockingIOError):
                os.read(synth.fd, 65536)
        number += 1
        if at_s >= minute * 60.0:
            minute += 1
            yield
    yield


def main() -> int:
    made = argparse.ArgumentParser(description=__doc__)
    made.add_argument("--hours", type=float, default=24.0)
    made.add_argument("--process", type=float, metavar="MINUTES")
    made.add_argument("--seed", type=int, default=1)
    given = made.parse_args()
    result = process(given.process) if given.process else simulated(given.hours, given.seed)
    print(json.dumps(result))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
