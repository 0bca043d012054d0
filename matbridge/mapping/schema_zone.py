"""What a zone, a layer or a step of a sequence can be given to play, one form for each."""

from __future__ import annotations

from typing import Annotated, Any, Never, Self

from pydantic import Field, ModelWrapValidatorHandler, model_validator

from matbridge.mapping.choice import (
    NO_FORM,
    ONE,
    WORD,
    Choice,
    by_key,
    form,
    no_form_by_key,
    one_key,
    word_or_form,
)
from matbridge.mapping.chords import CHORD_SIGNS, CHORDS, CLOSE, SPREADS
from matbridge.mapping.fields import (
    NOTE,
    Channel,
    Flag,
    Form,
    Name,
    Note,
    Rule,
    line_of_text,
    number,
    one_of,
    refusal,
    span,
    whole,
)
from matbridge.mapping.percussion import PERCUSSION
from matbridge.mapping.programs import PROGRAMS
from matbridge.mapping.schema_sound import (
    Bits,
    Control,
    Following,
    Hold,
    Pressure,
    TimeSpan,
    Velocity,
)

# ---- what can sound --------------------------------------------------------------------------

# As many notes as a chord of two full hands and two feet; a zone is one foot.
MAX_NOTES = 16

Notes = Annotated[list[Note], Field(min_length=1, max_length=MAX_NOTES)]


class Chord(Form):
    """A chord by its root and type."""

    root: Note = Field(description="The root, which is the lowest note unless inverted: D3.")
    type: Annotated[str, one_of("chord type", CHORDS, CHORD_SIGNS)] = Field(
        "major", description="The type: minor 7, sus4, ..., or its sign, m7."
    )
    inversion: Annotated[int, whole(0, 6)] = Field(
        0, description="How many notes move from the bottom to the top."
    )
    spread: Annotated[str, one_of("spread", SPREADS)] = Field(
        CLOSE,
        description="close, open (every second note an octave up), drop 2 or drop 3 (that note "
        "from the top an octave down).",
    )


Degree = Annotated[int, whole(1, 128)]
Octave = Annotated[int, whole(-8, 8)]
Percussion = Annotated[str, one_of("percussion sound", PERCUSSION)]


SOUND_KEYS = ("note", "notes", "chord", "degree", "percussion", "sequence")


def one_sound(value: Any, what: str) -> None:
    """Refuse a mapping that says two things to play, or an octave of nothing."""
    if not isinstance(value, dict):
        return
    sounds = [key for key in value if key in SOUND_KEYS]
    if len(sounds) > 1:
        raise refusal(
            f"'{sounds[1]}' does not go with '{sounds[0]}'; {what} plays one of them, or several "
            "as layers",
            key=sounds[1],
            at_key=True,
        )
    if "octave" in value and "degree" not in value:
        raise refusal("'octave' goes with 'degree'", key="octave", at_key=True)


class StepForm(Form):
    """What one step of a sequence plays."""

    note: Note | None = Field(None, description="A note by name or number.")
    notes: Notes | None = Field(None, description="Several notes at once.")
    chord: Chord | None = Field(None, description="A chord by root and type.")
    degree: Degree | None = Field(None, description="A degree of the scale, 1 for its root.")
    octave: Octave | None = Field(
        None, description="Of a degree: so many octaves above (or, below 0, below) it."
    )
    percussion: Percussion | None = Field(None, description="A General MIDI percussion sound.")

    @model_validator(mode="wrap")
    @classmethod
    def _one_thing(cls, value: Any, handler: ModelWrapValidatorHandler[Self]) -> Self:
        one_sound(value, "a step")
        return handler(value)


REST = "rest"


def _step_word(value: Any) -> Any:
    return value if value == REST else NOTE.check(value)


Step = Annotated[
    Annotated[
        int | str, Rule(_step_word, {"anyOf": [NOTE.shown, {"const": REST}]}, NOTE.written), WORD
    ]
    | Annotated[StepForm, ONE],
    word_or_form(),
]

# ---- what is said of every zone, and of every zone that sounds ---------------------------------


class ZoneForm(Form):
    """What may be said of a zone whatever it plays."""

    output: Name | None = Field(None, description="Another output than the preset's.")
    channel: Channel | None = Field(
        None, description="Another MIDI channel than the preset's, 1-16."
    )
    label: Annotated[str, line_of_text("a label", longest=24)] | None = Field(
        None, description="What charts and screens call it, instead of the name of its note."
    )


