"""How strikes and pressure are heard: curves, velocity, pressure, lengths, scales, layouts."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Any, Literal, Never

from pydantic import Field

from matbridge.mapping.choice import (
    NO_FORM,
    ONE,
    SEVERAL,
    WORD,
    Choice,
    by_value,
    form,
    no_form_by_value,
    one_key,
    one_or_several,
)
from matbridge.mapping.controls import CONTROLS, FIRST_CHANNEL_MODE, RESERVED
from matbridge.mapping.fields import (
    Flag,
    Form,
    Name,
    Note,
    Position,
    Rule,
    near,
    number,
    one_of,
    refusal,
    refused_value,
    said,
    span,
    whole,
)
from matbridge.mapping.lengths import MAX_BEATS, MAX_SECONDS, MIN_SECONDS, NOTE_VALUE, note_value
from matbridge.mapping.scales import SCALES

# ---- curves ----------------------------------------------------------------------------------

CURVE_WORDS = ("linear", "exponential", "logarithmic", "s-shaped")

# More makes a switch of it: at 10 half of the way up is 1/100 of the range.
_BEND = number(0, 20, above=True)


def _points(value: Any) -> tuple[tuple[float, float], ...]:
    if not isinstance(value, list) or not 2 <= len(value) <= 64:
        raise refusal("points are a list of 2 to 64 pairs: [[0, 0], [0.5, 0.8], [1, 1]]")
    points: list[tuple[float, float]] = []
    for pair in value:
        if not isinstance(pair, list | tuple) or len(pair) != 2:
            raise refusal(f"{said(pair)} is not a point; write [how hard, how loud], each 0 to 1")
        for each in pair:
            if isinstance(each, bool) or not isinstance(each, int | float) or not 0 <= each <= 1:
                raise refusal(f"{said(each)} in points is not a number within 0-1")
        points.append((float(pair[0]), float(pair[1])))
    if points[0] != (0.0, 0.0) or points[-1] != (1.0, 1.0):
        raise refusal("points begin at [0, 0] and end at [1, 1]; the range moves the ends")
    for (x0, y0), (x1, y1) in pairwise(points):
        if x1 <= x0 or y1 < y0:
            raise refusal(
                f"points go on from left to right and never down; [{x1:g}, {y1:g}] does not "
                f"after [{x0:g}, {y0:g}]"
            )
    return tuple(points)


_POINTS_SHOWN = {
    "type": "array",
    "minItems": 2,
    "maxItems": 64,
    "items": {
        "type": "array",
        "items": {"type": "number", "minimum": 0, "maximum": 1},
        "minItems": 2,
        "maxItems": 2,
    },
}

_CURVE_EXAMPLE = "linear, s-shaped or {power: 0.7}"

CURVE = one_key(
    "a curve",
    {
        "power": Choice(
            number(0, 10, above=True),
            "The value raised to a power: below 1 soft playing comes out louder, above 1 softer.",
        ),
        "exponential": Choice(_BEND, "Soft playing comes out softer, the more the higher; else 3."),
        "logarithmic": Choice(_BEND, "Soft playing comes out louder, the more the higher; else 3."),
        "s-shaped": Choice(
            _BEND, "Flat at both ends, the steeper in the middle the higher; else 3."
        ),
        "points": Choice(
            Rule(_points, _POINTS_SHOWN),
            "Straight lines through pairs [how hard, how loud] from [0, 0] to [1, 1], never down.",
        ),
        "fixed": Choice(whole(1, 127), "The same for every strike."),
    },
    _CURVE_EXAMPLE,
    word=one_of("curve", CURVE_WORDS),
)
Curve = Annotated[Any, CURVE]

# ---- velocity and pressure -------------------------------------------------------------------

VELOCITY_SOURCES = ("peak", "rise", "both", "fixed")


class Velocity(Form):
    """How a strike becomes a velocity."""

    from_: Annotated[str, one_of("velocity source", VELOCITY_SOURCES)] | None = Field(
        None,
        alias="from",
        description="peak (the hardest moment of the strike), rise (how fast it came), both, or "
        "fixed (every strike alike, for switches).",
    )
    curve: Curve | None = Field(
        None, description=f"From how hard to how loud: {_CURVE_EXAMPLE}; linear unless given."
    )
    range: Annotated[tuple[int, int], span(1, 127)] | None = Field(
        None, description="The softest and the loudest velocity; [1, 127] unless given."
    )
    release: Flag | None = Field(
        None, description="Send how fast a zone is let go as the release velocity."
    )


def control_number(value: Any) -> int:
    """A control by number or name; raises a refusal that says which there are."""
    if isinstance(value, str):
        if value not in CONTROLS:
            raise refusal(f"unknown control {said(value)}{near(value, CONTROLS)}")
        return CONTROLS[value]
    if isinstance(value, bool) or not isinstance(value, int):
        raise refused_value(f"{said(value)} is neither a number 0-119 nor the name of a control")
    if FIRST_CHANNEL_MODE <= value <= 127:
        raise refused_value(
            f"{value} is not a control but a mode of the channel; controls are 0-119"
        )
    if not 0 <= value < FIRST_CHANNEL_MODE:
        raise refused_value(f"{value} is not within 0-119")
    if value in RESERVED:
        raise refused_value(
            f"{value} is part of a longer message; use 'bank' or 'bend_range' for what it does"
        )
    return value


Control = Annotated[
    int,
    Rule(
        control_number,
        {
            "anyOf": [
                {
                    "type": "integer",
                    "minimum": 1,
                    "maximum": FIRST_CHANNEL_MODE - 1,
                    "not": {"enum": sorted(RESERVED)},
                },
                {"enum": list(CONTROLS)},
            ]
        },
    ),
]


def _bits(value: Any) -> int:
    if value not in (7, 14) or isinstance(value, bool | float):
        raise refused_value(f"{said(value)} is neither 7 nor 14")
    return int(value)


Bits = Annotated[Literal[7, 14], Rule(_bits, {"enum": [7, 14]})]


class Following(Form):
    """How something follows the pressure of a held zone."""

    curve: Curve | None = Field(
        None, description=f"From how hard to how much: {_CURVE_EXAMPLE}; linear unless given."
    )
    smoothing_ms: Annotated[float, number(0, 2000)] = Field(
        10, description="Time constant that evens out unsteady pressure; 0 for none."
    )
    dead_band: Annotated[int, whole(1, 127)] = Field(
        1, description="The smallest change that is sent, in steps of 128."
    )
    every_ms: Annotated[float, number(0, 2000)] = Field(
        10, description="The shortest time between two messages of a zone."
    )


_Range7 = Annotated[tuple[int, int], span(0, 127, falling=True)]


_SEND_TEXT = (
    "Where pressure goes: channel pressure, polyphonic pressure (each note its own), control, or "
    "bend."
)


class ChannelPressure(Following):
    """Pressure for the whole channel."""

    send: Literal["channel pressure"] = Field(description=_SEND_TEXT)
    range: _Range7 = Field((0, 127), description="What is sent for no and for full pressure.")


class PolyphonicPressure(Following):
    """Pressure for each note by itself."""

    send: Literal["polyphonic pressure"] = Field(description=_SEND_TEXT)
    range: _Range7 = Field((0, 127), description="What is sent for no and for full pressure.")


class ControlPressure(Following):
    """Pressure as a control."""

    send: Literal["control"] = Field(description=_SEND_TEXT)
    control: Control = Field(description="The control, by number or name: 11, expression.")
    bits: Bits = Field(
        7, description="14 sends a control 0-31 in fine steps, with its second half 32 above."
    )
    range: _Range7 = Field((0, 127), description="What is sent for no and for full pressure.")


class BendPressure(Following):
    """Pressure as pitch bend."""

    send: Literal["bend"] = Field(description=_SEND_TEXT)
    semitones: Annotated[float, number(-96, 96)] = Field(
        description="How far full pressure bends; below 0 for downwards."
    )


PRESSURE_KINDS = ("channel pressure", "polyphonic pressure", "control", "bend")

_PRESSURE_EXAMPLE = "{send: channel pressure}"

OnePressure = Annotated[
    Annotated[ChannelPressure, form("channel pressure")]
    | Annotated[PolyphonicPressure, form("polyphonic pressure")]
    | Annotated[ControlPressure, form("control")]
    | Annotated[BendPressure, form("bend")]
    | Annotated[
        Never,
        no_form_by_value("pressure", "send", PRESSURE_KINDS, _PRESSURE_EXAMPLE),
        NO_FORM,
    ],
    by_value("send", PRESSURE_KINDS),
]

Pressure = Annotated[
    Annotated[str, one_of("pressure", ("nothing",)), WORD]
    | Annotated[list[OnePressure], SEVERAL]
    | Annotated[OnePressure, ONE],
    one_or_several(),
]

# ---- lengths of time -------------------------------------------------------------------------


def _note_value(value: Any) -> str:
    if not isinstance(value, str):
        raise refusal(f"{said(value)} is not a length; write 1/8, {{beats: 2}} or {{seconds: 0.5}}")
    try:
        note_value(value)
    except ValueError as error:
        raise refusal(str(error)) from None
    return value


_NOTE_VALUE_SHOWN = {"type": "string", "pattern": f"^{NOTE_VALUE}$"}
_LENGTH_EXAMPLE = "1/8, {beats: 2} or {seconds: 0.5}"
_LENGTHS = {
    "beats": Choice(number(0, MAX_BEATS, above=True), "So many beats, each a quarter note."),
    "seconds": Choice(number(MIN_SECONDS, MAX_SECONDS), "So many seconds."),
}

TimeSpan = Annotated[
    Any, one_key("a length", _LENGTHS, _LENGTH_EXAMPLE, Rule(_note_value, _NOTE_VALUE_SHOWN))
]

HOLD_WORDS = ("touch", "toggle", "choke")


def _hold_word(value: Any) -> str:
    if isinstance(value, str) and value in HOLD_WORDS:
        return value
    if isinstance(value, str) and "/" in value:
        return _note_value(value)
    hint = near(str(value), HOLD_WORDS)
    also = "" if "did you" in hint else f", {_LENGTH_EXAMPLE}"
    raise refusal(f"unknown hold {said(value)}{hint}{also}")


Hold = Annotated[
    Any,
    one_key(
        "a hold",
        _LENGTHS,
        f"touch, toggle, {_LENGTH_EXAMPLE}",
        Rule(_hold_word, {"anyOf": [{"enum": list(HOLD_WORDS)}, _NOTE_VALUE_SHOWN]}),
    ),
]

# ---- scales and how they lie -----------------------------------------------------------------


def _steps(what: str, highest: float, *, whole_only: bool) -> Rule:
    def check(value: Any) -> tuple[float, ...]:
        if not isinstance(value, list) or not 1 <= len(value) <= MAX_SCALE:
            raise refusal(f"{what} are a list of 1 to {MAX_SCALE} numbers, beginning with 0")
        before = -1.0
        for step in value:
            kinds = int if whole_only else int | float
            if isinstance(step, bool) or not isinstance(step, kinds):
                kind = "a whole number" if whole_only else "a number"
                raise refusal(f"{said(step)} in {what} is not {kind}")
            if not 0 <= step < highest:
                raise refusal(f"{step:g} in {what} is not within 0-{highest:g}, an octave")
            if step <= before:
                raise refusal(f"{what} go upwards; {step:g} does not after {before:g}")
            before = step
        if value[0] != 0:
            raise refusal(f"{what} begin with 0, the root")
        return tuple(value)

    shown = {
        "type": "array",
        "minItems": 1,
        "maxItems": MAX_SCALE,
        "items": {
            "type": "integer" if whole_only else "number",
            "minimum": 0,
            "exclusiveMaximum": highest,
        },
    }
    return Rule(check, shown)


# Notes of one octave; the finest division in common use has 72, and every scale here is far
# coarser.
MAX_SCALE = 72


class Scale(Form):
    """The notes that zones take which are given none of their own."""

    root: Note | None = Field(None, description="Where the scale begins, the note of degree 1: D3.")
    type: Annotated[str, one_of("scale type", SCALES)] | None = Field(
        None, description="The name of the scale: dorian, minor pentatonic, ..."
    )
    semitones: Annotated[tuple[int, ...], _steps("semitones", 12, whole_only=True)] | None = Field(
        None, description="A scale of one's own, instead of type: [0, 2, 5, 7, 9]."
    )
    cents: Annotated[tuple[float, ...], _steps("cents", 1200, whole_only=False)] | None = Field(
        None, description="A scale of one's own in cents, instead of type: [0, 203.9, 386.3, ...]."
    )


LAYOUT_WORDS = ("order", "rows", "snake")
LAYOUT_WAYS = (*LAYOUT_WORDS, "distance", "angle", "steps")


class _Layout(Form):
    zones: list[Name] | None = Field(
        None, description="Only these zones take part: names, patterns and groups."
    )


_BY_TEXT = (
    "How the scale goes over the mat: order (as the mat file lists the zones), "
    "rows (each from left to right, the nearest first), snake (every second row back), "
    "distance or angle (from a point), steps (so many degrees across and along)."
)


class PlainLayout(_Layout):
    """One zone after the other."""

    by: Literal["order", "rows", "snake"] = Field(description=_BY_TEXT)


class PointLayout(_Layout):
    """Outwards from a point, or around it clockwise, beginning straight ahead."""

    by: Literal["distance", "angle"] = Field(description=_BY_TEXT)
    from_: Position = Field(alias="from", description="The point, [x, y] in cm.")


class StepsLayout(_Layout):
    """The same interval for the same step everywhere."""

    by: Literal["steps"] = Field(description=_BY_TEXT)
    across: Annotated[int, whole(-24, 24)] = Field(
        description="Degrees from a zone to its right neighbour; a zone half a place over is half "
        "of it further, rounded down."
    )
    along: Annotated[int, whole(-24, 24)] = Field(description="Degrees from a row to the next.")


_LAYOUT_EXAMPLE = "rows, snake or {by: distance, from: [0, 0]}"

_OneLayout = Annotated[
    Annotated[PlainLayout, form("order")]
    | Annotated[PlainLayout, form("rows")]
    | Annotated[PlainLayout, form("snake")]
    | Annotated[PointLayout, form("distance")]
    | Annotated[PointLayout, form("angle")]
    | Annotated[StepsLayout, form("steps")]
    | Annotated[Never, no_form_by_value("layout", "by", LAYOUT_WAYS, _LAYOUT_EXAMPLE), NO_FORM],
    by_value("by", LAYOUT_WAYS),
]

Layout = Annotated[
    Annotated[str, one_of("layout", LAYOUT_WORDS), WORD]
    | Annotated[list[Name], SEVERAL]
    | Annotated[_OneLayout, ONE],
    one_or_several(),
]
