"""Calibration as it is lived: the mat at rest, then pressed, then a calibration.

    stage   what it waits for                       and then
    READY   go_on: the mat is clear                 REST
    REST    a window in which every zone is still   PRESS, or WALK
    PRESS   the asked zone, pressed as asked        the next step; after the last one DONE
    WALK    any zone, any strength; go_on           DONE
    DONE    -

    go_on   READY: begin   REST: take what there is   PRESS: leave this step out   WALK: enough
    skip    PRESS: leave this zone out
    back    one step back; what it had measured is forgotten

It is fed scans and never asks a clock: all times are those of the scans, so a take gives what the
evening gave. With `step_s`, nobody needs to touch a key: a step that waits longer is left out, and
a walk ends once nothing has been pressed for that long.

A press counts for the zone that went farthest of all that were pressed at that moment; how far its
companions went tells of leakage and of shorted channels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

from matbridge.board.scan import Scan
from matbridge.errors import CalibrationError
from matbridge.sensing.calibration import Calibration, Wiring, ZoneCalibration
from matbridge.sensing.presses import Companion, Press, PressFinder
from matbridge.sensing.rest import Rest
from matbridge.sensing.settings import SensorType
from matbridge.sensing.stillness import REST_S, Stillness

# After this many presses, a walk has seen soft and hard of a zone.
WALK_PRESSES = 2

# Of one zone; beyond it the oldest is forgotten.
MAX_PRESSES = 64

# A zone that went nearly as far as another was pressed as well as it: shorted channels do, and a
# foot on the border of two zones. Sensors of one kind differ by a quarter.
NEARLY = 0.8


class Stage(StrEnum):
    READY = "ready"
    REST = "rest"
    PRESS = "press"
    WALK = "walk"
    DONE = "done"


class Strength(StrEnum):
    SOFT = "soft"
    HARD = "hard"


class Step(NamedTuple):
    """One press that is asked for: index of the zone, and how."""

    zone: int
    strength: Strength


class RemarkKind(StrEnum):
    NONE = ""
    MOVED = "moved"  # these zones did not keep still; the rest is measured again
    OTHER = "other"  # this zone was pressed in place of the asked one
    TAKEN = "taken"  # the press of this zone was accepted


class Remark(NamedTuple):
    """What the guide noticed last, for a screen to say."""

    kind: RemarkKind
    zones: tuple[int, ...] = ()


NO_REMARK = Remark(RemarkKind.NONE)


@dataclass(slots=True)
class ZoneFindings:
    """What was learnt of one zone, at rest and by its latest presses."""

    rest: Rest
    presses: list[Press] = field(default_factory=list)

    @property
    def heights(self) -> list[float]:
        """How far from rest each press went, signed, in readings."""
        return [press.height for press in self.presses]

    @property
    def companion(self) -> Companion | None:
        """What moves with it: the companion of a usual one of its harder presses.

        Soft presses move a neighbour too little to see, and of many presses some are made while
        another zone is truly pressed.
        """
        hardest = max(map(abs, self.heights), default=0.0)
        harder = [press.companion for press in self.presses if abs(press.height) >= hardest / 2]
        harder.sort(key=lambda companion: companion.share if companion else 0.0)
        return harder[(len(harder) - 1) // 2] if harder else None


class Guide:
    """Leads through one calibration. boards: of each board, the zone of each channel, or -1.

    stage, remark, steps and done_steps are for a screen to show; findings are there after REST.
    """

    def __init__(
        self,
        wiring: Wiring,
        boards: Sequence[Sequence[int]],
        *,
        walk: bool = False,
        step_s: float | None = None,
    ) -> None:
        self.wiring = wiring
        self.walk = walk
        self.stage = Stage.READY
        self.remark = NO_REMARK
        strengths: Sequence[Strength] = tuple(Strength)
        if wiring.sensor.type is SensorType.SWITCH:
            strengths = (Strength.HARD,)
        self.steps = tuple(
            Step(zone, strength) for zone in range(len(wiring.zones)) for strength in strengths
        )
        self.done_steps = 0
        self.findings: list[ZoneFindings] = []
        self._boards = boards
        self._step_s = step_s
        self._still = Stillness(boards, len(wiring.zones), wiring.sensor.bits)
        self._finder = PressFinder(wiring.sensor, ())
        self._pressed: dict[Step, float] = {}
        self._asked_s = -1.0  # scan time at which this step began
        self._heard_s = -1.0  # and at which anything was heard since, for `step_s`

    @property
    def step(self) -> Step:
        """The press asked for; the last one when there is none to ask for."""
        return self.steps[min(self.done_steps, len(self.steps) - 1)]

    def rest_share(self) -> float:
        """How much of the rest has been measured, 0.0 to 1.0."""
        return self._still.share()

    def pressed_as(self, zone: int, strength: Strength) -> float | None:
        """How far from rest the zone went at that step, in readings; None where left out so far."""
        return self._pressed.get(Step(zone, strength))

    def go_on(self) -> None:
        if self.stage is Stage.READY:
            self._still = Stillness(self._boards, len(self.wiring.zones), self.wiring.sensor.bits)
            self.stage = Stage.REST
        elif self.stage is Stage.REST:
            rests = self._still.take_now()
            if rests is not None:
                self._accept_rest(rests)
        elif self.stage is Stage.PRESS:
            self._pressed.pop(self.step, None)
            self._move_to(self.done_steps + 1)
        elif self.stage is Stage.WALK:
            self.stage = Stage.DONE

    def skip(self) -> None:
        zone = self.step.zone
        while self.stage is Stage.PRESS and self.step.zone == zone:
            self.go_on()

    def back(self) -> None:
        if self.stage is Stage.DONE and self.walk:
            self.stage = Stage.WALK
        elif self.stage in (Stage.PRESS, Stage.DONE) and self.done_steps:
            self.stage = Stage.PRESS
            self._move_to(self.done_steps - 1)
            self._pressed.pop(self.step, None)
        else:
            self.stage = Stage.READY
            self.remark = NO_REMARK

    def feed(self, board: int, scan: Scan) -> None:
        """One scan of one board, by its index."""
        if self.stage is Stage.REST:
            rests = self._still.feed(board, scan)
            if rests is not None:
                self._accept_rest(rests)
            elif self._still.moved:
                self.remark = Remark(RemarkKind.MOVED, self._still.moved)
        elif self.stage is Stage.PRESS or self.stage is Stage.WALK:
            self._feed_presses(board, scan)

    def result(self, date: str) -> Calibration:
        """The calibration as far as it has come; raises CalibrationError before there is a rest."""
        if not self.findings:
            raise CalibrationError(
                f"the mat never kept still for {REST_S:g} s, so there is no rest to measure from; "
                "step off, keep the floor quiet, and calibrate again"
            )
        zones = tuple(self._zone(index) for index in range(len(self.findings)))
        return Calibration(self.wiring.mat, self.wiring.sensor, date, zones)

    def _accept_rest(self, measured: Sequence[Rest | None]) -> None:
        rests = []
        for rest, wire in zip(measured, self.wiring.zones, strict=True):
            if rest is None:
                raise CalibrationError(
                    f"zone '{wire.name}' is on channel {wire.channel}, which the board does not "
                    "send; mend `channel:` in the mat file, or the board's program"
                )
            rests.append(rest)
        self.findings = [ZoneFindings(rest) for rest in rests]
        self._finder = PressFinder(self.wiring.sensor, rests)
        self._pressed.clear()
        self.stage = Stage.WALK if self.walk else Stage.PRESS
        self._move_to(0)

    def _move_to(self, done_steps: int) -> None:
        self.done_steps = done_steps
        self.remark = NO_REMARK
        self._asked_s = self._heard_s = -1.0
        if done_steps >= len(self.steps):
            self.stage = Stage.DONE

    def _feed_presses(self, board: int, scan: Scan) -> None:
        if self._asked_s < 0.0:
            self._asked_s = self._heard_s = scan.time_s
        for press in self._finder.feed(self._boards[board], scan):
            # What began before it was asked for is the tail of something else.
            if press.start_s >= self._asked_s or self.stage is Stage.WALK:
                self._hear(press, scan.time_s)
            if self.stage is Stage.DONE:
                return
        waited_s = scan.time_s - self._heard_s
        if (
            self._step_s is not None
            and self._asked_s >= 0.0
            and waited_s > self._step_s
            # Not under someone's feet; but an object left on the mat must not stop it for good.
            and (not self._finder.busy() or waited_s > 2.0 * self._step_s)
        ):
            self.go_on()

    def _hear(self, press: Press, time_s: float) -> None:
        share = press.companion.share if press.companion else 0.0
        if self.stage is Stage.PRESS and press.place != self.step.zone:
            companion = press.companion
            asked_too = companion and companion.place == self.step.zone and share >= NEARLY
            if share <= 1.0 and not asked_too and self._finder.is_clear(press):
                self.remark = Remark(RemarkKind.OTHER, (press.place,))
                self._heard_s = time_s
            return
        if share * NEARLY > 1.0:
            return
        finding = self.findings[press.place]
        finding.presses = [*finding.presses[1 - MAX_PRESSES :], press]
        if self.stage is Stage.PRESS:
            self._pressed[self.step] = press.height
            self._move_to(self.done_steps + 1)
        else:
            self._heard_s = time_s
        self.remark = Remark(RemarkKind.TAKEN, (press.place,))

    def _zone(self, index: int) -> ZoneCalibration:
        wire, finding = self.wiring.zones[index], self.findings[index]
        if self.walk:
            soft, hard = walked_range(finding.heights)
        else:
            soft = self.pressed_as(index, Strength.SOFT)
            hard = self.pressed_as(index, Strength.HARD)
        if soft is not None and hard is not None:
            # They may have been mixed up; and one that went the other way is no press of this zone.
            soft, hard = sorted((soft, hard), key=abs)
            soft = soft if soft * hard > 0.0 else None
        level = finding.rest.level
        top = float((1 << self.wiring.sensor.bits) - 1)
        return ZoneCalibration(
            name=wire.name,
            rest=level,
            noise=finding.rest.noise,
            soft=None if soft is None else min(max(level + soft, 0.0), top),
            full=None if hard is None else min(max(level + hard, 0.0), top),
            leak=_leak(finding),
            board=wire.board,
            channel=wire.channel,
        )


def _leak(finding: ZoneFindings) -> float | None:
    """How much of a press of a zone another one shows; None where that is not known."""
    if not finding.presses:
        return None
    share = finding.companion.share if finding.companion else 0.0
    return share if share < NEARLY else None


def walked_range(heights: Sequence[float]) -> tuple[float | None, float | None]:
    """Soft and hard, of presses of every strength: near their low and their high end.

    Not the very ends once there are enough: one slip and one stomp are not how it is played.
    """
    if not heights:
        return None, None
    ordered = sorted(heights, key=abs)
    left_out = len(ordered) // 8
    soft = ordered[left_out] if len(ordered) >= WALK_PRESSES else None
    return soft, ordered[len(ordered) - 1 - left_out]
