"""The notes of a zone: what starts them and what ends them.

    hold      an onset                           a lift      else
    touch     starts them                        ends them
    toggle    starts them, or ends them in turn  nothing
    length    starts them; ends the same step    nothing     its time is over: ends them
    group     starts them, or ends them in turn  nothing     a zone of its group: ends them

A choke group ends notes of every kind of hold. Repeats strike again while the notes are held (by
the foot, or toggled on); under `length` each repeat has that length. With a pressure split, coming
into the split is the onset of this table and leaving it the lift. What a foot or a length of time
would end, a latch pedal keeps; what is toggled off, choked or stolen ends at once.
"""

from __future__ import annotations

from matbridge.mapping.plan import Hold, NotePart, PressurePlan, PressureTarget
from matbridge.midi.messages import NOTES, RELEASE_UNSENSED, TIMBRE
from matbridge.playing.handlers import Handler
from matbridge.playing.latch import Latch
from matbridge.playing.ledger import Sent
from matbridge.playing.pressure import UNKNOWN, Flow
from matbridge.playing.stage import Stage
from matbridge.playing.timers import Timer
from matbridge.playing.voices import Lane, Note, Voice

# A split is left only when the pressure is this many of 127 steps beyond it: a foot at the border
# trembles by one.
SPLIT_HYSTERESIS = 2

# CC 74 of an MPE note that nothing drives: the middle (MPE 1.0, third dimension of control).
TIMBRE_CENTRE = 64

# The fastest repeats: a hundred a second is a buzz, and two thirds of a serial jack.
REPEAT_SHORTEST_S = 0.01
REPEAT_SHORTEST_BEATS = 1 / 96


