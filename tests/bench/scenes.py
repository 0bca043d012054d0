"""What is measured: each scene runs the bridges in turn, A B C A B C, and gives plain figures."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

from matbridge.folders import runtime_folder
from matbridge.service.control import socket_path
from tests.bench import bridges, inside, rig
from tests.bench.common import (
    BRIDGE,
    FLOOR,
    LEAST,
    PASS,
    PLAIN,
    RATE_HZ,
    SIZES,
    STAGES,
    WIDE_RATE_HZ,
    ZONES,
    Figures,
    Size,
)
from tests.bench.figures import Answers, answer, note_ons, parse, quantile, unpaired
from tests.bench.play import Played, perform


class Stand:
    """The bridges, ready to be measured."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.floor = rig.build_floor(folder)

    def command(self, label: str, zones: int, *, packed: bool) -> bridges.Command:
        if label == FLOOR:
            return bridges.floor(self.floor, zones, packed=packed)
        if label == LEAST:
            return bridges.least(zones, packed=packed)
        if label == PLAIN:
            return bridges.plain(zones)
        if label == STAGES:
            return bridges.stages(self.folder, zones, packed=packed)
        return bridges.matbridge(self.folder, zones, packed=packed)

    def run(
        self,
        label: str,
        played: Played,
        *,
        flood_s: float = 0.0,
        beside: Callable[[int], None] | None = None,
    ) -> rig.Run:
        command = self.command(label, played.zones, packed=played.packed)
        log = self.folder / f"{label.replace(' ', '-')}.log"
        return rig.measure(label, command, played, flood_s=flood_s, log=log, beside=beside)

    def answers(self, run: rig.Run, played: Played) -> Answers:
        """The note-ons of a run against the scans that decided them."""
        if run.label in (BRIDGE, STAGES):
            due = bridges.decisions(self.folder / "bench.yaml", played, run.written_ns)
        else:
            due = [(p.zone, p.crossing) for p in played.presses if p.crossing < run.scans]
        heard = parse(run.received)
        zone_of = {bridges.key(zone): zone for zone in range(played.zones)}
        found = answer(due, run.written_ns, note_ons(heard, zone_of))
        found.unpaired = unpaired(heard)
        return found


def _us(values: list[int], share: float) -> float:
    return round(quantile(values, share) / 1000, 1)


@dataclass(slots=True)
class _Tally:
    """What the runs of one bridge gave, together."""

    latency_ns: list[int] = field(default_factory=list)
    spread_ns: list[int] = field(default_factory=list)
    counts: Counter[str] = field(default_factory=Counter)
    runs: list[rig.Run] = field(default_factory=list)

    def figures(self) -> Figures:
        figures: Figures = dict(self.counts)
        latency_ns = self.latency_ns
        if latency_ns:
            figures |= {
                "median_us": _us(latency_ns, 0.5),
                "p95_us": _us(latency_ns, 0.95),
                "p99_us": _us(latency_ns, 0.99),
                "worst_us": _us(latency_ns, 1.0),
                "latencies_us": [round(value / 1000) for value in sorted(latency_ns)],
            }
        if self.spread_ns:
            figures["storm_spread_us"] = _us(self.spread_ns, 0.5)
        return figures | {
            "cpu": round(median(run.cpu_s / run.wall_s for run in self.runs), 4),
            "rss_mib": round(median(run.peak_rss_kib for run in self.runs) / 1024, 1),
            "ready_s": round(median(run.ready_s for run in self.runs), 3),
        }


def _paced(
    stand: Stand,
    labels: Sequence[str],
    scenario: str,
    size: Size,
    *,
    packed: bool = False,
    beside: Callable[[int], None] | None = None,
) -> Figures:
    """The bridges of these labels in turn, as often as `size` says: a machine that is slower for
    a while is so for all of them.
    """
    tallies = {label: _Tally() for label in labels}
    for seed in range(size.repeats):
        played = perform(scenario, ZONES, size.seconds, RATE_HZ, packed=packed, seed=seed)
        for label, tally in tallies.items():
            run = stand.run(label, played, beside=beside)
            found = stand.answers(run, played)
            tally.latency_ns += found.latency_ns
            tally.spread_ns += found.spread_ns
            for name in ("presses", "missing", "spurious", "unpaired"):
                tally.counts[name] += getattr(found, name)
            tally.runs.append(run)
    return {label: tally.figures() for label, tally in tallies.items()}


