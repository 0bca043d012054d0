"""The MIDI side of an examination: which system is there, and what each output finds in it."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence

from matbridge.board import adapter
from matbridge.cli import midi_systems
from matbridge.cli.doctor_board import may_use
from matbridge.cli.midi_systems import MidiSystem
from matbridge.display.doctor_report import Finding, State
from matbridge.errors import OutputAmbiguous
from matbridge.mapping.plan import MIDI_BOARD, MatPlan, OutputKind, OutputPlan, Show
from matbridge.midi.port_names import find
from matbridge.plain import escaped

ABOUT = "MIDI system"

# What an output says that takes the first system that is there.
AUTO = "auto"


def examine_midi(mat: MatPlan, show: Show | None) -> list[Finding]:
    """What there is to say of the machine's MIDI, and of the outputs that can be looked at."""
    systems, trouble = midi_systems.midi_systems()
    if trouble:
        return [Finding(ABOUT, State.WRONG, trouble)]
    outputs = show.performance.outputs if show is not None else ()
    found = [*_systems(systems, needed=bool(list(_drivers(mat, show)))), *_remarks(systems)]
    for about, driver in _drivers(mat, show):
        found += _asked_for(about, driver, systems)
    for output in outputs:
        if output.kind is OutputKind.PORT:
            found += _port(output, systems)
        elif output.kind is OutputKind.SERIAL:
            found.append(may_use(f"output {output.name}", output.target))
    return found


def _drivers(mat: MatPlan, show: Show | None) -> Iterator[tuple[str, str]]:
    """All that goes through a MIDI system: what to call it, and the driver that it asks for."""
    for number, board in enumerate(mat.boards, 1):
        if board.port == MIDI_BOARD:
            about = f"board {number}" if len(mat.boards) > 1 else "board"
            yield about, str(dict(board.options).get("driver", AUTO))
    if show is None:
        return
    for output in show.performance.outputs:
        if output.kind in (OutputKind.VIRTUAL, OutputKind.PORT):
            yield f"output {output.name}", _driver(output)
    if show.performance.input is not None:
        yield "input", show.performance.input.driver


def _driver(output: OutputPlan) -> str:
    return str(dict(output.options).get("driver", AUTO))


def _systems(systems: Sequence[MidiSystem], *, needed: bool) -> Iterator[Finding]:
    """Which are there. A machine needs one of them, and none for a serial jack or a file."""
    working = [system for system in systems if not system.missing]
    for system in working:
        count = len(system.outputs)
        ports = {0: "no port", 1: "1 port"}.get(count, f"{count} ports")
        yield Finding(ABOUT, State.GOOD, f"{system.title} is there, with {ports} to send to")
    if not working:
        why = "; ".join(system.missing for system in systems)
        text = f"none is there: {why or 'python-rtmidi was built without any'}"
        remedy = "one of them is enough" if len(systems) > 1 else ""
        yield Finding(ABOUT, State.WRONG if needed else State.NOTE, text, remedy)


def _remarks(systems: Sequence[MidiSystem]) -> Iterator[Finding]:
    """What else stands in the way of a system."""
    missing = {system.name: system.missing for system in systems}
    if sys.platform == "linux" and "alsa" not in missing:
        text = "python-rtmidi was built without ALSA, the MIDI system of most Linux desktops"
        remedy = "install its package of the system, or libasound2-dev and then python-rtmidi anew"
        yield Finding(ABOUT, State.NOTE, text, remedy)
    if missing.get("jack") and adapter.running(("pipewire",)):
        text = "PipeWire runs; the JACK library that comes with python-rtmidi cannot reach it"
        remedy = "use ALSA, or build python-rtmidi against the JACK library of PipeWire"
        yield Finding(ABOUT, State.NOTE, text, remedy)


def _asked_for(about: str, driver: str, systems: Sequence[MidiSystem]) -> Iterator[Finding]:
    """Where a driver is asked for by name and is not there, while another one may be."""
    if driver == AUTO:
        return
    why = next((system.missing for system in systems if system.name == driver), "not built in")
    if why:
        remedy = ""
        if any(not system.missing for system in systems):
            remedy = "leave driver out, and it takes the one that is there"
        yield Finding(about, State.WRONG, f"it asks for driver: {driver}; {why}", remedy)


def _port(output: OutputPlan, systems: Sequence[MidiSystem]) -> Iterator[Finding]:
    """Whether the port that an output goes to is there, in the system that the output takes."""
    about, target, driver = f"output {output.name}", escaped(output.target), _driver(output)
    working = [system for system in systems if not system.missing]
    own = next((each for each in working if driver in (AUTO, each.name)), None)
    if own is None:
        return
    try:
        for system in (own, *working):
            if find(output.target, list(system.outputs)) is None:
                continue
            if system is own:
                yield Finding(about, State.GOOD, f"'{target}' is there")
            else:
                text = f"'{target}' is there in {system.title}, and it goes to {own.title}"
                yield Finding(about, State.WRONG, text, f"write driver: {system.name} beside it")
            return
    except OutputAmbiguous as error:
        yield Finding(about, State.WRONG, escaped(str(error)))
        return
    text = f"no MIDI port fits '{target}' now"
    yield Finding(about, State.WRONG, text, "see matbridge ports")
