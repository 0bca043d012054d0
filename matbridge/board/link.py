"""The contract of a way to a board: it brings bytes, and survives the board's coming and going."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping

from matbridge.loop import Loop


class BoardLink(ABC):
    """One board, reached one way. It opens when it can, waits when it cannot, and never gives up.

    on_data: called with bytes as they come and the monotonic second at which they were read.
    on_found: called each time the board has been opened; a decoder starts anew then.
    on_lost: called once each time an open board went away; whatever was touched is no more.
    """

    on_data: Callable[[bytes, float], None]
    on_found: Callable[[], None]
    on_lost: Callable[[], None]

    @abstractmethod
    def open(self, loop: Loop) -> None:
        """Start looking for the board, at once and from then on."""

    @abstractmethod
    def write(self, data: bytes) -> None:
        """Send a query to the board; dropped while it is away."""

    @abstractmethod
    def close(self) -> None:
        """Let the board go. Twice is harmless."""

    @abstractmethod
    def status(self) -> Mapping[str, object]:
        """Facts for a person: at least `port` as written, `found`, and why not, if not."""
