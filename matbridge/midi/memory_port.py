"""An output that keeps what it is sent: for tests, and for dry runs within the process."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from matbridge.errors import OutputClosed
from matbridge.loop import Loop
from matbridge.midi.output import START_WAIT_S, Output


class MemoryPort(Output):
    """Keeps (time in seconds on the loop's clock, message) in `sent`, while it is up.

    `lose` and `find` play the part of a cable that comes and goes.
    """

    def __init__(self, name: str, target: str = "") -> None:
        self.name = name
        self.sent: list[tuple[float, bytes]] = []
        self.marks: list[tuple[float, str]] = []
        self.tempos: list[tuple[float, float]] = []
        self._target = target
        self._loop: Loop | None = None
        self._why = ""
        self._dropped = 0

    @property
    def messages(self) -> list[bytes]:
        """What was sent, without the times."""
        return [message for _, message in self.sent]

    def open(
        self,
        loop: Loop,
        wait_s: float = START_WAIT_S,  # noqa: ARG002 - opens at once
    ) -> None:
        self._loop = loop

    def send(self, messages: Sequence[bytes]) -> None:
        now_s = self._now_s()
        if self._why:
            self._dropped += len(messages)
        else:
            self.sent.extend((now_s, bytes(message)) for message in messages)

    def close(self) -> None:
        self._loop = None

    @property
    def up(self) -> bool:
        return self._loop is not None and not self._why

    def status(self) -> Mapping[str, object]:
        facts: dict[str, object] = {
            "kind": "memory",
            "up": self.up,
            "target": self._target,
            "sent": len(self.sent),
            "dropped": self._dropped,
        }
        if self._why:
            facts["why"] = self._why
        return facts

    def tempo(self, bpm: float) -> None:
        self.tempos.append((self._now_s(), bpm))

    def mark(self, text: str) -> None:
        self.marks.append((self._now_s(), text))

    def lose(self, why: str = "unplugged") -> None:
        """Go down, as if the cable had been pulled."""
        if self.up:
            self._why = why
            if self.on_down is not None:
                self.on_down(why)

    def find(self) -> None:
        """Come back up."""
        if self._loop is not None and self._why:
            self._why = ""
            if self.on_up is not None:
                self.on_up()

    def _now_s(self) -> float:
        if self._loop is None:
            raise OutputClosed(f"output '{self.name}' is not open")
        return self._loop.now_s()
