"""A performance as a person writes it, played by bytes of a board through every stage."""

from __future__ import annotations

from collections.abc import Iterable
from textwrap import dedent, indent

from matbridge.mapping.load import show_from
from matbridge.mapping.plan import Act, ActionPart
from matbridge.playing.ledger import Sent
from matbridge.playing.player import Player
from matbridge.service.boards import make_decoder, make_detector
from matbridge.service.pipeline import Pipeline
from tests.support.playing import Receiver, kinds, said

ZONES = ("a1", "a2", "a3", "b1", "b2", "b3")

# Two rows of three, the nearest first.
MAT = """\
mat: quay
board: {port: simulated}
sensor: {type: %s, bits: 10}
zones:
  - {name: a1, at: [0, 0]}
  - {name: a2, at: [40, 0]}
  - {name: a3, at: [80, 0]}
  - {name: b1, at: [0, 40]}
  - {name: b2, at: [40, 40]}
  - {name: b3, at: [80, 40]}
"""

OUTPUTS = """\
outputs:
  synth: {virtual: matbridge}
  rack: {serial: /dev/ttyAMA0}
"""

SCAN_S = 0.001
FIRM = 700  # of 1023: a foot that stands
SETTLED_S = 0.1  # until whatever a change of readings causes has come


class Written:
    """A board of six zones, and all that its bytes cause. What comes out is in words.

    text: the performance file from `outputs:` on, or without one, from its presets on.
    """

    def __init__(self, text: str, sensor: str = "switch") -> None:
        text = dedent(text)
        if "presets:" not in text:
            text = "presets:\n  low tide:\n" + indent(text, "    ")
        if "outputs:" not in text:
            text = OUTPUTS + text
        text = "performance: lamp lighters\nmat: quay.mat.yaml\n" + text
        mat = MAT % sensor
        show = show_from(text.encode(), mat.encode(), ("lamp-lighters.yaml", "quay.mat.yaml"))
        board = show.mat.boards[0]
        self.show = show
        self.pipeline = Pipeline(
            [make_decoder(board, show.mat)],
            [make_detector(board, show.mat, None)],
            Player(show.performance),
        )
        self.receiver = Receiver()
        self.all_sent: list[bytes] = []
        self.now_s = 100.0
        self.readings = dict.fromkeys(ZONES, 0)
        self.entry = self.heard(self.pipeline.start(self.now_s))
        self.wait(3.0)

    def heard(self, sent: list[Sent]) -> list[str]:
        self.receiver.hear(sent)
        self.all_sent += [message for _, message in sent]
        return said(sent)

    def wait(self, seconds: float) -> list[str]:
        """A scan a millisecond, and the timers between, as a bridge would."""
        return [words for _, words in self.wait_timed(seconds)]

    def wait_timed(self, seconds: float) -> list[tuple[float, str]]:
        """Likewise, with the seconds from now at which each message came."""
        began_s = self.now_s
        came: list[tuple[float, str]] = []
        for _ in range(round(seconds / SCAN_S)):
            self.now_s += SCAN_S
            while self.pipeline.next_due_s <= self.now_s:
                due_s = self.pipeline.next_due_s
                words = self.heard(self.pipeline.tick(due_s))
                came += [(round(due_s - began_s, 4), each) for each in words]
            line = " ".join(str(reading) for reading in self.readings.values()) + "\n"
            words = self.heard(self.pipeline.feed(0, line.encode(), self.now_s))
            came += [(round(self.now_s - began_s, 4), each) for each in words]
        return came

    def down(self, *zones: str, reading: int = FIRM, seconds: float = SETTLED_S) -> list[str]:
        """Stand on zones."""
        self.readings.update(dict.fromkeys(zones, reading))
        return self.wait(seconds)

    def up(self, *zones: str, seconds: float = SETTLED_S) -> list[str]:
        """Leave them."""
        self.readings.update(dict.fromkeys(zones, 0))
        return self.wait(seconds)

    def step(self, *zones: str) -> list[str]:
        """Down and up, one zone after the other."""
        return [words for zone in zones for words in self.down(zone) + self.up(zone)]

    def midi_in(self, *message: int) -> list[str]:
        return self.heard(self.pipeline.midi_in(bytes(message), self.now_s))

    def act(self, act: Act, argument: int = 0) -> list[str]:
        return self.heard(self.pipeline.act(ActionPart(act, argument), self.now_s))

    def finish(self) -> list[str]:
        return self.heard(self.pipeline.finish(self.now_s))


def notes(words: Iterable[str]) -> list[str]:
    """The note-ons and note-offs, without their velocities."""
    return [each.rsplit(" ", 1)[0] for each in kinds(words, "on", "off")]
