"""A port of the computer's MIDI systems: a new one for others to connect to, or one that exists.

The port itself is held by a process (port_process.py), which is started, fed and watched here:

    closed ──open()──▶ looking ──up──▶ up ◀──up── silent (its server does not answer)
                          ▲            │ └──────────▲ │
                          │            ▼ lost, still, or ended
                          └─────── resting (a pause, then a new process)

A process with an open port beats; one whose beat is missing is killed, whatever froze it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from enum import StrEnum
from typing import ClassVar

from matbridge.errors import OutputAmbiguous, OutputClosed, OutputUnavailable
from matbridge.loop import Loop, Timer
from matbridge.midi.output import START_WAIT_S, Output
from matbridge.midi.port_client import PortClient
from matbridge.midi.port_names import fit_name, valid_name
from matbridge.midi.port_process import BEAT_S, MAX_MESSAGE, Word

# An open port whose process has not beaten for so long is frozen: four beats, so that a busy
# machine does not look like a frozen one.
STILL_S = 4 * BEAT_S

# A process that looks for its port or waits for its server may be held by a JACK server that is
# frozen. Left alone it goes on as soon as the server does; killed it leaves the server half a
# client to clear up, which takes it seconds and may cost others their ports.
STUCK_S = 60.0

# Pause before a new process: the first time, and the longest after several that never were up.
RESTART_S = 0.25
MAX_RESTART_S = 4.0

# What may wait for a process that does not read: beyond the first figure controllers and pressure
# are dropped, beyond the second (a minute of frantic play) the process counts as frozen.
MAX_BACKLOG = 16 * 1024
FULL_BACKLOG = 256 * 1024

# How long `close` waits for what was sent last.
CLOSE_WAIT_S = 1.0

_LENGTH = tuple(bytes((length,)) for length in range(MAX_MESSAGE + 1))
_DROPPABLE = frozenset((0xA0, 0xB0, 0xD0, 0xE0))


class State(StrEnum):
    CLOSED = "closed"
    LOOKING = "looking"
    UP = "up"
    SILENT = "silent"
    RESTING = "resting"


class SystemPort(Output):
    """What both kinds of port have in common.

    driver: "auto", or a name of rtmidi_port.DRIVERS.
    """

    kind: ClassVar[str]
    _loop: Loop
    _client: PortClient
    _watch: Timer

    def __init__(self, name: str, target: str, *, driver: str = "auto") -> None:
        self.name = name
        self._target = target
        self._driver = driver
        self._state = State.CLOSED
        self._opening = False
        self._heard_s = 0.0
        self._pause_s = RESTART_S
        self._ended: list[PortClient] = []
        self._backlog = bytearray()
        self._why = ""
        self._refusal: OutputUnavailable | OutputAmbiguous | None = None
        self._reached = ("", "")
        self._dropped = 0
        self._losses = 0

    def command(self) -> tuple[str, ...]:
        """The module that the process runs, and its arguments."""
        process = "matbridge.midi.port_process"
        return process, self.kind, self._target, self.client_name(), self._driver

    def client_name(self) -> str:
        """What the MIDI system calls us."""
        raise NotImplementedError

    def open(self, loop: Loop, wait_s: float = START_WAIT_S) -> None:
        if self._state is not State.CLOSED:
            return
        self._loop = loop
        self._why = "its MIDI system has not answered yet"
        self._opening = True
        if self._look():
            self._listen(wait_s)
        self._opening = False
        if self._refusal is not None:
            self.close()
            raise self._refusal

    def send(self, messages: Sequence[bytes]) -> None:
        if self._state is not State.UP:
            if self._state is State.CLOSED:
                raise OutputClosed(f"output '{self.name}' is not open")
            self._dropped += len(messages)
            return
        if self._backlog:
            self._wait_in_line(messages)
            return
        data = _framed(messages)
        sent = self._write(data)
        if sent < len(data) and self._state is State.UP:
            self._backlog += data[sent:]
            self._loop.add_writer(self._client.writing, self._on_writable)

    def close(self) -> None:
        if self._state is State.CLOSED:
            return
        if self._state is State.UP:
            self._client.finish(bytes(self._backlog), CLOSE_WAIT_S)
        self._watch.cancel()
        if self._state is not State.RESTING:
            self._end()
        self._state = State.CLOSED
        for client in self._ended:
            client.wait()
        self._ended.clear()

    @property
    def up(self) -> bool:
        return self._state is State.UP

    def status(self) -> Mapping[str, object]:
        facts: dict[str, object] = {"kind": self.kind, "up": self.up, "target": self._target}
        if self.up:
            driver, port = self._reached
            facts |= {"driver": driver, "port": port, "waiting_bytes": len(self._backlog)}
        else:
            facts["why"] = self._why
        return facts | {"dropped": self._dropped, "losses": self._losses}

    def _look(self) -> bool:
        """Start a process that looks for the port; whether the system has one to spare."""
        self._ended = [client for client in self._ended if not client.gone()]
        self._refusal = None
        try:
            self._client = PortClient(*self.command())
        except OSError as error:
            self._rest(f"no process to hold it: {error.strerror}")
            return False
        self._state = State.LOOKING
        self._heard_s = self._loop.now_s()
        self._loop.add_reader(self._client.reading, self._listen)
        self._watch = self._loop.call_at(self._heard_s + STILL_S, self._on_watch)
        return True

    def _listen(self, wait_s: float = 0.0) -> None:
        client = self._client
        said = client.hear(wait_s)
        if said is None:
            self._lose("the process that held it ended")
            return
        if said:
            self._heard_s = self._loop.now_s()
        for fields in said:
            if self._client is client and self._state is not State.RESTING:
                self._heed(fields)

    def _heed(self, fields: list[str]) -> None:
        match fields:
            case [Word.UP, driver, port]:
                self._reached = (driver, port)
                self._come_up()
            case [Word.WAITING, why]:
                self._why = why
                self._pause_s = RESTART_S
            case [Word.AMBIGUOUS, why, *names]:
                self._why = why
                self._refusal = OutputAmbiguous(f"output '{self.name}': {why}", tuple(names))
            case [Word.SILENT, why]:
                self._fall_silent(why)
            case [Word.REFUSED, why]:
                self._lose(why)
                self._refusal = OutputUnavailable(f"output '{self.name}': {why}")
            case [Word.LOST, why]:
                self._lose(why)

    def _come_up(self) -> None:
        self._state = State.UP
        self._why = ""
        self._pause_s = RESTART_S
        if not self._opening and self.on_up is not None:
            self.on_up()

    def _fall_silent(self, why: str) -> None:
        """What is sent now would not get through, or far too late."""
        self._state = State.SILENT
        self._why = why
        self._losses += 1
        self._loop.remove_writer(self._client.writing)
        self._backlog.clear()
        if self.on_down is not None:
            self.on_down(why)

    def _wait_in_line(self, messages: Sequence[bytes]) -> None:
        """The process is behind; keep what must not be lost."""
        if len(self._backlog) > MAX_BACKLOG:
            kept = [message for message in messages if message[0] & 0xF0 not in _DROPPABLE]
            self._dropped += len(messages) - len(kept)
            messages = kept
        self._backlog += _framed(messages)
        if len(self._backlog) > FULL_BACKLOG:
            self._lose("its MIDI system does not take what is sent")

    def _on_writable(self) -> None:
        del self._backlog[: self._write(bytes(self._backlog))]
        if not self._backlog and self._state is State.UP:
            self._loop.remove_writer(self._client.writing)

    def _write(self, data: bytes) -> int:
        try:
            return self._client.write(data)
        except OSError:
            self._lose("the process that held it ended")
            return 0

    def _on_watch(self) -> None:
        """Judge the silence, or start anew after a rest."""
        if self._state is State.RESTING:
            self._look()
            return
        # What was said while this process itself was held up counts.
        self._listen()
        if self._state not in (State.RESTING, State.CLOSED):
            now_s = self._loop.now_s()
            if now_s - self._heard_s > (STILL_S if self._state is State.UP else STUCK_S):
                self._lose("its MIDI system does not answer")
            else:
                self._watch = self._loop.call_at(now_s + STILL_S, self._on_watch)

    def _lose(self, why: str) -> None:
        """The process is of no use any more; start another after a rest."""
        was_up = self._state is State.UP
        self._end()
        self._watch.cancel()
        self._rest(why)
        if was_up:
            self._losses += 1
            if self.on_down is not None:
                self.on_down(why)

    def _rest(self, why: str) -> None:
        self._state = State.RESTING
        self._why = why
        self._watch = self._loop.call_at(self._loop.now_s() + self._pause_s, self._on_watch)
        self._pause_s = min(2 * self._pause_s, MAX_RESTART_S)

    def _end(self) -> None:
        self._loop.remove_reader(self._client.reading)
        self._loop.remove_writer(self._client.writing)
        self._client.end()
        self._ended.append(self._client)
        self._backlog.clear()


class VirtualPort(SystemPort):
    """A new port, named `target`, that other programs connect to."""

    kind = "virtual"

    def __init__(self, name: str, target: str, *, driver: str = "auto") -> None:
        super().__init__(name, valid_name(target), driver=driver)

    def client_name(self) -> str:
        return self._target


class ExistingPort(SystemPort):
    """The port that fits the pattern `target`, found again whenever it comes back."""

    kind = "port"

    def client_name(self) -> str:
        return fit_name(f"matbridge {self.name}")


def _framed(messages: Sequence[bytes]) -> bytes:
    for message in messages:
        if len(message) > MAX_MESSAGE:
            raise ValueError(f"a MIDI message of {len(message)} bytes; {MAX_MESSAGE} at most")
    return b"".join([_LENGTH[len(message)] + message for message in messages])