class When(Form):
    """For which touches something sounds."""

    velocity: Annotated[tuple[int, int], span(1, 127)] | None = Field(
        None, description="Only when the velocity is within: [64, 127]."
    )
    pressure: Annotated[tuple[int, int], span(0, 127)] | None = Field(
        None, description="Only while the pressure is within, in 128 steps: [90, 127]."
    )


class SoundSettings(ZoneForm):
    """How a zone that plays notes plays them."""

    hold: Hold | None = Field(
        None,
        description="How long it sounds: touch (until lifted), toggle (until touched again), choke "
        "(until another zone of its choke group is touched), or a length such as 1/4.",
    )
    choke: Name | None = Field(
        None, description="The name of a choke group: a touch of another zone in it ends this one."
    )
    repeat: TimeSpan | None = Field(None, description="Strike again and again while held: 1/16.")
    latch: Flag | None = Field(
        None, description="false for notes that a latch pedal does not keep."
    )
    velocity: Velocity | None = Field(None, description="Another velocity than the preset's.")
    pressure: Pressure | None = Field(
        None, description="Another pressure than the preset's; nothing for none."
    )
    when: When | None = Field(None, description="Only for soft, or only for hard touches.")
    transpose: Flag | None = Field(
        None, description="false for notes that stay where they are when the preset is transposed."
    )


class SoundZone(SoundSettings):
    """A zone that plays notes: by what it says, or, saying none, by its degree of the scale."""

    note: Note | None = Field(None, description="A note by name (C4 = 60) or number.")
    notes: Notes | None = Field(None, description="Several notes at once: [D3, A3].")
    chord: Chord | None = Field(
        None, description="A chord by root and type: {root: D3, type: minor 7}."
    )
    degree: Degree | None = Field(
        None,
        description="A degree of the preset's scale, 1 for its root; past the last comes the next "
        "octave.",
    )
    octave: Octave | None = Field(
        None, description="Of a degree: so many octaves above (or, below 0, below) it."
    )
    percussion: Percussion | None = Field(
        None,
        description="A General MIDI percussion sound, on channel 10 unless the zone says "
        "otherwise: closed hi-hat.",
    )
    sequence: Annotated[list[Step], Field(min_length=1, max_length=256)] | None = Field(
        None, description="What each touch plays in turn: [D3, F3, rest, {notes: [A3, C4]}]."
    )

    @model_validator(mode="wrap")
    @classmethod
    def _one_thing(cls, value: Any, handler: ModelWrapValidatorHandler[Self]) -> Self:
        one_sound(value, "a zone")
        return handler(value)


# ---- what works something else -----------------------------------------------------------------

MODES = ("momentary", "toggle")
CONTROL_MODES = (*MODES, "pressure")


class ControlZone(ZoneForm, Following):
    """A zone that works a control."""

    control: Control = Field(description="The control, by number or name: 64, sustain.")
    mode: Annotated[str, one_of("mode", CONTROL_MODES)] = Field(
        "momentary",
        description="momentary (high while touched), toggle (high and low in turn), or pressure "
        "(follows it).",
    )
    values: Annotated[tuple[int, int], span(0, 127, falling=True)] = Field(
        (0, 127), description="What is sent for free and for touched: [0, 127]."
    )
    bits: Bits = Field(
        7, description="14 sends a control 0-31 in fine steps, with its second half 32 above."
    )


def _program(value: Any) -> int:
    if isinstance(value, str):
        return PROGRAMS.index(_PROGRAM_NAME.check(value)) + 1
    return int(_PROGRAM_NUMBER.check(value))


_PROGRAM_NAME = one_of("program", PROGRAMS)
_PROGRAM_NUMBER = whole(1, 128)

Program = Annotated[
    int,
    Rule(
        _program,
        {"anyOf": [{"type": "integer", "minimum": 1, "maximum": 128}, {"enum": list(PROGRAMS)}]},
    ),
]
Bank = Annotated[int, whole(0, 16383)]
_BANK_TEXT = "The bank, 0-16383: 128 times control 0, plus control 32."


class ProgramZone(ZoneForm):
    """A zone that changes the program."""

    program: Program = Field(description="Program 1-128, or a General MIDI name: marimba.")
    bank: Bank | None = Field(None, description=_BANK_TEXT)


