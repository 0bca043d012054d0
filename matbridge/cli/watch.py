"""`matbridge watch`: the mat live in a terminal, or as lines of JSON."""

from __future__ import annotations

import argparse
import json
import select
import socket
import sys
from collections.abc import Iterator, Sequence

from matbridge.cli.control import NOT_RUNNING, READ_BYTES, NotRunning, connect
from matbridge.service.protocol import read_reply, request

# What ends it, and only it.
LEAVE = "Ctrl-C leaves"


def parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser(
        prog="matbridge watch",
        description="The mat as it is played: loads, levels, what sounds, and how boards and"
        " outputs fare. Ctrl-C ends it; the bridge plays on.",
    )
    made.add_argument("--name", metavar="NAME", help="of the bridge, where several are running")
    made.add_argument("--json", action="store_true", help="write lines of JSON instead of a screen")
    made.add_argument("--ascii", action="store_true", help="draw with ASCII characters only")
    return made


def main(argv: Sequence[str]) -> int:
    given = parser().parse_args(argv)
    try:
        connection = connect(given.name)
    except NotRunning as error:
        print(f"matbridge: {error}", file=sys.stderr)
        return NOT_RUNNING
    with socket.socket(fileno=connection.detach()) as connection:
        connection.sendall(request("watch", {}))
        connection.settimeout(None)
        if given.json or not sys.stdout.isatty():
            for line in _lines(connection):
                print(json.dumps(read_reply(line)), flush=True)
        else:
            _show(connection, ascii_only=given.ascii)
    print("matbridge: the bridge has ended, or this watcher was too slow", file=sys.stderr)
    return 1


def _show(connection: socket.socket, *, ascii_only: bool) -> None:
    from rich.console import Console
    from rich.live import Live

    from matbridge.display.watch import draw

    console = Console()
    plain = ascii_only or not (console.encoding or "").startswith("utf")
    scene: dict[str, object] = {}
    frame: dict[str, object] = {}
    with Live(console=console, screen=True, auto_refresh=False) as live:
        for line in _lines(connection):
            said = read_reply(line)
            scene = _facts(said.get("scene")) or scene
            frame = _facts(said.get("frame")) or frame
            # What has piled up while we drew is old: only the latest is worth drawing.
            if not select.select([connection], [], [], 0)[0]:
                width, height = console.size
                drawn = draw(scene, frame, width, height, hint=LEAVE, plain=plain)
                live.update(drawn, refresh=True)


def _lines(connection: socket.socket) -> Iterator[bytes]:
    """Whole lines, until the bridge hangs up."""
    rest = b""
    while data := connection.recv(READ_BYTES):
        *lines, rest = (rest + data).split(b"\n")
        yield from lines


def _facts(value: object) -> dict[str, object]:
    return value if isinstance(value, dict) else {}
