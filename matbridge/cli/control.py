"""The commands that speak to a running bridge, but for `watch`, which takes its time.

A performer may bind them to a key, so they must answer at once: they read their few arguments by
hand and import next to nothing. What they print on success is fit for a script: `preset NAME` the
name of the preset that plays now, `panic` how many notes it ended, `status --json` one JSON object.
"""

from __future__ import annotations

import os
import sys

from matbridge.folders import runtime_folders
from matbridge.service import quick
from matbridge.service.protocol import SOCKET_SUFFIX, read_reply, refused, request

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from socket import socket

NOT_RUNNING = 3

# A bridge answers within milliseconds; a reload takes as long as its files.
ANSWER_S = 35.0

# The largest reply, a status, is some kilobytes; a watcher's lines are longer.
READ_BYTES = 65_536

# What each command does, for its --help.
_ABOUT = {
    "preset": "Play a preset; without one, list them, a * before the one that plays now.",
    "status": "Tell how the running bridge fares: its boards, outputs, faults and latency.",
    "panic": "End every note that sounds, and say how many there were.",
    "mute": "Play nothing, or play again; without on or off, the other of the two.",
    "transpose": "Move every note by so many semitones (below 0, down), or to so many from where\n"
    "it is written; without a number, say by how many notes are moved.",
    "reload": "Take up changed files now; a wrong one changes nothing.",
    "stop": "End the running bridge, and wait until it has ended.",
}

_HELP = {
    "--name": "  --name NAME   of the bridge, where several are running",
    "--json": "  --json        for programs: one JSON object",
}


class _Usage(Exception):
    """The command line is wrong, or help was asked for (code 0)."""

    def __init__(self, code: int, text: str) -> None:
        super().__init__(text)
        self.code = code


class NotRunning(Exception):
    """There is no bridge to speak to."""


def preset(argv: Sequence[str]) -> int:
    """Without arguments lists the presets, the one that plays marked; else plays the one named."""

    def do(words: Sequence[str], name: str | None) -> None:
        if not words:
            said = exchange("presets", {}, name)
            for each in _texts(said.get("presets")):
                _print(f"{'*' if each == said.get('preset') else ' '} {each}")
            return
        _print(str(exchange("preset", {"name": " ".join(words)}, name).get("preset")))

    return _run("preset", "[NAME | next | previous]", argv, do, most=99)


def status(argv: Sequence[str]) -> int:
    """How the bridge fares, for a person or as JSON."""

    def do(words: Sequence[str], name: str | None) -> None:
        said = exchange("status", {}, name)
        if words:
            import json

            print(json.dumps(said))
            return
        from matbridge.display.status import status_lines

        for line in status_lines(said):
            print(line)

    return _run("status", "[--json]", argv, do, options=("--json",))


def panic(argv: Sequence[str]) -> int:
    """End every note that sounds."""

    def do(_words: Sequence[str], name: str | None) -> None:
        print(exchange("panic", {}, name).get("released"))

    return _run("panic", "", argv, do)


def mute(argv: Sequence[str]) -> int:
    """Mute, or play again; without an argument it turns over."""

    def do(words: Sequence[str], name: str | None) -> None:
        fields: dict[str, object] = {}
        if words:
            if words[0] not in ("on", "off"):
                raise _Usage(2, f"'{words[0]}' is neither 'on' nor 'off'")
            fields["to"] = words[0] == "on"
        print("on" if exchange("mute", fields, name).get("muted") else "off")

    return _run("mute", "[on | off]", argv, do, most=1)


def transpose(argv: Sequence[str]) -> int:
    """Move every note; without an argument it only says by how much they are moved."""

    def do(words: Sequence[str], name: str | None) -> None:
        fields: dict[str, object] = {}
        if words:
            to = words[0] == "to"
            text = words[1] if to and len(words) > 1 else words[0]
            if len(words) > 1 + to or not text.lstrip("+-").isdecimal() or not text.isascii():
                raise _Usage(2, f"'{' '.join(words)}' is no number of semitones, such as -12")
            fields["to" if to else "by"] = int(text)
        print(exchange("transpose", fields, name).get("transpose"))

    return _run("transpose", "[SEMITONES | to SEMITONES]", argv, do, most=2)