class BendZone(ZoneForm, Following):
    """A zone that bends the pitch while touched."""

    bend: Annotated[float, number(-96, 96)] = Field(
        description="How many semitones it bends the channel; below 0 for downwards."
    )
    mode: Annotated[str, one_of("mode", ("momentary", "pressure"))] = Field(
        "momentary", description="momentary (at once, while touched) or pressure (follows it)."
    )


PEDAL_CONTROLS = {"sustain": 64, "sostenuto": 66, "soft": 67}
LATCH = "latch"


class PedalZone(ZoneForm):
    """A zone as a pedal."""

    pedal: Annotated[str, one_of("pedal", (*PEDAL_CONTROLS, LATCH))] = Field(
        description="sustain, sostenuto or soft (sent as controls), or latch: while it is down, "
        "notes of the mat ring on when they are lifted."
    )
    mode: Annotated[str, one_of("mode", MODES)] = Field(
        "momentary", description="momentary (down while touched) or toggle (down and up in turn)."
    )


# ---- actions -----------------------------------------------------------------------------------

ACTION_WORDS = ("next preset", "previous preset", "mute", "panic", "tap tempo", "take")

ACTION = one_key(
    "an action",
    {
        "preset": Choice(line_of_text("a name"), "Go to the preset of this name."),
        "transpose": Choice(whole(-48, 48), "Move all that is transposable by so many semitones."),
        "transpose_to": Choice(whole(-48, 48), "Set how far it is moved; 0 is as written."),
        "octave": Choice(whole(-4, 4), "Move all that is transposable by so many octaves."),
    },
    "next preset or {preset: low tide}",
    word=one_of("action", ACTION_WORDS),
)
Action = Annotated[Any, ACTION]


class ActionZone(ZoneForm):
    """A zone that makes the bridge do something."""

    action: Action = Field(
        description="next preset, previous preset, {preset: NAME}, {transpose: 2}, "
        "{transpose_to: 0}, {octave: 1}, mute, panic, tap tempo, or take (start and stop a "
        "recording)."
    )


# ---- a zone ------------------------------------------------------------------------------------

NOTHING = "nothing"

# The tag of a zone that plays notes, or says nothing of what it plays.
SOUND = "sound"

WORK_KEYS = ("control", "program", "bend", "pedal", "action")
PLAY_KEYS = (*SOUND_KEYS, "layers", *WORK_KEYS)

# Zones that play notes are one form, the rest one a key.
_FORMS = ("layers", *WORK_KEYS)


Layer = Annotated[
    Annotated[Note, WORD]
    | Annotated[SoundZone, form(SOUND)]
    | Annotated[ControlZone, form("control")]
    | Annotated[ProgramZone, form("program")]
    | Annotated[BendZone, form("bend")]
    | Annotated[PedalZone, form("pedal")]
    | Annotated[ActionZone, form("action")]
    | Annotated[
        Never,
        no_form_by_key("a layer", "{note: D3}", (*SOUND_KEYS, *WORK_KEYS)),
        NO_FORM,
    ],
    by_key({**{key: key for key in WORK_KEYS}, **dict.fromkeys(SOUND_KEYS, SOUND)}, word=True),
]


class LayersZone(SoundSettings):
    """A zone that plays several things at once, each where it says."""

    layers: Annotated[list[Layer], Field(min_length=1, max_length=16)] = Field(
        description="Several things at once, each written as a zone is: [{note: D3}, {control: 1}]."
    )


def _zone_word(value: Any) -> Any:
    return value if value == NOTHING else NOTE.check(value)


Zone = Annotated[
    Annotated[
        int | str, Rule(_zone_word, {"anyOf": [NOTE.shown, {"const": NOTHING}]}, NOTE.written), WORD
    ]
    | Annotated[SoundZone, form(SOUND)]
    | Annotated[LayersZone, form("layers")]
    | Annotated[ControlZone, form("control")]
    | Annotated[ProgramZone, form("program")]
    | Annotated[BendZone, form("bend")]
    | Annotated[PedalZone, form("pedal")]
    | Annotated[ActionZone, form("action")]
    | Annotated[
        Never, no_form_by_key("a zone", "D3 or {note: D3, hold: toggle}", PLAY_KEYS), NO_FORM
    ],
    by_key(_FORMS, word=True, empty=SOUND),
]