def latency(folder: Path, size: Size) -> Figures:
    """Byte to note, playing and all zones at once; processor and memory beside it."""
    stand = Stand(folder)
    result: Figures = {}
    for scenario in ("play", "storm", "idle"):
        result[scenario] = _paced(stand, (BRIDGE, STAGES, PLAIN, LEAST, FLOOR), scenario, size)
    result["play, packed"] = _paced(
        stand, (BRIDGE, STAGES, LEAST, FLOOR), "play", size, packed=True
    )
    return result


def disturbed(folder: Path, size: Size) -> Figures:
    """Byte to note while somebody watches, and while the performance is read anew."""
    stand = Stand(folder)
    program = str(Path(sys.executable).with_name("matbridge"))

    def watched(_: int) -> None:
        for _ in range(3):
            subprocess.Popen(
                ["timeout", str(size.seconds + 3), program, "watch", "--json"],
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )

    def reloaded(_: int) -> None:
        again = f"for i in 1 2 3; do sleep {size.seconds / 4}; {program} reload; done"
        subprocess.Popen(["sh", "-c", again], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    return {
        "undisturbed": _paced(stand, (BRIDGE,), "play", size),
        "three watchers": _paced(stand, (BRIDGE,), "play", size, beside=watched),
        "three reloads": _paced(stand, (BRIDGE,), "play", size, beside=reloaded),
    }


# As many clients as anybody could have by mistake, and then some.
CROWD = 100
CROWD_CASES = ("alone", "in a crowd")
PAIRS = 2  # for every repeat
PAIR_S = 6.0


def crowded(folder: Path, size: Size) -> Figures:
    """Byte to note with a hundred idle and babbling control clients, beside the same bytes alone.

    The two take turns in short pairs, and the ratio is the middle one of the pairs': what else the
    machine does for a while spoils some pairs, and not the figure. Beside other load the slowest
    tenth says more of that load than of the crowd.
    """
    stand = Stand(folder)
    path = socket_path(runtime_folder(), "bench")
    said: list[dict[str, int]] = []
    seen: dict[str, list[Figures]] = {case: [] for case in CROWD_CASES}
    for seed in range(size.repeats * PAIRS):
        played = perform("play", ZONES, PAIR_S, RATE_HZ, packed=False, seed=seed)
        # Who is first changes, so that neither always has the warmer machine.
        for case in CROWD_CASES if seed % 2 else CROWD_CASES[::-1]:
            crowd: list[subprocess.Popen[bytes]] = []

            def gather(
                _: int, case: str = case, crowd: list[subprocess.Popen[bytes]] = crowd
            ) -> None:
                words = ["tests.bench.crowd", path, str(CROWD), str(PAIR_S + 2)]
                if case == "in a crowd":
                    crowd.append(
                        subprocess.Popen([sys.executable, "-m", *words], stdout=subprocess.PIPE)
                    )
                time.sleep(1.0)

            run = stand.run(BRIDGE, played, beside=gather)
            found = stand.answers(run, played)
            said += [json.loads(process.communicate()[0]) for process in crowd]
            seen[case].append(
                {
                    "presses": found.presses,
                    "missing": found.missing,
                    "unpaired": found.unpaired,
                    "median_us": _us(found.latency_ns, 0.5),
                    "p90_us": _us(found.latency_ns, 0.9),
                    "p95_us": _us(found.latency_ns, 0.95),
                    "cpu": round(run.cpu_s / run.wall_s, 4),
                }
            )
    figures: Figures = {}
    for case, runs in seen.items():
        figures[case] = {name: round(median(run[name] for run in runs), 3) for name in runs[0]}
    pairs = list(zip(*(seen[case] for case in CROWD_CASES), strict=True))
    figures["ratio"] = {
        name: round(median(there[name] / alone[name] for alone, there in pairs), 3)
        for name in ("median_us", "p90_us", "p95_us", "cpu")
    }
    return {
        "byte to note, a run": figures,
        "the crowd, a run": {
            BRIDGE: {name: round(median(each[name] for each in said)) for name in said[0]}
        },
    }


# Beyond, it reads for minutes what the bridge reads in a second.
PLAIN_ZONES = 96


def drain(folder: Path, size: Size) -> Figures:
    """Scans a second that can be read and acted upon, by size of mat and format."""
    stand = Stand(folder)
    result: Figures = {}
    for packed in (False, True):
        for zones in SIZES:
            plain = () if packed or zones > PLAIN_ZONES else (PLAIN,)
            labels = (BRIDGE, *plain, FLOOR)
            played = perform("play", zones, 4.0, RATE_HZ, packed=packed, seed=0)
            rates: dict[str, list[float]] = {label: [] for label in labels}
            costs: dict[str, list[float]] = {label: [] for label in labels}
            for _ in range(size.repeats):
                for label in labels:
                    run = stand.run(label, played, flood_s=size.flood_s)
                    last_ns = max([run.drained_ns, *(at_ns for at_ns, _ in run.received[-1:])])
                    rates[label].append(run.scans / ((last_ns - run.written_ns[0]) / 1e9))
                    costs[label].append(run.cpu_s / run.scans * 1e6)
            row = {
                label: {
                    "scans_per_s": round(median(rates[label])),
                    "cpu_us_per_scan": round(median(costs[label]), 2),
                }
                for label in labels
            }
            result[f"{zones} zones, {'packed' if packed else 'text'}"] = row
    return result


def wide(folder: Path, size: Size) -> Figures:
    """A mat of 1024 zones at 200 scans a second: does it keep up, and at what cost."""
    stand = Stand(folder)
    result: Figures = {}
    for packed in (False, True):
        played = perform("play", 1024, size.seconds, WIDE_RATE_HZ, packed=packed, seed=0)
        run = stand.run(BRIDGE, played)
        found = stand.answers(run, played)
        result["packed" if packed else "text"] = {
            BRIDGE: {
                "kept_up": not run.overrun,
                "cpu": round(run.cpu_s / run.wall_s, 4),
                "median_us": _us(found.latency_ns, 0.5),
                "p99_us": _us(found.latency_ns, 0.99),
                "missing": found.missing,
            }
        }
    return result


def _ms(command: list[str]) -> float:
    before = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return (time.perf_counter() - before) * 1000


def _start_ms(stand: Stand) -> float:
    """From the start of a bridge until it has opened its board, and so waits for a scan."""
    board, out = rig.Pty(), rig.Pty()
    try:
        command = stand.command(BRIDGE, ZONES, packed=False)(board.path, out.path)
        with rig.started(BRIDGE, command, board, stand.folder / "start.log") as bridge:
            return bridge.ready_s * 1000
    finally:
        board.close()
        out.close()


def shell(folder: Path, size: Size) -> Figures:
    """What a person waits for at the prompt, beside an interpreter that does nothing."""
    stand = Stand(folder)
    program = str(Path(sys.executable).with_name("matbridge"))
    nothing = [sys.executable, "-c", "pass"]
    taken: dict[str, list[tuple[float, float]]] = {
        "--help": [], "preset NAME": [], "run FILE, until it listens to the board": [],
    }  # fmt: skip
    helping, switching, starting = taken.values()

    def switch(_: int) -> None:
        for preset in ("other", "all") * size.starts:
            switching.append((_ms([program, "preset", preset]), _ms(nothing)))

    played = perform("idle", ZONES, 1.0, RATE_HZ, packed=False, seed=0)
    stand.run(BRIDGE, played, beside=switch)
    # The first start of a checkout compiles its modules; it was that one.
    for _ in range(size.starts):
        helping.append((_ms([program, "--help"]), _ms(nothing)))
        starting.append((_start_ms(stand), _ms(nothing)))
    return {
        case: {
            BRIDGE: {"ms": round(median(ours for ours, _ in both), 1)},
            PASS: {"ms": round(median(theirs for _, theirs in both), 1)},
        }
        for case, both in taken.items()
    }


def wire(folder: Path, size: Size) -> Figures:
    """Bytes of a scan as they are sent, beside the arithmetic, and what a line carries of them."""
    from tests.support.documents import BAUDS, BITS_A_BYTE, frame_bytes, line_bytes

    result: Figures = {}
    for zones in (8, 16, 24, 48, 64, 1024):
        for packed in (False, True):
            played = perform("storm", zones, 2.0, RATE_HZ, packed=packed, seed=0)
            sizes = [len(frame) for frame in played.frames]
            reckoned = frame_bytes(zones, 10) if packed else line_bytes(zones)
            result[f"{zones} zones, {'packed' if packed else 'text'}"] = {
                BRIDGE: {"bytes": round(sum(sizes) / len(sizes), 1), "most": max(sizes),
                         "reckoned": reckoned}
                | {f"at {baud}": int(baud / BITS_A_BYTE / max(sizes)) for baud in BAUDS}
            }  # fmt: skip
    return result


SCENES: dict[str, Callable[[Path, Size], Figures]] = {
    "latency": latency,
    "disturbed": disturbed,
    "crowded": crowded,
    "drain": drain,
    "wide": wide,
    "shell": shell,
    "stages": inside.stages,
    "rested": inside.rested,
    "wire": wire,
}
