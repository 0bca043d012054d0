"""Hypothesis strategies: any performance that a plan can say, and any play on it."""

from __future__ import annotations

from hypothesis import strategies as st

from matbridge.mapping.plan import (
    Act,
    ActionPart,
    BendPart,
    ChannelEntry,
    ControlMode,
    ControlPart,
    Hold,
    InputPlan,
    Leaving,
    Length,
    MpePlan,
    NotePart,
    Part,
    PedalPart,
    PerformancePlan,
    Pitch,
    PresetPlan,
    PressurePlan,
    PressureTarget,
    Priority,
    ProgramPart,
    SameNote,
    Split,
    VelocityPlan,
    VoicePlan,
    ZonePlan,
)
from matbridge.sensing.touch import VelocitySource
from tests.support.playing import FALLING, FALLING_14, STRAIGHT, STRAIGHT_14, VELOCITIES, outputs

# Few of each, so that they collide.
ZONES = 4
OUTPUTS = 2
CHANNELS = st.sampled_from([1, 2, 16])
OUTPUT = st.integers(0, OUTPUTS - 1)
NOTES = st.sampled_from([0, 59, 60, 61, 127])

LENGTHS = st.one_of(
    st.sampled_from([0.004, 0.05, 0.3]).map(lambda seconds: Length(seconds=seconds)),
    st.sampled_from([1 / 24, 0.25, 2.0]).map(lambda beats: Length(beats=beats)),
)

SPLITS = st.none() | st.tuples(st.integers(0, 127), st.integers(0, 127)).map(
    lambda ends: Split(min(ends), max(ends))
)


@st.composite
def pressure_plans(draw: st.DrawFn, targets: tuple[PressureTarget, ...]) -> PressurePlan:
    target = draw(st.sampled_from(targets))
    wide = target in (PressureTarget.CONTROL_14, PressureTarget.BEND)
    table = draw(st.sampled_from([STRAIGHT_14, FALLING_14] if wide else [STRAIGHT, FALLING]))
    return PressurePlan(
        target,
        draw(st.sampled_from([1, 11] if wide else [1, 74])),
        table,
        draw(st.sampled_from([0.0, 0.02])),
        draw(st.sampled_from([1, 5])),
        draw(st.sampled_from([0.0, 0.01])),
    )


@st.composite
def note_parts(draw: st.DrawFn) -> NotePart:
    hold = draw(st.sampled_from(list(Hold)))
    pitches = st.tuples(NOTES, st.sampled_from([0.0, 0.0, 30.0, -50.0])).map(lambda p: Pitch(*p))
    steps = st.lists(st.lists(pitches, max_size=3).map(tuple), min_size=1, max_size=3).map(tuple)
    return NotePart(
        draw(OUTPUT),
        draw(CHANNELS),
        draw(steps),
        hold=hold,
        length=draw(LENGTHS),
        group=draw(st.sampled_from([-1, 0, 1])),
        repeat=draw(st.none() | LENGTHS),
        latched=draw(st.booleans()),
        transposable=draw(st.booleans()),
        velocity_split=draw(SPLITS),
        pressure_split=draw(SPLITS),
        pressure=draw(st.lists(pressure_plans(tuple(PressureTarget)), max_size=2).map(tuple)),
    )


PLAIN_NOTES = st.builds(
    lambda output, channel, note: NotePart(output, channel, ((Pitch(note),),)),
    OUTPUT,
    CHANNELS,
    NOTES,
)


@st.composite
def control_parts(draw: st.DrawFn) -> ControlPart:
    mode = draw(st.sampled_from(list(ControlMode)))
    pressure = None
    if mode is ControlMode.PRESSURE:
        targets = (PressureTarget.CONTROL, PressureTarget.CONTROL_14)
        pressure = draw(pressure_plans(targets))
    return ControlPart(draw(OUTPUT), draw(CHANNELS), 1, mode, pressure=pressure)


