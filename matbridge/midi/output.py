"""The contract of a place where MIDI goes. One module a kind, one suite for all.

    made ──open()──▶ up ◀──────────┐
      │               │ lost       │ back (calls `on_up`)
      │               ▼            │
      └──open()───▶ down ──────────┘        close() ends either, for good

An output that is down keeps looking for its port by itself. What was sounding on it is not its
business: whoever owns the ledger sends what is owed when `on_up` is called.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping, Sequence

from matbridge.loop import Loop


class Output(ABC):
    """One place where MIDI goes.

    name: what the performance file calls it.
    on_up: called from the loop each time the port is there again after it was not; not for the
        first `open`.
    """

    name: str
    on_up: Callable[[], None] | None = None

    @abstractmethod
    def open(self, loop: Loop) -> None:
        """Open the port, or go down and keep looking for it.

        Raises OutputAmbiguous, and OutputUnavailable only where waiting cannot help (no driver
        installed, a name that the system refuses).
        """

    @abstractmethod
    def send(self, messages: Sequence[bytes]) -> None:
        """Hand over whole messages, in order, each one MIDI channel or system message.

        Never blocks. While down, or over what the wire can carry, controllers and pressure may be
        dropped in favour of later ones, note-offs never while up. Raises OutputClosed before
        `open` and after `close`.
        """

    @abstractmethod
    def close(self) -> None:
        """Wait, for a bounded time, until what was sent has left; then close. Twice is harmless."""

    @property
    @abstractmethod
    def up(self) -> bool:
        """Whether messages handed over now will leave."""

    @abstractmethod
    def status(self) -> Mapping[str, object]:
        """Facts for a person: at least `kind` and `up`, and what this kind can measure."""
