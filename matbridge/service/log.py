"""The log: one line an event, with fields; never in the way of the music.

    14:03:07 board found: port=/dev/ttyACM0 channels=24
    14:05:12 warning: board lost: port=/dev/ttyACM0 reason="Input/output error"
    {"time":"2026-03-01T14:03:07.120+00:00","level":"info","event":"board found","port":...}

The first failure of a kind is a warning; the same again says nothing until it is mended, and the
line that says so counts the failures. Whatever comes from a board or a file is escaped, so that it
cannot speak to a terminal.

Lines are written by a thread of their own: a terminal that is stopped or a pipe that nobody reads
must not stop the loop. Beyond WAITING_LINES they are dropped, and counted.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections import deque
from collections.abc import Callable, Mapping
from datetime import datetime
from enum import StrEnum
from threading import Condition, Thread

from matbridge.plain import escaped

# What a stopped terminal may hold up: minutes of trouble, a few hundred kilobytes at most.
WAITING_LINES = 1000

# A field longer than this tells nobody more; a board may send what it likes.
MAX_FIELD = 300

# How long a stop waits for lines that have not gone out yet.
FLUSH_S = 0.5

# Levels of syslog(3), as sd-daemon(3) reads them at the start of a line for the journal.
_SYSLOG = {"info": "<6>", "warning": "<4>", "error": "<3>"}


class Format(StrEnum):
    """How lines are written; JOURNAL is TEXT without a time, with the level as sd-daemon has it."""

    TEXT = "text"
    JSON = "json"
    JOURNAL = "journal"


class Log:
    """Where events go. write: takes a whole line, on any thread, and may block."""

    def __init__(
        self,
        write: Callable[[str], None],
        form: Format = Format.TEXT,
        clock: Callable[[], datetime] = lambda: datetime.now().astimezone(),
    ) -> None:
        self._write = write
        self._form = form
        self._clock = clock
        self._failures: dict[str, int] = {}
        self._waiting: deque[str] = deque()
        self._dropped = 0
        self._closed = False
        self._changed = Condition()
        self._writing = Thread(target=self._write_all, name="log", daemon=True)
        self._writing.start()

    def info(self, event: str, **fields: object) -> None:
        self._say("info", event, fields)

    def warning(self, event: str, **fields: object) -> None:
        self._say("warning", event, fields)

    def error(self, event: str, **fields: object) -> None:
        self._say("error", event, fields)

    def failed(self, key: str, event: str, **fields: object) -> None:
        """A warning if `key` was well until now; otherwise only counted."""
        count = self._failures.get(key, 0)
        self._failures[key] = count + 1
        if count == 0:
            self._say("warning", event, fields)

    def mended(self, key: str, event: str, **fields: object) -> bool:
        """Says so if `key` had failed, and how often; otherwise nothing, and returns False."""
        count = self._failures.pop(key, 0)
        if count:
            self._say("info", event, {**fields, "failures": count} if count > 1 else fields)
        return count > 0

    def forget(self, key: str) -> None:
        """What `key` stood for is no more."""
        self._failures.pop(key, None)

    def has_failed(self, key: str) -> bool:
        """Whether `key` has failed and not been mended."""
        return key in self._failures

    def close(self) -> None:
        """Write what waits, for FLUSH_S at most; later lines are dropped. Twice is harmless."""
        with self._changed:
            self._closed = True
            self._changed.notify()
        self._writing.join(FLUSH_S)

    def _say(self, level: str, event: str, fields: Mapping[str, object]) -> None:
        line = _FORMATS[self._form](self._clock(), level, event, fields)
        with self._changed:
            if len(self._waiting) >= WAITING_LINES or self._closed:
                self._dropped += 1
                return
            self._waiting.append(line)
            self._changed.notify()

    def _write_all(self) -> None:
        while True:
            with self._changed:
                while not self._waiting:
                    if self._closed:
                        return
                    self._changed.wait()
                line, dropped, self._dropped = self._waiting.popleft(), self._dropped, 0
            if dropped:
                fields = {"lines": dropped}
                line += _FORMATS[self._form](self._clock(), "warning", "log held up", fields)
            # A log that cannot be written is no reason to stop, nor a thing to log.
            with contextlib.suppress(OSError, ValueError):
                self._write(line)


def to_descriptor(fd: int) -> Callable[[str], None]:
    """Lines to an open descriptor, each whole."""

    def write(line: str) -> None:
        rest = line.encode("utf-8", "backslashreplace")
        while rest:
            rest = rest[os.write(fd, rest) :]

    return write


def in_journal(fd: int, environ: Mapping[str, str]) -> bool:
    """Whether the descriptor leads to the journal: systemd.exec(5), JOURNAL_STREAM."""
    with contextlib.suppress(OSError):
        file = os.fstat(fd)
        return environ.get("JOURNAL_STREAM") == f"{file.st_dev}:{file.st_ino}"
    return False


def _cut(value: object) -> object:
    if value is None or isinstance(value, bool | int | float):
        return value
    text = str(value)
    return text if len(text) <= MAX_FIELD else text[: MAX_FIELD - 1] + "\u2026"


def _field(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.6g}"
    text = str(_cut(value))
    plain = text.isprintable() and text and not set(text) & set(' "=\\')
    return text if plain else '"' + escaped(text.replace("\\", "\\\\").replace('"', '\\"')) + '"'


def _line(event: str, fields: Mapping[str, object]) -> str:
    said = " ".join(f"{name}={_field(value)}" for name, value in fields.items())
    return f"{event}: {said}" if said else event


def _text(now: datetime, level: str, event: str, fields: Mapping[str, object]) -> str:
    mark = "" if level == "info" else f"{level}: "
    return f"{now:%H:%M:%S} {mark}{_line(event, fields)}\n"


def _journal(now: datetime, level: str, event: str, fields: Mapping[str, object]) -> str:  # noqa: ARG001 - the journal has a clock
    return f"{_SYSLOG[level]}{_line(event, fields)}\n"


def _json(now: datetime, level: str, event: str, fields: Mapping[str, object]) -> str:
    cut = {name: _cut(value) for name, value in fields.items()}
    time = now.isoformat(timespec="milliseconds")
    # ASCII only, so everything that does not print is escaped by JSON itself.
    return json.dumps({"time": time, "level": level, "event": event, **cut}) + "\n"


_FORMATS = {Format.TEXT: _text, Format.JSON: _json, Format.JOURNAL: _journal}
