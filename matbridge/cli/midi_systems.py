"""The MIDI systems of this computer and their ports, found out by a process of its own.

A MIDI server that has stopped can freeze whoever asks it, and its client library writes to the
terminal as it likes; so the asking is done where both do no harm.
"""

from __future__ import annotations

import json
import subprocess
import sys
from typing import NamedTuple

from matbridge.plain import escaped

# To connect to a live server takes some tens of milliseconds, to give up on a dead one a second.
LIMIT_S = 8.0


class MidiSystem(NamedTuple):
    """name: as an output's `driver` has it. missing: why it cannot be used here, or empty.

    outputs: ports that MIDI can be sent to; inputs: ports that it comes from.
    """

    name: str
    title: str
    missing: str
    outputs: tuple[str, ...] = ()
    inputs: tuple[str, ...] = ()


def midi_systems() -> tuple[list[MidiSystem], str]:
    """All that python-rtmidi was built with, in the order they are tried; and why not, if not."""
    command = [sys.executable, "-P", "-m", "matbridge.cli.midi_systems"]
    try:
        done = subprocess.run(  # noqa: S603 - our own module
            command, capture_output=True, timeout=LIMIT_S, check=False, stdin=subprocess.DEVNULL
        )
        rows = json.loads(done.stdout)
    except subprocess.TimeoutExpired:
        return [], f"a MIDI server did not answer for {LIMIT_S:.0f} s; it hangs: restart it"
    except (OSError, ValueError):
        return [], "python-rtmidi is not there, or does not work: pip install python-rtmidi"
    return [_system(row) for row in rows], ""


def _system(row: dict[str, object]) -> MidiSystem:
    def ports(key: str) -> tuple[str, ...]:
        names = row[key]
        return tuple(escaped(str(name)) for name in names) if isinstance(names, list) else ()

    return MidiSystem(
        str(row["name"]),
        str(row["title"]),
        escaped(str(row["missing"])),
        ports("outputs"),
        ports("inputs"),
    )


def _ask() -> list[dict[str, object]]:
    from matbridge.errors import OutputError
    from matbridge.midi import port_names, rtmidi_port

    rows: list[dict[str, object]] = []
    for driver in rtmidi_port.compiled():
        row: dict[str, object] = {"name": driver.name, "title": driver.title, "missing": ""}
        try:
            row["outputs"] = [port_names.plain(name) for name in rtmidi_port.output_names(driver)]
            row["inputs"] = [port_names.plain(name) for name in rtmidi_port.input_names(driver)]
        except OutputError as error:
            row |= {"missing": str(error), "outputs": [], "inputs": []}
        rows.append(row)
    return rows


if __name__ == "__main__":
    print(json.dumps(_ask()))
