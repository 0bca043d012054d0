"""A take as a way to a board: what the board sent then, sent again, when it was sent."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

from matbridge.board.link import BoardLink
from matbridge.board.take import Chunk, Record
from matbridge.board.take_reader import Take
from matbridge.loop import Loop, Timer


class TakeLink(BoardLink):
    """Plays one board of a take from its start, each time it is opened.

    Each chunk goes out at the start plus its own time, so that no delay adds up, and is said to
    have been read at exactly that second. Where the board came and went in the take, it does so
    here. on_end: called once when the take is over; the link is silent from then on.
    """

    on_end: Callable[[], None] | None = None

    def __init__(self, take: Take, board: int = 0) -> None:
        """board: its number in the take. Raises IndexError for one that is not in it."""
        self._port = take.header.boards[board].port
        self._path = str(take.path)
        # A reader of its own, for boards of one take may be read at different places in it.
        self._take = Take(take.path)
        self._board = board
        self._loop: Loop | None = None
        self._timer: Timer | None = None
        self._records: Iterator[Record] = iter(())
        self._next: Record | None = None
        self._start_s = 0.0
        self._found = False
        self._why = "not open"

    def open(self, loop: Loop) -> None:
        self.close()
        self._loop = loop
        self._why = "not begun"
        self._start_s = loop.now_s()
        self._records = self._take.records()
        self._timer = loop.call_at(self._start_s, self._begin)

    def write(self, data: bytes) -> None:
        """Nobody is there to be asked; what the board answered then is in the take."""

    def close(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer = self._loop = self._next = None
        self._records = iter(())
        self._found = False
        self._why = "not open"

    def status(self) -> Mapping[str, object]:
        """port, found, take, played_s; why, while not found."""
        facts: dict[str, object] = {"port": self._port, "found": self._found, "take": self._path}
        facts["played_s"] = round(self._take.length_s, 1)
        if not self._found:
            facts["why"] = self._why
        return facts

    def _begin(self) -> None:
        self._come()
        self._next = next(self._records, None)
        self._play_due()

    def _play_due(self) -> None:
        """All that is due by now, and then wait for the next."""
        while self._loop is not None:
            record = self._next
            if record is None:
                self._over()
                return
            due_s = self._start_s + record.time_s
            if due_s > self._loop.now_s():
                self._timer = self._loop.call_at(due_s, self._play_due)
                return
            self._play(record, due_s)
            self._next = next(self._records, None)

    def _play(self, record: Record, due_s: float) -> None:
        if isinstance(record, Chunk):
            if record.board == self._board:
                self._come()
                self.on_data(record.data, due_s)
        elif record.name == "gap":
            self._go("a part of the take is damaged")
        elif record.facts.get("board") == self._board:
            if record.name == "found":
                # The link was opened anew, whether or not it was seen to go.
                self._go("found anew")
                self._come()
            elif record.name == "lost":
                self._go(str(record.facts.get("reason", "gone")))

    def _come(self) -> None:
        if not self._found and self._loop is not None:
            self._found = True
            self.on_found()

    def _go(self, why: str) -> None:
        if self._found:
            self._found = False
            self._why = why
            self.on_lost()

    def _over(self) -> None:
        self._timer = None
        self._go("the take is over")
        if self.on_end is not None:
            self.on_end()