def reload(argv: Sequence[str]) -> int:
    """Take up changed files now; a wrong file changes nothing."""

    def do(_words: Sequence[str], name: str | None) -> None:
        _print(str(exchange("reload", {}, name).get("performance")))

    return _run("reload", "", argv, do)


def stop(argv: Sequence[str]) -> int:
    """End the bridge, and wait until it has ended."""

    def do(_words: Sequence[str], name: str | None) -> None:
        connection = connect(name)
        try:
            connection.sendall(request("stop", {}))
            read_reply(_line(connection))
            while connection.recv(READ_BYTES):
                pass  # it hangs up when the last note-off has left
        finally:
            connection.close()

    return _run("stop", "", argv, do)


def exchange(ask: str, fields: Mapping[str, object], name: str | None) -> Mapping[str, object]:
    """Ask the running bridge, and return its answer.

    Raises ControlError where it refuses, NotRunning where there is none.
    """
    connection = connect(name)
    try:
        connection.sendall(request(ask, fields))
        return read_reply(_line(connection))
    finally:
        connection.close()


def connect(name: str | None) -> socket:
    """A connection to the bridge of that name, or to the only one.

    Raises NotRunning where there is none, ControlError where there are several.
    """
    found: dict[str, socket] = {}
    for folder in runtime_folders():
        try:
            files = sorted(os.listdir(folder))  # noqa: PTH208
        except OSError:
            continue
        for file in files:
            bridge = file.removesuffix(SOCKET_SUFFIX)
            if file == bridge or (name is not None and bridge != name) or bridge in found:
                continue
            try:
                found[bridge] = quick.connect(f"{folder}/{file}", ANSWER_S)
            except PermissionError:
                raise refused(f"the bridge '{bridge}' is another user's") from None
            except OSError:
                continue  # left by one that was killed
    if not found:
        called = f" called '{name}'" if name else ""
        raise NotRunning(f"no bridge{called} is running; start one with 'matbridge run FILE'")
    connection, *others = found.values()
    if others:
        for each in found.values():
            each.close()
        raise refused(f"several bridges are running ({', '.join(found)}); choose one with --name")
    return connection


def _line(connection: socket) -> bytes:
    data = b""
    while not data.endswith(b"\n"):
        try:
            more = connection.recv(READ_BYTES)
        except TimeoutError:
            raise refused(f"the running bridge has not answered for {ANSWER_S:g} s") from None
        if not more:
            raise refused("the running bridge hung up without an answer")
        data += more
    return data


def _run(
    command: str,
    synopsis: str,
    argv: Sequence[str],
    do: Callable[[Sequence[str], str | None], None],
    *,
    most: int = 0,
    options: Sequence[str] = (),
) -> int:
    """Read the command line, do it, and turn what happens into an exit code."""
    usage = f"usage: matbridge {command} {synopsis}".rstrip() + " [--name NAME]"
    try:
        words, name = _read(argv, most, options)
        do(words, name)
    except _Usage as error:
        if error.code == 0:
            told = (_HELP[option] for option in (*options, "--name"))
            print("\n".join((usage, "", _ABOUT[command], "", *told)))
        else:
            print(f"{usage}\nmatbridge {command}: {error}", file=sys.stderr)
        return error.code
    except NotRunning as error:
        print(f"matbridge: {error}", file=sys.stderr)
        return NOT_RUNNING
    return 0


def _read(argv: Sequence[str], most: int, options: Sequence[str]) -> tuple[list[str], str | None]:
    words: list[str] = []
    name = None
    rest = iter(argv)
    for word in rest:
        if word in ("-h", "--help"):
            raise _Usage(0, "")
        if word == "--name" or word.startswith("--name="):
            name = word[7:] if "=" in word else next(rest, "")
            if not name or "/" in name:
                raise _Usage(2, "--name needs the name of a bridge")
        elif word.startswith("--") and word not in options:
            raise _Usage(2, f"there is no option '{word}'")
        else:
            words.append(word)
    if len(words) > (len(options) or most):
        raise _Usage(2, f"'{words[-1]}' is one word too many")
    if options and any(word not in options for word in words):
        raise _Usage(2, f"'{words[0]}' is none of {', '.join(options)}")
    return words, name


def _texts(value: object) -> list[str]:
    return [str(each) for each in value] if isinstance(value, list) else []


def _print(text: str) -> None:
    from matbridge.plain import escaped

    print(escaped(text))
