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

# How long `open` may wait for a driver's first answer at the start of a program: ten times what a
# healthy one takes, and still short enough for somebody who waits for the prompt.
START_WAIT_S = 1.0


class Output(ABC):
    """One place where MIDI goes.

    name: what the performance file calls it; a reload may call it otherwise while it is open.
    on_up: called from the loop each time the port is there after it was not; not when `open`
        returned with the port up.
    on_down: called from the loop, with the reason, each time a port that was up went away.
    on_join: called from the loop by an output with several receivers when another one joins those
        that are there; returns what it must be told, which is sent to it alone.
    """

    name: str
    on_up: Callable[[], None] | None = None
    on_down: Callable[[str], None] | None = None
    on_join: Callable[[], Sequence[bytes]] | None = None

    @abstractmethod
    def open(self, loop: Loop, wait_s: float = START_WAIT_S) -> None:
        """Open the port, or go down and keep looking for it.

        wait_s: the longest it may block for a first answer; 0 while somebody plays. What is not
            known by then comes by `on_up`, and a refusal by `status`.

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
        """Facts for a person: at least `kind`, `up`, `target`, and `why` while down.

        Then what this kind can measure, such as `dropped` messages.
        """

    def tempo(self, bpm: float) -> None:  # noqa: B027 - most have nowhere to write it
        """The tempo from now on, for an output that writes it down. The rest ignore it."""

    def mark(self, text: str) -> None:  # noqa: B027 - likewise
        """A name for this moment (a preset begins), for an output that writes it down."""
