"""Whatever is written and whatever is played: every note-on has its one note-off, and memory ends.

Each output has a synth that hears only while its cable is in; a cable pulled is told at once.
"""

from __future__ import annotations

from collections.abc import Iterator
from unittest.mock import patch

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from matbridge.mapping.load import show_from
from matbridge.mapping.plan import Act, ActionPart, NotePart, PerformancePlan
from matbridge.playing.ledger import Ledger, Sent, recover
from matbridge.playing.player import Player
from matbridge.playing.timers import TIMER_LIMIT
from matbridge.sensing.touch import Touch, TouchKind
from tests.support import shows
from tests.support.performances import OUTPUTS, ZONES, performance_plans
from tests.support.playing import Receiver

Move = tuple[str, int, int, float]
"""What is done, two numbers for it, and the seconds until then."""

WAITS = st.sampled_from([0.0, 0.0, 0.001, 0.013, 0.1, 0.6, 3.0])

MOVES = st.tuples(
    st.sampled_from(
        ["onset"] * 6
        + ["lift"] * 4
        + ["pressure"] * 4
        + ["tick", "act", "program", "control", "clock", "swap", "lose", "back", "panic"]
    ),
    st.integers(0, 127),
    st.integers(0, 127),
    WAITS,
)

PLAYS = st.lists(MOVES, max_size=40)


@pytest.fixture(autouse=True, scope="module")
def _the_ledger_has_nothing_to_mend() -> Iterator[None]:
    """What ends all notes must know of each; the ledger's own clearing is for mistakes of ours."""

    def clear(ledger: Ledger, out: list[Sent]) -> None:
        assert ledger.empty

    with patch.object(Ledger, "clear", clear):
        yield


class Stage:
    """A player, its synths, and the cables between."""

    def __init__(self, plans: list[PerformancePlan]) -> None:
        self.plans = plans
        self.player = Player(plans[0])
        self.plan = plans[0]
        self.synths = Receiver()
        self.unplugged: set[int] = set()
        self.now_s = 50.0
        self.sent: list[Sent] = []
        self.hear(self.player.start(self.now_s))

    def hear(self, sent: list[Sent]) -> None:
        assert not {output for output, _ in sent} & self.unplugged
        self.sent += sent
        self.synths.hear(sent)
        assert self.synths.unasked_offs == 0
        player = self.player
        owed = {
            (output, message[0] & 15, message[1])
            for output, message in recover(player.ledger.image)
        }
        assert self.synths.sounding <= owed
        if not self.unplugged:
            assert (
                self.synths.sounding
                == owed
                == {(s.output, s.channel - 1, s.note) for s in player.sounding()}
            )
        assert pending(player) <= limit(self.plan)

    def move(self, move: Move) -> None:
        what, one, two, wait_s = move
        self.now_s += wait_s
        player, now_s = self.player, self.now_s
        self.hear(player.tick(now_s))
        assert player.next_due_s > now_s
        match what:
            case "onset" | "pressure" | "lift":
                kind = TouchKind[what.upper()]
                value = max(two, 1) / 127 if what == "onset" else two / 127
                self.hear(player.touches([Touch(kind, one % ZONES, now_s, value)], now_s))
            case "act":
                acts = [act for act in Act if act is not Act.PRESET]
                self.hear(player.act(ActionPart(acts[one % len(acts)], two % 25 - 12), now_s))
            case "program":
                self.hear(player.midi_in(bytes((0xC0, one % 3)), now_s))
            case "control":
                self.hear(player.midi_in(bytes((0xB0, 20, two)), now_s))
            case "clock":
                kinds = (0xF8, 0xF8, 0xF8, 0xFA, 0xFB, 0xFC)
                self.hear(player.midi_in(bytes((kinds[one % 6],)), now_s))
            case "swap":
                self.swap(self.plans[one % len(self.plans)])
            case "lose":
                player.output_lost(one % OUTPUTS)
                self.unplugged.add(one % OUTPUTS)
            case "back":
                self.back(one % OUTPUTS)
            case "panic":
                self.hear(player.panic(now_s))

    def back(self, output: int) -> None:
        self.unplugged.discard(output)
        self.hear(self.player.output_back(output))

    def swap(self, plan: PerformancePlan) -> None:
        """Reload; outputs of the same name and kind keep their synth, in their new place."""
        sent = self.player.swap(plan, self.now_s)
        assert not {output for output, _ in sent} & self.unplugged
        self.sent += sent
        self.synths.hear(sent)
        if plan.outputs != self.plan.outputs:
            moved = {at: plan.outputs.index(jack) for at, jack in enumerate(self.plan.outputs)}
            self.unplugged = {moved[output] for output in self.unplugged}
            self.synths.sounding = {
                (moved[output], channel, note) for output, channel, note in self.synths.sounding
            }
        self.plan = plan
        self.hear(self.player.start(self.now_s))

    def end(self) -> None:
        for output in sorted(self.unplugged):
            self.back(output)
        self.hear(self.player.finish(self.now_s))
        assert self.synths.sounding == set()
        assert self.player.sounding() == []
        assert not any(self.player.ledger.image)
        assert pending(self.player) == 0


def pending(player: Player) -> int:
    return len(player._stage.timers)


def limit(plan: PerformancePlan) -> int:
    """As many timers as the parts of all presets can have at once."""
    own = 2  # of the clock
    for preset in plan.presets:
        for zone in preset.zones:
            for part in zone.parts:
                pressures = getattr(part, "pressure", ()) or ()
                own += len(pressures) if isinstance(pressures, tuple) else 1
                if isinstance(part, NotePart):
                    own += len(part.steps) + 3
    return min(own * 2, TIMER_LIMIT)  # twice: those of a reload may still ring


@settings(max_examples=150, suppress_health_check=list(HealthCheck))
@given(st.lists(performance_plans(), min_size=1, max_size=2), PLAYS)
def test_every_note_on_has_its_one_note_off(
    plans: list[PerformancePlan], moves: list[Move]
) -> None:
    stage = Stage(plans)
    for move in moves:
        stage.move(move)
    stage.end()


@settings(max_examples=60, suppress_health_check=list(HealthCheck))
@given(shows.performance_texts(), PLAYS)
def test_so_it_is_for_all_that_can_be_written(text: bytes, moves: list[Move]) -> None:
    show = show_from(text, shows.MAT, ("lamp-lighters.yaml", "quay.mat.yaml"))
    stage = Stage([show.performance])
    for move in moves:
        stage.move(move)
    stage.end()


@settings(max_examples=40, suppress_health_check=list(HealthCheck))
@given(performance_plans(), PLAYS, st.integers(1, 7))
def test_the_same_play_gives_the_same_bytes_however_often_the_loop_comes_round(
    plan: PerformancePlan, moves: list[Move], ticks: int
) -> None:
    heard = []
    for more_ticks in (0, ticks):
        stage = Stage([plan])
        for what, one, two, longest_s in moves:
            # Without a clock from outside, which has a right to matter when it comes.
            if what == "clock":
                continue
            wait_s = min(longest_s, 0.2)
            for _ in range(more_ticks):
                stage.move(("tick", 0, 0, wait_s / (more_ticks + 1)))
            stage.now_s = round(stage.now_s + wait_s / (more_ticks + 1), 9)
            stage.move((what, one, two, 0.0))
        stage.end()
        heard.append(stage.sent)
    assert heard[0] == heard[1]
