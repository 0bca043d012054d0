"""A day on stage: memory that stays, timers that end, and nothing left sounding.

    python -m tests.bench.soak               24 hours of play in simulated time, real pipeline
    python -m tests.bench.soak --process 30  half an hour of the real process at 1 kHz

The first plays a quarter of an hour of the simulated mat again and again, and all the while presets
are switched, boards vanish, outputs fail, mappings are swapped. Memory is looked at every hour; in
the end no note, no timer and nothing owed may be left.
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
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import inf
from pathlib import Path

import pytest

from matbridge.board.simulated import SimulatedMat, render
from matbridge.board.simulated.pieces import tide
from matbridge.loop import Loop
from matbridge.mapping.load import load_show
from matbridge.mapping.plan import Act, OutputKind, OutputPlan, Show
from matbridge.service.loading import Loaded
from matbridge.service.owed import read
from tests.bench import bridges
from tests.bench.figures import answer, note_ons, parse, quantile, unpaired
from tests.bench.play import Played, perform
from tests.bench.rig import Pty, Receiver, Run, cpu_s, fifo, pace, quiet_generator
from tests.service.stage import Stage
from tests.support.bridge import Bridge

RATE_HZ = 500.0
SCANS_A_CHUNK = 25  # what a USB frame or two bring
RECORDED_S = 900.0
HOUR_S = 3600.0
PAGE_KIB = os.sysconf("SC_PAGE_SIZE") // 1024

# What happens beside playing, and how often, in seconds on average.
EVENTS = (
    "preset", "transpose", "mute", "panic", "tempo",
    "board", "silence", "output", "swap", "input",
)  # fmt: skip
EVENT_S = 20.0

# After the first hour.
MOST_GROWN_KIB = 1024

ZONES = 24  # of the real process's mat

# When what a process takes once has been taken.
WARM_UP_MINUTES = 2

CONFIGS = Path(__file__).parents[2] / "configs"


@dataclass(slots=True)
class Judge:
    """Keeps what sounds at each receiver; fails on a second strike without an end between."""

    sounding: set[tuple[str, int, int]] = field(default_factory=set)
    notes: int = 0

    def hear(self, receiver: str, message: bytes) -> None:
        kind, key = message[0] & 0xF0, (receiver, message[0] & 15, message[1] if message[1:] else 0)
        if kind == 0x90 and message[2]:
            assert key not in self.sounding, f"struck again: {key}"
            self.sounding.add(key)
            self.notes += 1
        elif kind in (0x80, 0x90):
            self.sounding.discard(key)


class Controller:
    """The port from outside, in the place of matbridge.midi.inputs.Input."""

    here: Controller | None = None

    def __init__(self, pattern: str, driver: str) -> None:
        self._facts = {"pattern": pattern, "driver": driver, "up": True}
        self.on_message: Callable[[bytes, float], None]
        self.on_change: Callable[[bool], None]

    def open(self, loop: Loop) -> None:
        Controller.here = self

    def close(self) -> None:
        Controller.here = None

    def status(self) -> Mapping[str, object]:
        return self._facts


def rss_kib() -> int:
    return int(Path("/proc/self/statm").read_text().split()[1]) * PAGE_KIB


def shows() -> list[Show]:
    """Three to change between: other outputs, other presets, a clock, a port from outside."""
    harbour = load_show(CONFIGS / "harbour-lights.yaml")
    more = OutputPlan("desk", OutputKind.SERIAL, "/dev/ttyAMA1")
    wider = replace(harbour.performance, outputs=(*harbour.performance.outputs, more))
    tides = load_show(CONFIGS / "ten-tides.yaml")
    return [harbour, replace(harbour, performance=wider), tides]


def recorded(show: Show, seconds: float = RECORDED_S) -> list[bytes]:
    """Some of the simulated mat as its board sends it, in chunks."""
    mat = SimulatedMat(places_cm=tuple((zone.x_cm, zone.y_cm) for zone in show.mat.zones))
    scans = render(tide(mat, 1), mat, RATE_HZ, 1, seconds=seconds)
    lines = [(",".join(map(str, scan.readings)) + "\n").encode() for scan in scans]
    return [b"".join(lines[at : at + SCANS_A_CHUNK]) for at in range(0, len(lines), SCANS_A_CHUNK)]


class Day:
    """One bridge through many hours. Its boards, outputs and clock are ours; all else is real."""

    def __init__(
        self, stage: Stage, shows: list[Show], seed: int, event_s: float = EVENT_S
    ) -> None:
        self.stage = stage
        self._shows = shows
        self._dice = random.Random(seed)
        self._event_s = event_s
        self._judge = Judge()
        self.happened: dict[str, int] = {}
        self.bridge = stage.start(Loaded(shows[0], None, Path("none")))
        self._link = stage.links[shows[0].mat.boards[0].port]
        self._link.plug()

    @property
    def notes(self) -> int:
        return self._judge.notes

    def play(self, chunks: list[bytes], seconds: float) -> None:
        """Chunks again and again, at their times."""
        loop, step_s = self.stage.loop, SCANS_A_CHUNK / RATE_HZ
        end_s, event_s = loop.now_s() + seconds, loop.now_s() + self._event_s
        while loop.now_s() < end_s:
            for chunk in chunks:
                loop.advance(step_s)
                if self._link.found:
                    self._link.on_data(chunk, loop.now_s())
                if loop.now_s() >= event_s:
                    self._happen()
                    event_s = loop.now_s() + self._dice.expovariate(1 / self._event_s)
                self._hear()
                if loop.now_s() >= end_s:
                    break
        self.stage.lines.clear()

    def end(self) -> None:
        """Finish: nothing may sound, nothing be owed, nothing be still to come."""
        stage, bridge = self.stage, self.bridge
        for target in list(stage.gone):
            stage.put_back(target)
        bridge.close()
        self._hear()
        player = bridge.pipeline.player
        assert not self._judge.sounding, f"still heard: {self._judge.sounding}"
        assert player.ledger.empty, f"still in the ledger: {player.sounding()}"
        assert not any(bridge.outlets.image), "the image has notes that nobody plays"
        assert not player.ledger.lost, f"outputs are owed something: {list(player.ledger.lost)}"
        assert player.next_due_s == inf, f"the player waits for {player.next_due_s}"
        assert not stage.loop.pending, f"{stage.loop.pending} timers left on the loop"
        assert not stage.loop.readers, f"descriptors left on the loop: {stage.loop.readers}"
        assert not stage.loop.writers, f"descriptors left on the loop: {stage.loop.writers}"
        assert not read(stage.folder / "state" / "mat.owed"), "the next start is told of notes"

    def _hear(self) -> None:
        for target, port in self.stage.ports.items():
            for _, message in port.sent:
                self._judge.hear(target, message)
            for kept in (port.sent, port.marks, port.tempos):
                kept.clear()

    def _happen(self) -> None:
        dice, stage, bridge = self._dice, self.stage, self.bridge
        # What the one before broke is mended first, or most of the day would be silent.
        if bridge.pipeline.player.muted:
            bridge.act(Act.MUTE)
        for target in list(stage.gone):
            stage.put_back(target)
        what = dice.choice(EVENTS)
        self.happened[what] = self.happened.get(what, 0) + 1
        match what:
            case "preset":
                bridge.act(dice.choice((Act.NEXT_PRESET, Act.PREVIOUS_PRESET)))
            case "transpose":
                bridge.act(Act.TRANSPOSE_TO, dice.randint(-70, 70))
            case "mute":
                bridge.act(Act.MUTE)
            case "panic":
                bridge.act(Act.PANIC)
            case "tempo":
                bridge.act(Act.TAP_TEMPO)
            case "board":
                self._link.unplug()
                stage.loop.advance(dice.random())
                self._link.plug()
            case "silence":
                stage.loop.advance(dice.random())
            case "output":
                stage.pull(dice.choice(bridge.show.performance.outputs).target)
            case "swap":
                bridge.swap(dice.choice(self._shows), None)
            case _:
                if Controller.here is not None:
                    control = bytes((0xBF, dice.choice((20, 21, 22, 64)), dice.randrange(128)))
                    program = bytes((0xCF, dice.randrange(128)))
                    Controller.here.on_message(dice.choice((control, program)), stage.loop.now_s())


@contextlib.contextmanager
def day(seed: int, event_s: float = EVENT_S) -> Iterator[Day]:
    """A day that begins; its threads end with it."""
    with (
        tempfile.TemporaryDirectory() as folder,
        pytest.MonkeyPatch.context() as patch,
    ):
        patch.setattr("matbridge.midi.inputs.Input", Controller)
        stage = Stage(Path(folder), patch)
        try:
            yield Day(stage, shows(), seed, event_s)
        finally:
            stage.kill()


def simulated(hours: float, seed: int) -> dict[str, object]:
    """Play for so many hours; what was seen. Fails where something is left, or memory grows."""
    chunks = recorded(shows()[0])
    seen_kib: list[int] = []
    began_s = time.monotonic()
    left_s = hours * HOUR_S
    with day(seed) as played:
        while left_s > 0:
            played.play(chunks, min(HOUR_S, left_s))
            left_s -= HOUR_S
            gc.collect()
            seen_kib.append(rss_kib())
            print(f"hour {len(seen_kib):3}: {seen_kib[-1]} KiB, {played.notes} notes", flush=True)
        played.end()
        grown_kib = max(seen_kib) - seen_kib[0]
        assert grown_kib <= MOST_GROWN_KIB, f"memory grew by {grown_kib} KiB: {seen_kib}"
        return {
            "hours": hours,
            "notes": played.notes,
            "happened": played.happened,
            "rss_kib": seen_kib,
            "grown_kib": grown_kib,
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
