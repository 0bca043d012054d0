"""What a mat and a performance file say, compiled: all that the later stages know of a mapping.

Everything here is frozen and ready: names are resolved to indices, scales and chords to pitches,
curves to tables. Zones, outputs and presets are indices into their tuples. MIDI channels are 1-16.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

from matbridge.sensing.settings import SensingSettings, SensorSpec
from matbridge.sensing.touch import VelocitySource

# A curve table answers for 0.0 to 1.0 in steps of 1/1023: `table[int(value * 1023 + 0.5)]`.
# 1024 steps are one more than a 10-bit sensor can tell apart.
LEVELS = 1024

Table = tuple[int, ...]
"""LEVELS entries, 0-127 for a 7-bit target, 0-16383 for a 14-bit one.

Never decreasing, but for a pressure that was written to fall (a downward bend, a range from high to
low): never increasing then.
"""


# What a receiver makes of a full bend unless it was told otherwise, in semitones (common practice).
DEFAULT_BEND_RANGE = 2


class Pitch(NamedTuple):
    """A MIDI note number, and by how many cents the sound departs from it (-50.0 to 50.0)."""

    note: int
    cents: float = 0.0


class Length(NamedTuple):
    """A length of time: seconds, or quarter-note beats of the tempo of the moment. One is 0."""

    seconds: float = 0.0
    beats: float = 0.0


NO_LENGTH = Length()


class Hold(StrEnum):
    """What ends a note, besides the rules for leaving a preset."""

    TOUCH = "touch"  # the lift of the zone
    TOGGLE = "toggle"  # the next touch of the zone
    LENGTH = "length"  # `NotePart.length` after the onset
    GROUP = "group"  # the onset of another zone of the same choke group (and toggling off)


class Split(NamedTuple):
    """A part that sounds only for some touches: MIDI velocity, or pressure in 0-127 steps."""

    low: int = 0
    high: int = 127


class PressureTarget(StrEnum):
    """Where the pressure of a held zone goes."""

    CHANNEL = "channel pressure"
    POLY = "polyphonic pressure"
    CONTROL = "control"
    CONTROL_14 = "control 14-bit"
    BEND = "bend"


@dataclass(frozen=True, slots=True)
class VelocityPlan:
    """How a zone's strike becomes a MIDI velocity: `table` has values 1-127.

    release: the table for lift speeds, or None to send the unsensed release velocity.
    """

    source: VelocitySource
    table: Table = field(repr=False)
    release: Table | None = field(default=None, repr=False)


@dataclass(frozen=True, slots=True)
class PressurePlan:
    """How the pressure of a held zone is sent.

    table: 7-bit for CHANNEL, POLY, CONTROL; 14-bit for CONTROL_14 and BEND (8192 is rest).
    smoothing_s: time constant of a first-order low-pass, 0 for none.
    dead_band: smallest change of the table's output that is worth a message, at least 1.
    interval_s: shortest time between two messages.
    """

    target: PressureTarget
    control: int
    table: Table = field(repr=False)
    smoothing_s: float
    dead_band: int
    interval_s: float


@dataclass(frozen=True, slots=True)
class NotePart:
    """Notes that a zone plays.

    steps: what sounds at one touch, for each touch in turn; one step for all but a sequence.
    velocity_split, pressure_split: None where the part always sounds. A part with a pressure split
        starts when the pressure comes into the split and ends when it leaves it.
    length: for Hold.LENGTH. group: choke group, or -1. repeat: time between repeats while held.
    latched: whether a latch pedal (PedalPart) keeps the notes after they would have ended.
    transposable: whether `transpose` and `octave` move it (percussion stays).
    pressure: what the pressure of the zone drives while it is held; none, one or several things.
    """

    output: int
    channel: int
    steps: tuple[tuple[Pitch, ...], ...]
    hold: Hold = Hold.TOUCH
    length: Length = NO_LENGTH
    group: int = -1
    repeat: Length | None = None
    latched: bool = True
    transposable: bool = True
    velocity_split: Split | None = None
    pressure_split: Split | None = None
    pressure: tuple[PressurePlan, ...] = ()


class ControlMode(StrEnum):
    """How a zone works a control."""

    MOMENTARY = "momentary"  # `high` at the onset, `low` at the lift
    TOGGLE = "toggle"  # `high` and `low` in turn, one an onset
    PRESSURE = "pressure"  # follows the pressure, back to `low` at the lift


@dataclass(frozen=True, slots=True)
class ControlPart:
    """A control number that a zone works; for PRESSURE, `pressure` says how.

    fine: 14 bits, on `control` (0-31) and `control` + 32; `low` and `high` are 0-16383 then.
    """

    output: int
    channel: int
    control: int
    mode: ControlMode
    low: int = 0
    high: int = 127
    pressure: PressurePlan | None = None
    fine: bool = False


@dataclass(frozen=True, slots=True)
class ProgramPart:
    """A program change (0-127) at the onset, after its bank (0-16383) where there is one."""

    output: int
    channel: int
    program: int
    bank: int | None = None


@dataclass(frozen=True, slots=True)
class BendPart:
    """Pitch bend while touched: to `value` (0-16383) at the onset, or with the pressure.

    It goes back to the centre at the lift.
    """

    output: int
    channel: int
    value: int
    pressure: PressurePlan | None = None


@dataclass(frozen=True, slots=True)
class PedalPart:
    """A latch pedal of our own: while it is down, latched notes of the preset ring on."""

    toggle: bool = False


class Act(StrEnum):
    """What a zone or an incoming message can make the bridge do."""

    NEXT_PRESET = "next preset"
    PREVIOUS_PRESET = "previous preset"
    PRESET = "preset"  # argument: index of the preset
    TRANSPOSE = "transpose"  # argument: semitones to add
    TRANSPOSE_TO = "transpose to"  # argument: semitones to set
    MUTE = "mute"  # on and off in turn
    PANIC = "panic"
    TAP_TEMPO = "tap tempo"
    TAKE = "take"  # start and stop in turn


@dataclass(frozen=True, slots=True)
class ActionPart:
    """Something the bridge does at the onset."""

    act: Act
    argument: int = 0


Part = NotePart | ControlPart | ProgramPart | BendPart | PedalPart | ActionPart


@dataclass(frozen=True, slots=True)
class ZonePlan:
    """What one zone plays in one preset: its parts in the order written; none for a silent zone.

    label: what a chart or a screen calls it, such as "D3" or "sustain".
    """

    velocity: VelocityPlan
    parts: tuple[Part, ...]
    label: str = ""


class Priority(StrEnum):
    """Which touch a single voice plays, and which note is stolen when voices run out."""

    LAST = "last"
    LOWEST = "lowest"
    HIGHEST = "highest"


class SameNote(StrEnum):
    """Two touches of one note on one channel: one MIDI key, which ends with the last of them."""

    RESTRIKE = "restrike"  # note-off, then note-on again at the second onset
    JOIN = "join"  # the second onset sends nothing


@dataclass(frozen=True, slots=True)
class VoicePlan:
    """How many notes may sound at once on one output and channel of a preset.

    limit: 0 for no limit, 1 for a single voice. When a new note is over the limit, one ends: the
        oldest (LAST), or the one farthest from the priority. A single voice goes back to a note
        still held when the one that plays is lifted. retrigger: whether notes follow each other
        with the old one ended first (a new strike) or after (so that a receiver may play legato).
    crowd: how many onsets within `crowd_s` still play; those beyond it are a body on the mat and
        stay silent. 0: no limit.
    """

    limit: int = 0
    priority: Priority = Priority.LAST
    retrigger: bool = True
    same_note: SameNote = SameNote.RESTRIKE
    crowd: int = 0
    crowd_s: float = 0.05


@dataclass(frozen=True, slots=True)
class MpePlan:
    """One MPE zone of an output (MPE 1.0): parts on `manager` play each note on a member channel.

    manager: 1 (lower zone) or 16 (upper zone). members: 1-15 channels next to it.
    bend_range: semitones, of the members.
    """

    output: int
    manager: int
    members: int
    bend_range: int = 48

    @property
    def channels(self) -> range:
        """The member channels, from the manager outward."""
        step = 1 if self.manager == 1 else -1
        return range(self.manager + step, self.manager + step * (self.members + 1), step)


@dataclass(frozen=True, slots=True)
class ChannelEntry:
    """What is sent on one channel when a preset is entered, in the order of the fields."""

    output: int
    channel: int
    bank: int | None = None
    program: int | None = None
    bend_range: int | None = None  # semitones, announced by RPN 0
    controls: tuple[tuple[int, int], ...] = ()


class Leaving(StrEnum):
    """What becomes of held notes when a preset is left, by a switch or a reload."""

    END = "end"  # at once
    RING = "ring"  # when their zone is lifted; toggled and latched ones at once


@dataclass(frozen=True, slots=True)
class PresetPlan:
    """One piece.

    zones: one for each zone of the mat. bend_ranges: (output, channel, semitones) of the receiver,
        DEFAULT_BEND_RANGE where absent, for cents and bends. quantise: onsets wait for the next
        multiple of it, or None.
    flats: whether notes of the piece are named with flats ("Eb3"), as its scale was written.
    """

    name: str
    zones: tuple[ZonePlan, ...]
    voices: VoicePlan = VoicePlan()
    entry: tuple[ChannelEntry, ...] = ()
    mpe: tuple[MpePlan, ...] = ()
    bend_ranges: tuple[tuple[int, int, int], ...] = ()
    leaving: Leaving = Leaving.RING
    quantise: Length | None = None
    tempo_bpm: float | None = None
    flats: bool = False


class OutputKind(StrEnum):
    """The kinds of place where MIDI goes; the key that names it in an `outputs:` entry."""

    VIRTUAL = "virtual"
    PORT = "port"
    SERIAL = "serial"
    FILE = "file"
    NETWORK = "network"
    BLUETOOTH = "bluetooth"


@dataclass(frozen=True, slots=True)
class OutputPlan:
    """One output as written. target: port name, pattern, device path, or file. options: by kind."""

    name: str
    kind: OutputKind
    target: str
    options: tuple[tuple[str, object], ...] = ()


@dataclass(frozen=True, slots=True)
class InputPlan:
    """MIDI from outside: a port pattern, whose program changes and controls act on the bridge.

    programs: (channel or 0 for any, program 0-127, preset index). controls: (channel or 0, control,
    action).
    clock: whether its MIDI clock sets the tempo. driver: auto, alsa, jack or coremidi.
    """

    pattern: str
    programs: tuple[tuple[int, int, int], ...] = ()
    controls: tuple[tuple[int, int, ActionPart], ...] = ()
    clock: bool = False
    driver: str = "auto"


@dataclass(frozen=True, slots=True)
class PerformancePlan:
    """One show. `first` is the preset to start with; `clock_outputs` receive MIDI clock."""

    name: str
    outputs: tuple[OutputPlan, ...]
    presets: tuple[PresetPlan, ...]
    first: int = 0
    tempo_bpm: float = 120.0
    input: InputPlan | None = None
    clock_outputs: tuple[int, ...] = ()


# The port of a board that speaks MIDI.
MIDI_BOARD = "midi"


@dataclass(frozen=True, slots=True)
class BoardPlan:
    """One board of a mat: how it is reached and what it sends.

    port: "simulated", a device path, or "usb:VID:PID[:serial]"; "spi", "iio" or "i2c" for a reader
        of this computer's own pins; "midi" for a board that plays MIDI.
    format: "text" or "packed". baud: of a serial line, else 0.
    channels: readings in one of its scans. zones: for each channel the mat's zone index, or -1.
    options: by the way in. Serial: dtr, rts (bool). Readers: rate_hz (int), at (tuple of paths or
        addresses as text), clock_hz (spi), bus and pressure (i2c). MIDI: pattern, driver, channel
        (0 for any), notes and controls (tuples of numbers, in the order of the channels).
    """

    port: str
    baud: int
    format: str
    channels: int
    zones: tuple[int, ...]
    options: tuple[tuple[str, object], ...] = ()


@dataclass(frozen=True, slots=True)
class ZonePlace:
    """A zone of the mat: its name and its place.

    x_cm, y_cm: its centre, x to the right and y away from the player. width_cm, depth_cm: its size
    for drawings; 0 where the file does not say. round: whether it is drawn as an ellipse.
    """

    name: str
    x_cm: float
    y_cm: float
    width_cm: float = 0.0
    depth_cm: float = 0.0
    round: bool = True


@dataclass(frozen=True, slots=True)
class MatPlan:
    """The mat: where its zones are, which boards they hang on, and how they are sensed."""

    name: str
    zones: tuple[ZonePlace, ...]
    boards: tuple[BoardPlan, ...]
    sensor: SensorSpec
    sensing: SensingSettings


@dataclass(frozen=True, slots=True)
class Show:
    """A performance file and the mat file it names, compiled together.

    files: absolute paths of all that was read, for a reload to watch; none where it came from a
        take. texts: their bytes as they were read, the performance first.
    """

    performance: PerformancePlan
    mat: MatPlan
    files: tuple[str, ...]
    texts: tuple[bytes, ...] = field(default=(), repr=False)
