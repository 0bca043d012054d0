"""The status of a running bridge as lines for a person; see matbridge.service.status."""

from __future__ import annotations

from matbridge.display.durations import duration
from matbridge.plain import escaped

# Imported by a command that answers at once: see matbridge.cli.control.
TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from typing import Any, TypeAlias

    Facts: TypeAlias = Mapping[str, Any]


def status_lines(said: Facts) -> Iterator[str]:
    """One fact a line, the important ones first; all of it fit for a terminal."""
    for line in _lines(said):
        yield escaped(line)


def _lines(said: Facts) -> Iterator[str]:
    presets = said.get("presets") or []
    preset = said.get("preset")
    number = f" ({presets.index(preset) + 1} of {len(presets)})" if preset in presets else ""
    yield f"{said.get('performance')} on {said.get('mat')}: {preset}{number}"
    moved = said.get("transpose") or 0
    sounding = said.get("sounding", 0)
    state = [
        "1 note sounds" if sounding == 1 else f"{sounding} notes sound",
        f"{said.get('tempo_bpm', 0):g} beats a minute",
    ]
    state += [f"transposed by {moved:+d}"] if moved else []
    state += ["muted"] if said.get("muted") else []
    yield f"  {', '.join(state)}"
    date = said.get("calibrated")
    yield f"  calibrated {date}" if date else "  not calibrated"
    for board in said.get("boards") or ():
        yield f"board {board.get('port')}: {board.get('trouble') or heard(board)}"
    for output in said.get("outputs") or ():
        where = f"{output.get('kind')} {output.get('target', '')}".rstrip()
        how = "up" if output.get("up") else f"down: {output.get('why') or 'not there'}"
        yield f"output {output.get('name')} ({where}): {how}"
    source = said.get("input")
    if source:
        how = "heard" if source.get("up") else f"down: {source.get('why') or 'not there'}"
        yield f"input {source.get('pattern')}: {how}"
    for fault in said.get("faults") or ():
        yield f"zone {fault.get('zone')}: {fault.get('kind')}"
    recording = said.get("recording") or {}
    if recording.get("take"):
        yield f"recording for {duration(recording.get('seconds', 0))}, to {recording['take']}"
    elif recording.get("why", "stopped") not in ("", "stopped"):
        yield f"the last take ended by itself: {recording['why']}"
    late = said.get("latency_us")
    if late:
        said_ms = ", ".join(f"{name} {value / 1000:.2f}" for name, value in late.items())
        yield f"latency from board to port in ms: {said_ms}"
    if said.get("reload_error"):
        first, *more = str(said["reload_error"]).splitlines()
        yield f"a changed file is wrong, the old mapping plays on: {first}"
        yield from more
    yield (
        f"'{said.get('name')}' runs for {duration(said.get('running_s', 0))}, process"
        f" {said.get('process')}, matbridge {said.get('version')}"
    )


def heard(board: Facts) -> str:
    """What comes of a board: its scans a second, once they were counted, and its losses."""
    rate = board.get("scans_per_s")
    scans = "" if rate is None else f"{rate} scans/s, "
    return f"{scans}{board.get('lost', 0)} lost, {board.get('damaged', 0)} damaged"
