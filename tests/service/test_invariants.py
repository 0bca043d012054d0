"""Whatever happens, in whatever order: every note-on gets its one note-off.

A real bridge, with its files, its pipeline and what it keeps for the next start; hypothesis plays,
switches, edits, unplugs, kills.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from matbridge.errors import DocumentError
from matbridge.mapping.plan import Act
from matbridge.service.bridge import Bridge
from tests.service.stage import REST, ZONES, Stage, loaded, notes, pairs, write_show

TARGETS = ("/dev/a", "/dev/b")

# Shows to change between: one output or two, few zones or all, every way that a note may be held.
ONE = f"""\
outputs:
  a: {{serial: /dev/a}}
defaults:
  output: a
presets:
  ebb:
    channel: 1
    zones:
{notes(60)}
  flood:
    channel: 1
    leave: end
    zones:
{notes(62, more=", hold: toggle")}
"""
TWO = f"""\
outputs:
  b: {{serial: /dev/b}}
  a: {{serial: /dev/a}}
presets:
  flood:
    output: a
    channel: 1
    pressure: {{send: channel pressure}}
    zones:
{notes(60)}
  slack:
    output: b
    channel: 2
    zones:
      z0: {{note: 50, hold: {{seconds: 0.3}}}}
      z1: {{note: 50, hold: toggle}}
      z2: {{chord: {{root: C4, type: major}}}}
      z3: {{layers: [{{note: 60}}, {{note: 60, output: a, channel: 1}}]}}
      z4: {{action: next preset}}
      z5: {{action: panic}}
"""
OTHER = TWO.replace("  a: {serial: /dev/a}\n", "  a: {serial: /dev/c}\n")
FEW = f"""\
outputs:
  a: {{serial: /dev/a}}
presets:
  ebb:
    output: a
    channel: 1
    zones:
{notes(60, 4)}
"""
SHOWS = {"one": (ONE, ZONES), "two": (TWO, ZONES), "other": (OTHER, ZONES), "few": (FEW, 4)}

zones = st.integers(0, ZONES - 1)


class Night(RuleBasedStateMachine):
    """One evening with the mat."""

    def __init__(self) -> None:
        super().__init__()
        self.patch = pytest.MonkeyPatch()
        self.folder = tempfile.TemporaryDirectory()
        self.stage = Stage(Path(self.folder.name), self.patch)
        self.bridge: Bridge
        self.show = "one"

    @initialize(show=st.sampled_from(sorted(SHOWS)))
    def begin(self, show: str) -> None:
        self._write(show)
        self.bridge = self.stage.start(loaded(self._file))
        self._plug_and_rest()

    @rule(zone=zones)
    def press(self, zone: int) -> None:
        self.stage.press(zone)

    @rule(zone=zones)
    def lift(self, zone: int) -> None:
        self.stage.lift(zone)

    @rule(steps=st.lists(zones, min_size=1, max_size=4))
    def walk(self, steps: list[int]) -> None:
        """Zone after zone, the last one held."""
        for zone in steps[:-1]:
            self.stage.press(zone)
            self.stage.lift(zone)
        self.stage.press(steps[-1])

    @rule(zone=zones, reading=st.integers(REST, 1000))
    def lean(self, zone: int, reading: int) -> None:
        self.stage.scan(0.02, **{f"z{zone}": reading})

    @rule(seconds=st.sampled_from([0.05, 0.5]))
    def wait(self, seconds: float) -> None:
        self.stage.scan(seconds)

    @rule(act=st.sampled_from([Act.NEXT_PRESET, Act.PREVIOUS_PRESET, Act.MUTE, Act.PANIC]))
    def act(self, act: Act) -> None:
        self.bridge.act(act)

    @rule(semitones=st.integers(-70, 70))
    def transpose(self, semitones: int) -> None:
        self.bridge.act(Act.TRANSPOSE_TO, semitones)

    @rule()
    def unplug(self) -> None:
        self.stage.link.unplug()

    @rule()
    def plug(self) -> None:
        self.stage.link.plug()

    @rule()
    def board_falls_silent(self) -> None:
        self.stage.loop.advance(0.5)

    @precondition(lambda self: self.stage.link.found)
    @rule(noise=st.binary(max_size=60))
    def board_babbles(self, noise: bytes) -> None:
        struck = self._struck()
        # A line end closes it, so that no digit of it becomes part of the next scan.
        self.stage.link.on_data(noise.replace(b",", b";x") + b"\n", self.stage.loop.now_s())
        assert self._struck() == struck

    @rule(cable=st.sampled_from(TARGETS))
    def output_lost(self, cable: str) -> None:
        self.stage.pull(cable)

    @rule(cable=st.sampled_from(TARGETS))
    def output_back(self, cable: str) -> None:
        self.stage.put_back(cable)

    @rule(show=st.sampled_from(sorted(SHOWS)))
    def reload(self, show: str) -> None:
        self._write(show)
        fresh = loaded(self._file)
        self.bridge.swap(fresh.show, fresh.calibration)
        self.stage.link.plug()
        self._fit()

    @rule(bad=st.sampled_from(["channel: 99", "nonsense: [", "note: H9"]))
    def reload_bad(self, bad: str) -> None:
        text = self._file.read_text()
        self._file.write_text(text + bad)
        with pytest.raises(DocumentError):
            loaded(self._file)
        self._file.write_text(text)

    @rule()
    def killed_and_started(self) -> None:
        self.stage.kill()
        self.bridge = self.stage.start(loaded(self._file))
        self._plug_and_rest()

    @rule()
    def stopped_and_started(self) -> None:
        self.bridge.close()
        assert self.stage.loop.pending == 0
        for target, port in self.stage.ports.items():
            assert target in self.stage.gone or pairs(port.messages)[1] == set()
        self.bridge = self.stage.start(loaded(self._file))
        self._plug_and_rest()

    @invariant()
    def every_strike_has_at_most_one_end(self) -> None:
        for port in self.stage.ports.values():
            pairs(port.messages)

    def teardown(self) -> None:
        try:
            if hasattr(self, "bridge"):
                self._the_end()
        finally:
            self.stage.kill()
            self.folder.cleanup()
            self.patch.undo()

    def _the_end(self) -> None:
        self.bridge.close()
        # With every cable back, and every show started once more, nothing is left owed.
        for target in (*TARGETS, "/dev/c"):
            self.stage.put_back(target)
        for show in SHOWS:
            self._write(show)
            self.stage.start(loaded(self._file)).close()
        for target, port in self.stage.ports.items():
            assert pairs(port.messages)[1] == set(), target
        assert self.stage.loop.pending == 0

    @property
    def _file(self) -> Path:
        return self.stage.folder / "quay.yaml"

    def _write(self, show: str) -> None:
        text, count = SHOWS[show]
        self.show = show
        write_show(self.stage.folder, text, zones=count)

    def _fit(self) -> None:
        """The board has as many channels as the mat."""
        self.stage.channels = SHOWS[self.show][1]

    def _plug_and_rest(self) -> None:
        self.stage.link.plug()
        self._fit()
        self.stage.readings = [REST] * ZONES
        self.stage.scan(0.6)

    def _struck(self) -> int:
        return sum(len(pairs(port.messages)[0]) for port in self.stage.ports.values())


Night.TestCase.settings = settings(
    max_examples=25, stateful_step_count=30, deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)  # fmt: skip
TestNight = Night.TestCase
