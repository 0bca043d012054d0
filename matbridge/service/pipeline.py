"""The stages joined: a board's bytes and a time in, MIDI messages out. Pure: no clock, no port.

What is due by the second at which bytes were read is played before them, in the order it was due;
so the same bytes at the same seconds give the same messages, whenever a live loop came round to its
timers.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf
from typing import TypeAlias

from matbridge.board.scan import Decoder
from matbridge.mapping.plan import ActionPart, PerformancePlan
from matbridge.playing.player import Player
from matbridge.sensing.detector import Detector

Sent: TypeAlias = list[tuple[int, bytes]]
"""Messages to send, in order: the index of an output, and one whole message for it."""


class Pipeline:
    """One decoder and one detector a board, and the player that all of them play.

    next_due_s: when `tick` must be called at the latest; infinity while nothing is owed. preset:
    index of the one that the detectors sense for, -1 before `start`.
    """

    __slots__ = ("decoders", "detectors", "next_due_s", "player", "preset")

    def __init__(
        self, decoders: Sequence[Decoder], detectors: Sequence[Detector], player: Player
    ) -> None:
        self.decoders = decoders
        self.detectors = detectors
        self.player = player
        self.next_due_s = inf
        self.preset = -1

    def start(self, now_s: float, preset: int | None = None) -> Sent:
        """What is sent as the first preset, or the first after `swap`, is entered."""
        return self._settled(self.player.start(now_s, preset))

    def feed(self, board: int, data: bytes, now_s: float) -> Sent:
        """What bytes of a board, read at `now_s`, cause."""
        player = self.player
        scans = self.decoders[board].feed(data, now_s)
        sent: Sent = self.tick(now_s) if self.next_due_s <= now_s else []
        scan = self.detectors[board].scan
        for time_s, readings in scans:
            touches = scan(time_s, readings)
            if touches:
                sent += player.touches(touches, now_s)
                self.next_due_s = player.next_due_s
                if player.preset != self.preset:
                    self._follow()
        return sent

    def board_found(self, board: int) -> None:
        """The link was opened anew: a cut scan of before is no beginning of one of now."""
        self.decoders[board].reset()

    def board_lost(self, board: int, now_s: float) -> Sent:
        """The board went away or fell silent: whatever was touched on it is lifted."""
        touches = self.detectors[board].silence(now_s)
        return self._settled(self.player.touches(touches, now_s))

    def tick(self, now_s: float) -> Sent:
        """What is due by now."""
        return self._settled(self.player.tick(now_s))

    def act(self, action: ActionPart, now_s: float) -> Sent:
        """Do what a zone or a command asks for."""
        return self._settled(self.player.act(action, now_s))

    def midi_in(self, message: bytes, now_s: float) -> Sent:
        """Take one message from the input."""
        return self._settled(self.player.midi_in(message, now_s))

    def output_lost(self, output: int, unseen: bool) -> None:
        """An output is down. unseen: it may have been for a while; see Player."""
        self.player.output_lost(output, unseen)

    def output_back(self, output: int) -> Sent:
        """An output is there again: what it is owed, then what it must know."""
        return self._settled(self.player.output_back(output))

    def greeting(self, output: int) -> list[bytes]:
        """What another receiver must know that joins those of an output."""
        return [message for _, message in self.player.greeting(output)]

    def swap(
        self, performance: PerformancePlan, image: bytearray | None, now_s: float, preset: int
    ) -> Sent:
        """Another performance; what is returned is for the outputs of the old one.

        image: of the new outputs, or None where they are the old ones. `start` is to follow.
        """
        sent = self.player.swap(performance, now_s, preset, image)
        self.preset = -1
        return sent

    def finish(self, now_s: float) -> Sent:
        """The end: every note-off that is owed."""
        return self._settled(self.player.finish(now_s))

    def _settled(self, sent: Sent) -> Sent:
        self.next_due_s = self.player.next_due_s
        if self.player.preset != self.preset:
            self._follow()
        return sent

    def _follow(self) -> None:
        """Another preset: the detectors sense what it needs."""
        self.preset = self.player.preset
        needs = self.player.sensing_needs()
        pressed = frozenset(zone for zone, wanted in enumerate(needs.pressure) if wanted)
        for detector in self.detectors:
            detector.use(needs.sources, pressed)
