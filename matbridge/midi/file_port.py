"""A Standard MIDI File, written as it is played; whatever stops the bridge, it can be read.

Messages become events on the loop; a thread of its own writes them every FLUSH_S, because a disk
may keep a writer waiting for as long as it likes.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from queue import SimpleQueue
from threading import Event, Thread

from matbridge.errors import OutputClosed
from matbridge.loop import Loop, Timer
from matbridge.midi.output import START_WAIT_S, Output
from matbridge.midi.smf import MARKER, TICKS_PER_QUARTER, Track
from matbridge.midi.smf_file import TrackFile

# What a crash may cost.
FLUSH_S = 1.0

# What a power cut may cost: the system keeps what is written this long before the disk has it.
SYNC_S = 5.0

# How often a file is tried again that could not be made or written.
RETRY_S = 2.0

# What may wait for a disk that does not answer: over an hour of play.
MAX_WAITING = 1024 * 1024

# How long `close` waits for the disk.
CLOSE_WAIT_S = 2.0

_DEFAULT_BPM = 120.0


class FilePort(Output):
    """target: the path. An earlier recording there is kept, and a number added to the new one's
    name, unless `replace`. The file begins when the output is opened.

    tempo_bpm: the tempo it begins with. title: the name of the track; the output's if empty.
    """

    _loop: Loop
    _track: Track
    _timer: Timer

    def __init__(
        self,
        name: str,
        target: str,
        *,
        tempo_bpm: float = _DEFAULT_BPM,
        title: str = "",
        replace: bool = False,
    ) -> None:
        self.name = name
        self._target = target
        self._tempo_bpm = tempo_bpm
        self._title = title or name
        self._replace = replace
        self._closed = True
        self._writer: _Writer | None = None
        self._why = ""
        self._events = bytearray()
        self._dropped = 0
        self._losses = 0

    def open(
        self,
        loop: Loop,
        wait_s: float = START_WAIT_S,  # noqa: ARG002 - a file takes no time to make
    ) -> None:
        if self._closed:
            self._loop = loop
            self._make()
            self._closed = False

    def send(self, messages: Sequence[bytes]) -> None:
        if not self._taking():
            self._dropped += len(messages)
            return
        now_s = self._loop.now_s()
        for message in messages:
            self._events += self._track.message(message, now_s)

    def tempo(self, bpm: float) -> None:
        if self._taking():
            self._events += self._track.tempo(bpm, self._loop.now_s())

    def mark(self, text: str) -> None:
        if self._taking():
            self._events += self._track.text(MARKER, text, self._loop.now_s())

    def close(self) -> None:
        if self._closed:
            return
        self._closed = True
        self._timer.cancel()
        if self._writer is not None:
            self._writer.take(bytes(self._events))
            self._writer.finish(self._track.end(self._loop.now_s()))
            self._writer = None
        self._events.clear()

    @property
    def up(self) -> bool:
        return not self._closed and self._writer is not None and not self._why

    def status(self) -> Mapping[str, object]:
        facts: dict[str, object] = {"kind": "file", "up": self.up, "target": self._target}
        if self._writer is not None:
            facts["path"] = str(self._writer.path)
            facts["bytes"] = self._writer.written
        if not self.up:
            facts["why"] = self._why
        return facts | {"dropped": self._dropped, "losses": self._losses}

    def _taking(self) -> bool:
        if self._closed:
            raise OutputClosed(f"output '{self.name}' is not open")
        return self._writer is not None and not self._why

    def _make(self) -> None:
        """Make the file, or try again later."""
        self._track = Track(self._loop.now_s())
        opening = self._track.opening(self._title, self._tempo_bpm)
        try:
            file = _made(Path(self._target).expanduser(), opening, replace=self._replace)
        except OSError as error:
            self._why = f"{self._target} cannot be written: {_reason(error)}"
            self._timer = self._loop.call_at(self._loop.now_s() + RETRY_S, self._on_retry)
            return
        self._why = ""
        self._writer = _Writer(file)
        self._timer = self._loop.call_at(self._loop.now_s() + FLUSH_S, self._on_time)

    def _on_retry(self) -> None:
        self._make()
        if self.up and self.on_up is not None:
            self.on_up()

    def _on_time(self) -> None:
        """Hand over what has come, and see how the disk fares."""
        self._timer = self._loop.call_at(self._loop.now_s() + FLUSH_S, self._on_time)
        writer = self._writer
        if writer is None:
            return
        if self._events:
            writer.take(bytes(self._events))
            self._events.clear()
        trouble = writer.trouble
        if not trouble and writer.waiting > MAX_WAITING:
            trouble = "the disk does not take what is written"
        was_up, self._why = self.up, f"{writer.path}: {trouble}" if trouble else ""
        if was_up and self._why:
            self._losses += 1
            if self.on_down is not None:
                self.on_down(self._why)
        elif not was_up and not self._why and self.on_up is not None:
            self.on_up()


class _Writer:
    """Writes a TrackFile on a thread. What it could not write it tries again.

    trouble: why the last try failed, or empty. waiting, written: bytes of events.
    """

    def __init__(self, file: TrackFile) -> None:
        self.path = file.path
        self.trouble = ""
        self.taken = 0
        self.written = 0
        self._file = file
        self._orders: SimpleQueue[bytes] = SimpleQueue()
        self._end = b""
        self._finishing = Event()
        # A disk that never answers must not keep the program from ending.
        self._thread = Thread(target=self._run, name="midi file", daemon=True)
        self._thread.start()

    @property
    def waiting(self) -> int:
        return self.taken - self.written

    def take(self, events: bytes) -> None:
        """Have these written."""
        self.taken += len(events)
        self._orders.put(events)

    def finish(self, end: bytes) -> None:
        """Write what waits, then the last event; wait for it for CLOSE_WAIT_S at most."""
        self._end = end
        self._finishing.set()
        self._orders.put(b"")
        self._thread.join(CLOSE_WAIT_S)

    def _run(self) -> None:
        pending = b""
        unsynced = 0
        while True:
            pending += self._orders.get()
            while not self._orders.empty():
                pending += self._orders.get()
            try:
                if pending:
                    self._file.append(pending)
                    self.written += len(pending)
                    pending = b""
                if self._finishing.is_set():
                    self._file.finish(self._end)
                    return
                unsynced += 1
                if unsynced * FLUSH_S >= SYNC_S:
                    self._file.sync()
                    unsynced = 0
            except OSError as error:
                self.trouble = _reason(error)
                if self._finishing.is_set():
                    self._file.close()
                    return
                # Nothing comes while there is trouble, so ask for another try.
                self._finishing.wait(RETRY_S)
                self._orders.put(b"")
            else:
                self.trouble = ""


def _made(path: Path, opening: bytes, *, replace: bool) -> TrackFile:
    """A new file: `path`, or unless `replace` the first of it, -2, -3 and so on that is free."""
    candidate, number = path, 1
    while True:
        try:
            return TrackFile(candidate, opening, TICKS_PER_QUARTER, replace=replace)
        except FileExistsError:
            number += 1
            candidate = path.with_name(f"{path.stem}-{number}{path.suffix}")


def _reason(error: OSError) -> str:
    return os.strerror(error.errno) if error.errno else str(error)
