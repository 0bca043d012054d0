"""What is measured: each scene runs the bridges in turn, A B C A B C, and gives plain figures."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Callable
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
        if run.label == BRIDGE:
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


def _paced(stand: Stand, label: str, scenario: str, size: Size, *, packed: bool = False,
           beside: Callable[[int], None] | None = None) -> Figures:  # fmt: skip
    latency: list[int] = []
    spread: list[int] = []
    figures: Figures = {"presses": 0, "missing": 0, "spurious": 0, "unpaired": 0}
    cpu, rss, ready = [], [], []
    for seed in range(size.repeats):
        played = perform(scenario, ZONES, size.seconds, RATE_HZ, packed=packed, seed=seed)
        run = stand.run(label, played, beside=beside)
        found = stand.answers(run, played)
        latency += found.latency_ns
        spread += found.spread_ns
        for name in ("presses", "missing", "spurious", "unpaired"):
            figures[name] += getattr(found, name)
        cpu.append(run.cpu_s / run.wall_s)
        rss.append(run.peak_rss_kib)
        ready.append(run.ready_s)
    if latency:
        figures |= {
            "median_us": _us(latency, 0.5),
            "p95_us": _us(latency, 0.95),
            "p99_us": _us(latency, 0.99),
            "worst_us": _us(latency, 1.0),
            "latencies_us": [round(value / 1000) for value in sorted(latency)],
        }
    if spread:
        figures["storm_spread_us"] = _us(spread, 0.5)
    return figures | {
        "cpu": round(median(cpu), 4),
        "rss_mib": round(median(rss) / 1024, 1),
        "ready_s": round(median(ready), 3),
    }


def latency(folder: Path, size: Size) -> Figures:
    """Byte to note, playing and all zones at once; processor and memory beside it."""
    stand = Stand(folder)
    result: Figures = {}
    for scenario in ("play", "storm", "idle"):
        result[scenario] = {
            label: _paced(stand, label, scenario, size) for label in (BRIDGE, PLAIN, LEAST, FLOOR)
        }
    result["play, packed"] = {
        label: _paced(stand, label, "play", size, packed=True) for label in (BRIDGE, LEAST, FLOOR)
    }
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
        "undisturbed": {BRIDGE: _paced(stand, BRIDGE, "play", size)},
        "three watchers": {BRIDGE: _paced(stand, BRIDGE, "play", size, beside=watched)},
        "three reloads": {BRIDGE: _paced(stand, BRIDGE, "play", size, beside=reloaded)},
    }


# As many clients as anybody could have by mistake, and then some.
CROWD = 100
CROWD_CASES = ("alone", "in a crowd")
PAIRS = 4  # for every repeat
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


def drain(folder: Path, size: Size) -> Figures:
    """Scans a second that can be read and acted upon, by size of mat and format."""
    stand = Stand(folder)
    result: Figures = {}
    for packed in (False, True):
        for zones in SIZES:
            labels = (BRIDGE, FLOOR) if packed else (BRIDGE, PLAIN, FLOOR)
            played = perform("play", zones, 4.0, RATE_HZ, packed=packed, seed=0)
            row: Figures = {}
            for label in labels:
                rates, costs = [], []
                for _ in range(size.repeats):
                    run = stand.run(label, played, flood_s=size.flood_s)
                    last_ns = max([run.drained_ns, *(at_ns for at_ns, _ in run.received[-1:])])
                    rates.append(run.scans / ((last_ns - run.written_ns[0]) / 1e9))
                    costs.append(run.cpu_s / run.scans * 1e6)
                row[label] = {
                    "scans_per_s": round(median(rates)),
                    "cpu_us_per_scan": round(median(costs), 2),
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


def _timed(command: list[str], times: int) -> float:
    taken = []
    for _ in range(times):
        before = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        taken.append(time.perf_counter() - before)
    return round(median(taken) * 1000, 1)


def _start_ms(stand: Stand, times: int) -> float:
    """From the start of a bridge until it has opened its board, and so waits for a scan."""
    taken = []
    board, out = rig.Pty(), rig.Pty()
    try:
        command = stand.command(BRIDGE, ZONES, packed=False)(board.path, out.path)
        for _ in range(times + 1):
            with rig.started(BRIDGE, command, board, stand.folder / "start.log") as bridge:
                taken.append(bridge.ready_s)
    finally:
        board.close()
        out.close()
    # The first may have had to compile its modules.
    return round(median(taken[1:]) * 1000, 1)


def shell(folder: Path, size: Size) -> Figures:
    """What a person waits for at the prompt, beside an interpreter that does nothing."""
    stand = Stand(folder)
    program = str(Path(sys.executable).with_name("matbridge"))
    nothing = _timed([sys.executable, "-c", "pass"], size.starts)
    helped = _timed([program, "--help"], size.starts)
    turns = iter(["other", "all"] * size.starts)
    taken: list[float] = []

    def switch(_: int) -> None:
        taken.extend(_timed([program, "preset", next(turns)], 1) for _ in range(size.starts))

    played = perform("idle", ZONES, 1.0, RATE_HZ, packed=False, seed=0)
    stand.run(BRIDGE, played, beside=switch)
    return {
        "--help": {BRIDGE: {"ms": helped}, PASS: {"ms": nothing}},
        "preset NAME": {BRIDGE: {"ms": median(taken)}, PASS: {"ms": nothing}},
        "run FILE, until it listens to the board": {
            BRIDGE: {"ms": _start_ms(stand, size.starts)},
            PASS: {"ms": nothing},
        },
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
