"""Finds out which channel lies under which zone, from presses of one zone after the other.

    stage   what it waits for                              and then
    READY   go_on: the mat is clear                        REST
    REST    a window in which every channel is still       ASK
    ASK     the asked zone is pressed; skip leaves it out  the next zone; after the last one DONE
    DONE    -

Every channel of every board is looked at, whatever the mat file says of it. The channel that goes
farthest while the asked zone is pressed is the zone's; another that goes nearly as far moves with
it. Times are those of the scans.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from typing import NamedTuple

from matbridge.board.scan import Scan
from matbridge.errors import CalibrationError
from matbridge.sensing.calibration import Wiring
from matbridge.sensing.presses import Press, PressFinder
from matbridge.sensing.stillness import Stillness

# A channel that goes this far, compared with the farthest, is no leakage: it hangs on the zone too.
DOUBLED_SHARE = 0.6


class IdentifyStage(StrEnum):
    READY = "ready"
    REST = "rest"
    ASK = "ask"
    DONE = "done"


class Place(NamedTuple):
    """One channel of one board, by index and number from 0."""

    board: int
    channel: int


class Findings(NamedTuple):
    """What was found; zones by index in the mat file.

    under: for each zone the place found, or None where nothing answered. moved: zones found at
    another place than the mat file says. twice: zones whose press moved two places alike, with the
    second of them. shared: places that answered for two zones or more, with those zones. silent:
    zones that nothing answered for. spare: places that answered for no zone.
    """

    under: tuple[Place | None, ...]
    moved: tuple[int, ...]
    twice: tuple[tuple[int, Place], ...]
    shared: tuple[tuple[Place, tuple[int, ...]], ...]
    silent: tuple[int, ...]
    spare: tuple[Place, ...]

    @property
    def as_written(self) -> bool:
        """Whether the mat file needs no change and the wiring no mending."""
        return not (self.moved or self.twice or self.shared or self.silent)


def wires(wiring: Wiring, findings: Findings) -> tuple[list[Place], tuple[int, ...]]:
    """Where each zone is to be said to hang, and which zones' places are only guessed.

    A zone that was found hangs where it was found, the first of several at a shared place. The
    others keep what is written where that is free, or else get the places that answered for no
    zone, in order: with one of each it can only be so.
    """
    chosen: list[Place | None] = []
    for place in findings.under:
        chosen.append(None if place in chosen else place)
    written = [Place(wire.board, wire.channel) for wire in wiring.zones]
    guessed = tuple(zone for zone, place in enumerate(chosen) if place is None)
    for zone in guessed:
        if written[zone] not in chosen:
            chosen[zone] = written[zone]
    spare = iter(sorted(place for place in findings.spare if place not in chosen))
    places = [
        next(spare, written[zone]) if place is None else place for zone, place in enumerate(chosen)
    ]
    return places, guessed


class Identifier:
    """Leads through it. channels: how many channels each board sends.

    places: every channel there is, in the order of boards and channels. last: the zone answered for
    last and where it was found, or None. moved_at_rest: the places that spoiled the rest.
    """

    def __init__(
        self, wiring: Wiring, channels: Sequence[int], *, step_s: float | None = None
    ) -> None:
        """step_s: a zone that waits longer is left out; None to wait for ever."""
        self.wiring = wiring
        self.stage = IdentifyStage.READY
        self.zone = 0
        self.last: tuple[int, Place] | None = None
        self.moved_at_rest: tuple[Place, ...] = ()
        self.places = [
            Place(board, channel)
            for board, count in enumerate(channels)
            for channel in range(count)
        ]
        starts = [sum(channels[:board]) for board in range(len(channels))]
        self._boards = [
            tuple(range(start, start + count))
            for start, count in zip(starts, channels, strict=True)
        ]
        self._step_s = step_s
        self._since_s = -1.0
        self._finder = PressFinder(wiring.sensor, ())
        self._still = self._begin()
        self._presses: list[Press | None] = [None] * len(wiring.zones)

    def _begin(self) -> Stillness:
        return Stillness(self._boards, len(self.places), self.wiring.sensor.bits)

    def rest_share(self) -> float:
        """How much of the rest has been measured, 0.0 to 1.0."""
        return self._still.share()

    def go_on(self) -> None:
        if self.stage is IdentifyStage.READY:
            self._still = self._begin()
            self.stage = IdentifyStage.REST
        elif self.stage is IdentifyStage.ASK:
            self._presses[self.zone] = None
            self._move_to(self.zone + 1)

    def back(self) -> None:
        if self.stage in (IdentifyStage.ASK, IdentifyStage.DONE) and self.zone:
            self.stage = IdentifyStage.ASK
            self._move_to(self.zone - 1)
            self._presses[self.zone] = None
        else:
            self.stage = IdentifyStage.READY

    def feed(self, board: int, scan: Scan) -> None:
        """One scan of one board, by its index."""
        if self.stage is IdentifyStage.REST:
            rests = self._still.feed(board, scan)
            if rests is not None:
                found = [rest for rest in rests if rest is not None]
                if len(found) < len(rests):
                    place = self.places[rests.index(None)]
                    raise CalibrationError(
                        f"board {place.board} sends no channel {place.channel}, though the mat "
                        "file wants it; mend the mat file, or the board's program"
                    )
                self._finder = PressFinder(self.wiring.sensor, found)
                self.stage = IdentifyStage.ASK
                self._move_to(0)
            self.moved_at_rest = tuple(self.places[place] for place in self._still.moved)
        elif self.stage is IdentifyStage.ASK:
            self._feed_presses(board, scan)

    def _feed_presses(self, board: int, scan: Scan) -> None:
        if self._since_s < 0.0:
            self._since_s = scan.time_s
        for press in self._finder.feed(self._boards[board], scan):
            share = press.companion.share if press.companion else 0.0
            if self.stage is IdentifyStage.ASK and press.start_s >= self._since_s and share <= 1.0:
                self._presses[self.zone] = press
                self.last = (self.zone, self.places[press.place])
                self._move_to(self.zone + 1)
        if self._step_s is not None and 0.0 <= self._since_s < scan.time_s - self._step_s:
            self.go_on()

    def _move_to(self, zone: int) -> None:
        self._since_s = -1.0
        self.zone = zone
        if zone >= len(self.wiring.zones):
            self.stage = IdentifyStage.DONE

    def findings(self) -> Findings:
        """What is known so far; zones not asked for yet count as silent."""
        under = tuple(self.places[press.place] if press else None for press in self._presses)
        zones_of: dict[Place, list[int]] = {}
        for zone, place in enumerate(under):
            if place is not None:
                zones_of.setdefault(place, []).append(zone)
        twice = []
        for zone, press in enumerate(self._presses):
            if press and press.companion and press.companion.share >= DOUBLED_SHARE:
                twice.append((zone, self.places[press.companion.place]))
        written = [Place(wire.board, wire.channel) for wire in self.wiring.zones]
        return Findings(
            under=under,
            moved=tuple(
                zone
                for zone, place in enumerate(under)
                if place is not None and place != written[zone]
            ),
            twice=tuple(twice),
            shared=tuple(
                (place, tuple(zones)) for place, zones in zones_of.items() if len(zones) > 1
            ),
            silent=tuple(zone for zone, place in enumerate(under) if place is None),
            spare=tuple(place for place in self.places if place not in zones_of),
        )