@st.composite
def bend_parts(draw: st.DrawFn) -> BendPart:
    pressure = draw(st.none() | pressure_plans((PressureTarget.BEND,)))
    return BendPart(draw(OUTPUT), draw(CHANNELS), draw(st.sampled_from([0, 8192, 16383])), pressure)


def actions(presets: int) -> st.SearchStrategy[ActionPart]:
    plain = [act for act in Act if act is not Act.PRESET]
    return st.one_of(
        st.builds(ActionPart, st.sampled_from(plain), st.sampled_from([-12, 1, 7])),
        st.builds(lambda preset: ActionPart(Act.PRESET, preset), st.integers(0, presets - 1)),
    )


def parts(presets: int) -> st.SearchStrategy[Part]:
    programs = st.builds(
        ProgramPart, OUTPUT, CHANNELS, st.integers(0, 127), st.none() | st.integers(0, 16383)
    )
    return st.one_of(
        note_parts(),
        PLAIN_NOTES,
        note_parts(),
        control_parts(),
        bend_parts(),
        programs,
        st.builds(PedalPart, st.booleans()),
        actions(presets),
    )


VOICES = st.builds(
    VoicePlan,
    limit=st.sampled_from([0, 0, 1, 2, 3]),
    priority=st.sampled_from(list(Priority)),
    retrigger=st.booleans(),
    same_note=st.sampled_from(list(SameNote)),
    crowd=st.sampled_from([0, 0, 2]),
)

MPE = st.lists(
    st.sampled_from([MpePlan(0, 1, 3), MpePlan(0, 1, 2), MpePlan(0, 16, 2), MpePlan(1, 16, 1)]),
    max_size=2,
    unique_by=lambda plan: (plan.output, plan.manager),
).map(tuple)


@st.composite
def preset_plans(draw: st.DrawFn, name: str, presets: int) -> PresetPlan:
    release = draw(st.sampled_from([None, STRAIGHT]))
    velocity = VelocityPlan(VelocitySource.RISE, VELOCITIES, release)
    zones = draw(
        st.lists(st.lists(parts(presets), max_size=3).map(tuple), min_size=ZONES, max_size=ZONES)
    )
    controls = st.sampled_from([(), ((7, 100),), ((101, 0), (100, 0), (6, 12), (7, 3))])
    entries = st.builds(
        ChannelEntry,
        OUTPUT,
        CHANNELS,
        bank=st.none() | st.integers(0, 16383),
        program=st.none() | st.integers(0, 127),
        bend_range=st.none() | st.integers(0, 24),
        controls=controls,
    )
    return PresetPlan(
        name,
        tuple(ZonePlan(velocity, zone) for zone in zones),
        voices=draw(VOICES),
        entry=draw(st.lists(entries, max_size=1).map(tuple)),
        mpe=draw(MPE),
        bend_ranges=draw(st.sampled_from([(), ((0, 1, 12),)])),
        leaving=draw(st.sampled_from(list(Leaving))),
        quantise=draw(st.none() | st.none() | LENGTHS),
        tempo_bpm=draw(st.sampled_from([None, None, 60.0, 200.0])),
    )


@st.composite
def performance_plans(draw: st.DrawFn) -> PerformancePlan:
    """Any performance of a few presets, zones and outputs."""
    count = draw(st.integers(1, 3))
    jacks = outputs(OUTPUTS) if draw(st.booleans()) else tuple(reversed(outputs(OUTPUTS)))
    heard = InputPlan(
        "desk*",
        programs=((0, 1, count - 1),),
        controls=((0, 20, draw(actions(count))),),
        clock=True,
    )
    return PerformancePlan(
        "harbour lights",
        jacks,
        tuple(draw(preset_plans(f"preset {at}", count)) for at in range(count)),
        first=draw(st.integers(0, count - 1)),
        input=draw(st.sampled_from([None, heard])),
        clock_outputs=draw(st.sampled_from([(), (0,), (0, 1)])),
    )
