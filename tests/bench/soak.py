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
import threading
import time
from collections.abc import Sequence
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
from tests.bench import bridges
from tests.bench.figures import answer, note_ons, parse, quantile, unpaired
from tests.bench.play import Played, perform
from tests.bench.rig import Pty, Receiver, Run, cpu_s, fifo, pace, quiet_generator
from tests.support.bridge import Bridge

RATE_HZ = 500.0
SCANS_A_CHUNK = 25  # what a USB frame or two bring
RECORDED_S = 1800.0
HOUR_S = 3600.0
PAGE_KIB = os.sysconf("SC_PAGE_SIZE") // 1024

# How often something happens, in seconds on average.
EVENT_S = 20.0

ZONES = 24  # of the real process's mat

# When what a process takes once has been taken.
WARM_UP_MINUTES = 2

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
    """The real process, fed 24 zones at 1 kHz: its memory by the minute, and byte to note.

    Neither is pinned to a processor: it is meant to run beside whatever else the machine does.
    """
    played = _repeated(perform("play", ZONES, 57.9, 1000.0, packed=False, seed=1), minutes)
    with contextlib.ExitStack() as opened:
        folder = Path(opened.enter_context(tempfile.TemporaryDirectory()))
        board, receiver = Pty(), Receiver()
        show = bridges.write_show(folder, ZONES, board.path, receiver.pty.path, packed=False)
        bridge = opened.enter_context(Bridge(show, folder))
        bridge.until_logged("playing")
        receiver.start()
        run = Run("soak", 0, [], receiver.received)
        seen_kib = [process_rss_kib(bridge.pid)]
        done = threading.Event()
        looking = threading.Thread(target=_look, args=(bridge.pid, seen_kib, done), daemon=True)
        looking.start()
        cpu_before_s, began_s = cpu_s(bridge.pid), time.monotonic()
        with quiet_generator():
            fifo()
            pace(board, played, run)
            os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
        board.drained()
        cpu = (cpu_s(bridge.pid) - cpu_before_s) / (time.monotonic() - began_s)
        done.set()
        looking.join()
        seen_kib.append(process_rss_kib(bridge.pid))
        facts = json.loads(bridge.ask("status", "--json"))
        bridge.signal(signal.SIGTERM)
        assert bridge.wait() == 143
        receiver.end()
        board.close()
        heard = parse(receiver.received)
        due = bridges.decisions(show, played, run.written_ns)
    ons = note_ons(heard, {bridges.key(zone): zone for zone in range(ZONES)})
    found = answer(due, run.written_ns, ons)
    after_warm_up_kib = seen_kib[min(WARM_UP_MINUTES, len(seen_kib) - 1)]
    return {
        "minutes": minutes,
        "scans": run.scans,
        "fell_behind": run.overrun,
        "damaged": facts["boards"][0]["damaged"],
        "notes": found.presses,
        "missing": found.missing,
        "spurious": found.spurious,
        "unpaired": unpaired(heard),
        "cpu": round(cpu, 4),
        "rss_kib": {
            "start": seen_kib[0],
            "after_warm_up": after_warm_up_kib,
            "end": seen_kib[-1],
            "most": max(seen_kib),
        },
        "byte_to_note_us": percentiles_us(found.latency_ns),
        "as_the_bridge_sees_it_us": facts["latency_us"],
        "board_late_us": percentiles_us(run.generator_late_ns),
    }


def process_rss_kib(pid: int) -> int:
    status = Path(f"/proc/{pid}/status").read_text()
    return int(status.partition("VmRSS:")[2].split()[0])


def percentiles_us(values_ns: Sequence[int]) -> dict[str, float]:
    shares = {"median": 0.5, "p95": 0.95, "p99": 0.99, "p99.9": 0.999, "worst": 1.0}
    return {name: round(quantile(values_ns, share) / 1000, 1) for name, share in shares.items()}


def _look(pid: int, seen_kib: list[int], done: threading.Event) -> None:
    """Once a minute, from a thread of its own: asking the bridge itself would disturb the board."""
    while not done.wait(60.0):
        seen_kib.append(process_rss_kib(pid))
        print(f"minute {len(seen_kib) - 1:3}: {seen_kib[-1]} KiB", flush=True)


def _repeated(minute: Played, minutes: float) -> Played:
    """A minute of a board again and again; it begins and ends at rest."""
    count = round(minutes * 60 * minute.rate_hz)
    times = -(-count // len(minute.frames))
    frames = (list(minute.frames) * times)[:count]
    return Played(minute.zones, minute.rate_hz, minute.packed, frames, [])


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
