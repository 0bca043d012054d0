"""How a touch is held, and when it lets go.

A touch ends under a share of its recent crest, for sensors creep: what a foot leaves behind would
hold a note for long at any fixed level. The crest fades towards the present load, so that a person
who shifts weight from foot to foot lets go of neither. In particular:

    the load falls below the level         it ends after the debounce
    within a scan, as no foot or hand can  contact has broken in a wire: it is given time to mend
    slowly, over several times longer      it ends at a lower level: a hand that is taken off slowly
    than a foot takes to leave             still presses at a share of its crest
    quickly, to something that stays       it ends if a neighbour's leak may be all that is left
                                           (asked by the detector, see crosstalk.py)
"""

from __future__ import annotations

from matbridge.sensing.rules import Rules

# A touch ends at no less than this share of the onset level, however low its crest was.
RELEASE_SHARE = 0.6

# A load has dipped once it is under this share of its crest: what rises quickly from then on is not
# the same strike any more.
DIP_SHARE = 0.8

# Hands and feet take ten milliseconds and more to leave; what falls this far in a scan no longer
# than that has lost contact in its wire.
BREAK_S = 0.003
BREAK_SHARE = 0.6
BREAK_LOAD = 0.05

# Between twice the lift level and the lift level a foot that leaves takes less than this.
SLOW_S = 0.03
SLOW_SHARE = 0.15

# A foot or hand that leaves drops to less than this within so many turns of the quick window, and
# what is left then changes by no more than that.
DROP_SHARE = 0.5
DROP_TURNS = 4
STILL_SHARE = 0.1


def breaks(rules: Rules, before: float, load: float) -> bool:
    """Whether a fall from one scan to the next is one that no hand or foot makes."""
    if rules.period_s > BREAK_S:
        return False
    return before - load > BREAK_LOAD + BREAK_SHARE * before


class Grip:
    """The hold on one zone; used again and again. Loads are shares of a full press.

    beneath: load that lay there before the touch. crest: the recent highest load. level: loads
    under it end the touch. dipped: whether the load has been well under its crest since.
    """

    __slots__ = (
        "_firm_s", "_floor", "_mend_s", "_past", "_rules", "_slow", "_under", "beneath", "crest",
        "dipped", "level",
    )  # fmt: skip

    def __init__(self, rules: Rules) -> None:
        self._rules = rules
        self._floor = 0.0
        self._firm_s = 0.0  # when the load was last well above the level
        self._mend_s = 0.0
        self._past = [0.0] * DROP_TURNS  # loads at the last turns of the quick window
        self._slow = False
        self._under = 0
        self.beneath = 0.0
        self.crest = 0.0
        self.dipped = False
        self.level = 0.0

    def take(self, time_s: float, crest: float, beneath: float, onset_level: float) -> None:
        """A touch begins."""
        self._floor = RELEASE_SHARE * onset_level
        self._firm_s = time_s
        self._past = [0.0] * DROP_TURNS
        self._slow = False
        self._under = 0
        self.beneath = beneath
        self.crest = crest
        self.dipped = False
        self._set_level()

    def tighten(self, time_s: float, load: float) -> None:
        """The load reaches a new crest."""
        self.crest = load
        self.dipped = False
        self._firm_s = time_s
        self._under = 0
        self._set_level()

    def keep(self, time_s: float, load: float) -> None:
        """The load is between the level and the crest."""
        self._under = 0
        if load > self.level + self.level:
            self._firm_s = time_s

    def fade(self, load: float, share: float) -> None:
        """Let the crest come down towards the present load."""
        if load < self.crest:
            self.crest += (load - self.crest) * share
            self._set_level()

    @property
    def firm(self) -> bool:
        """Whether the load was above the level at the last scan."""
        return self._under == 0

    def lets_go(self, time_s: float, broke: bool) -> bool:
        """The load is under the level; whether it has been for long enough.

        broke: whether contact broke as it fell there.
        """
        rules = self._rules
        self._under += 1
        if self._under == 1:
            if broke:
                self._mend_s = time_s + rules.mend_s
            elif not self._slow and time_s - self._firm_s > SLOW_S:
                self._slow = True
                self._under = 0
                self._set_level()
                return False
        return self._under > rules.debounce_scans and time_s >= self._mend_s

    def has_dropped(self, load: float) -> bool:
        """Asked at every turn of the quick window: the load has dropped, and now keeps still."""
        past = self._past
        if self._slow:
            dropped = abs(past[0] - load) < STILL_SHARE * load
        else:
            dropped = load < DROP_SHARE * past[0] and past[-1] - load < STILL_SHARE * past[0]
        del past[0]
        past.append(load)
        return dropped

    def lately(self) -> float:
        """The highest load of the last few turns but the first."""
        return max(self._past[1:])

    def lift_speed(self, time_s: float) -> float:
        """How fast it has let go, in load a second."""
        return max(self.level, 0.0) / max(time_s - self._firm_s, 0.001)

    def shift(self, by_s: float) -> None:
        """The clock was set."""
        self._firm_s += by_s
        self._mend_s += by_s

    def _set_level(self) -> None:
        share, beneath = self._rules.lift_share, self.beneath
        above = share * self.crest
        if beneath > 0.0:
            # What lies beneath adds to it in force, not in load.
            power = self._rules.force_power
            lying = beneath**power
            touching = max(self.crest**power - lying, 0.0)
            above = (lying + share**power * touching) ** (1.0 / power) - beneath
        above = max(above, self._floor)
        self.level = beneath + (SLOW_SHARE * above if self._slow else above)