class NoteHandler(Handler):
    """A NotePart at work."""

    __slots__ = (
        "_choked",
        "_flows",
        "_inside",
        "_lane",
        "_latch",
        "_lengths",
        "_next",
        "_own",
        "_part",
        "_repeat",
        "_shared",
        "_stage",
        "_step",
        "_steps",
        "_struck",
        "_velocity",
        "first_pressure",
        "first_timbre",
        "voices",
        "zone",
    )

    def __init__(
        self,
        stage: Stage,
        part: NotePart,
        zone: int,
        lane: Lane,
        steps: tuple[tuple[Note, ...], ...],
        latch: Latch | None,
        choked: list[NoteHandler],
    ) -> None:
        """`steps`: the part's, in notes and steps of bend. `choked`: its group, shared by all."""
        self.zone = zone
        self.first_pressure = 0
        self.first_timbre = TIMBRE_CENTRE
        self.voices: list[Voice] = []  # of the latest strike
        self._stage = stage
        self._part = part
        self._lane = lane
        self._steps = steps
        self._latch = latch if part.latched else None
        self._choked = choked
        self._flows: tuple[Flow, ...] = ()  # all
        self._shared: tuple[Flow, ...] = ()  # with others of the channel
        self._own: tuple[tuple[Flow, int], ...] = ()  # and what a new note starts with
        self._next = 0
        self._step = 0
        self._velocity = 0
        self._struck = False  # by the touch of the moment
        self._inside = False  # of the pressure split
        self._lengths: dict[int, tuple[Timer, list[Voice]]] = {}
        self._repeat: Timer | None = None

    def send_pressure(
        self, shared: tuple[Flow, ...], own: tuple[tuple[PressurePlan, Flow], ...], mpe: bool
    ) -> None:
        """Drive `shared` flows of the channel, and `own` flows of this part's voices."""
        self._flows = shared + tuple(flow for _, flow in own)
        self._shared = shared
        starts = []
        for plan, flow in own:
            start = UNKNOWN
            if mpe and plan.target in (PressureTarget.CHANNEL, PressureTarget.POLY):
                start = self.first_pressure = flow.rest
            elif mpe and plan.target is PressureTarget.CONTROL and plan.control == TIMBRE:
                start = self.first_timbre = flow.rest
            elif mpe and plan.target is PressureTarget.BEND:
                start = flow.rest
            starts.append((flow, start))
        self._own = tuple(starts)

    @property
    def wants_pressure(self) -> bool:
        return bool(self._flows) or self._part.pressure_split is not None

    def onset(self, velocity: int, time_s: float, now_s: float, out: list[Sent]) -> None:
        self._velocity = velocity
        split = self._part.velocity_split
        if split is not None and not split.low <= velocity <= split.high:
            return
        self._struck = True
        pressed = self._part.pressure_split
        if pressed is None or pressed.low == 0:
            self._inside = True
            self._begin(now_s, out)

    def pressure(self, value: float, now_s: float, out: list[Sent]) -> None:
        if not self._struck:
            return
        split = self._part.pressure_split
        if split is not None:
            level = int(value * 127 + 0.5)
            if self._inside:
                if not split.low - SPLIT_HYSTERESIS <= level <= split.high + SPLIT_HYSTERESIS:
                    self._inside = False
                    self._let_go(RELEASE_UNSENSED, now_s, out)
            elif split.low <= level <= split.high:
                self._inside = True
                self._begin(now_s, out)
        if self.voices:
            for flow in self._flows:
                flow.press(self.zone, value, now_s, out)

    def lift(self, velocity: int, now_s: float, out: list[Sent]) -> None:
        self._struck = False
        if self._inside:
            self._inside = False
            self._let_go(velocity, now_s, out)

    def leave(self, now_s: float, out: list[Sent]) -> None:
        self._struck = self._inside = False
        for flow in self._flows:
            flow.release(self.zone, now_s, out)
        self.hush(out)

    def ring(self, now_s: float, out: list[Sent]) -> None:
        if self._part.hold in (Hold.TOGGLE, Hold.GROUP):
            self.hush(out)

    def reset(self) -> None:
        for flow in self._flows:
            flow.reset()
        if not self._alive():
            self._next = 0

    def hush(self, out: list[Sent]) -> None:
        self._stop_repeat()
        for timer, voices in self._lengths.values():
            self._stage.timers.cancel(timer)
            self._end(voices, out)
        self._lengths.clear()
        self._end(self.voices, out)
        self.voices = []
        if self._latch is not None:
            self._latch.end(self, out)

    def drop(self, output: int, out: list[Sent]) -> None:
        if self._lane.output == output:
            self.hush(out)

    def _begin(self, now_s: float, out: list[Sent]) -> None:
        """The notes are asked for: by an onset, or by pressure that came into the split."""
        if self._stage.muted:
            return
        for other in self._choked:
            if other.zone != self.zone:
                other.hush(out)
        if self._part.hold in (Hold.TOGGLE, Hold.GROUP) and self._alive():
            self.hush(out)
            return
        self._step = self._next
        self._next = (self._next + 1) % len(self._steps)
        self._strike(now_s, out)
        if self._part.repeat is not None and self.voices:
            self._repeat = self._stage.after(self._part.repeat, now_s, self._strike_again)

    def _strike(self, now_s: float, out: list[Sent]) -> None:
        step = self._step
        shift = self._stage.transpose if self._part.transposable else 0
        notes = self._steps[step]
        if shift:
            notes = tuple([(n + shift, bend) for n, bend in notes if 0 <= n + shift < NOTES])
        for flow, start in self._own:
            flow.forget(start)
        if self._part.hold is not Hold.LENGTH:
            self.voices = self._lane.start(notes, self._velocity, self, out)
            return
        if step in self._lengths:
            timer, voices = self._lengths.pop(step)
            self._stage.timers.cancel(timer)
            self._end(voices, out)
        self.voices = self._lane.start(notes, self._velocity, self, out)
        timer = self._stage.after(self._part.length, now_s, lambda _, out: self._over(step, out))
        self._lengths[step] = (timer, self.voices)

    def _strike_again(self, now_s: float, out: list[Sent]) -> None:
        """A repeat is due."""
        if self._part.hold is Hold.LENGTH:
            self._strike(now_s, out)
        else:
            for voice in self.voices:
                self._lane.again(voice, out)
        fired, repeat = self._repeat, self._part.repeat
        self._repeat = None
        if fired is None or repeat is None:
            return
        if self._part.hold is not Hold.LENGTH and not self._alive():
            return
        timers = self._stage.timers
        if repeat.beats:
            self._repeat = timers.again_at_beat(fired.due, repeat.beats, self._strike_again)
        else:
            self._repeat = timers.again(fired.due, repeat.seconds, self._strike_again)

    def _let_go(self, velocity: int, now_s: float, out: list[Sent]) -> None:
        """The foot, or the pressure, no longer asks for the notes."""
        hold = self._part.hold
        if hold in (Hold.TOUCH, Hold.LENGTH):
            self._stop_repeat()
        ends = hold is Hold.TOUCH and not (self._latch is not None and self._latch.down)
        for flow in self._shared:
            flow.release(self.zone, now_s, out)
        for flow, start in self._own:
            if ends and start != UNKNOWN:
                # The next note says it anew, and the release of this one keeps its colour.
                flow.forget(start)
            else:
                flow.release(self.zone, now_s, out)
        if hold is Hold.TOUCH:
            voices, self.voices = self.voices, []
            self._give_up(voices, velocity, out)

    def _over(self, step: int, out: list[Sent]) -> None:
        """The length of a step's notes is over."""
        _, voices = self._lengths.pop(step)
        if voices is self.voices:
            self.voices = []
        self._give_up(voices, RELEASE_UNSENSED, out)

    def _give_up(self, voices: list[Voice], velocity: int, out: list[Sent]) -> None:
        """End voices, unless a pedal keeps them."""
        latch = self._latch
        if latch is not None and latch.down:
            for voice in voices:
                latch.keep(self._lane, voice, velocity, out)
        else:
            for voice in voices:
                self._lane.end(voice, velocity, out)

    def _end(self, voices: list[Voice], out: list[Sent]) -> None:
        for voice in voices:
            self._lane.end(voice, RELEASE_UNSENSED, out)

    def _alive(self) -> bool:
        return any(not voice.over for voice in self.voices)

    def _stop_repeat(self) -> None:
        self._stage.timers.cancel(self._repeat)
        self._repeat = None
