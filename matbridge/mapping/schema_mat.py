"""The mat file, key by key: what it may hold, with a line on each for editors and the README."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Never

from pydantic import Discriminator, Field, Tag

from matbridge.mapping.fields import (
    Flag,
    Form,
    Name,
    Position,
    Rule,
    line_of_text,
    near,
    number,
    one_of,
    refusal,
    said,
    whole,
)

# Zones of one board: what the packed wire format can carry in a scan.
MAX_CHANNELS = 1024

# No serial line here is slower or faster; a USB board ignores the figure.
MIN_BAUD, MAX_BAUD = 300, 12_000_000

ZONE_NAME = r"[A-Za-z0-9][A-Za-z0-9 _.+-]*"


class Board(Form):
    """A microcontroller that sends the readings of the mat's sensors over a serial line."""

    port: Annotated[str, line_of_text("a port")] = Field(
        description="Where the board is: a device path such as /dev/serial/by-id/..., "
        "usb:VENDOR:PRODUCT[:SERIAL] with the ids in hex, or simulated for a mat that plays itself."
    )
    baud: Annotated[int, whole(MIN_BAUD, MAX_BAUD)] = Field(
        115_200, description="Speed of the serial line, in bits a second, as the board has it."
    )
    format: Annotated[Literal["text", "packed"], one_of("format", ("text", "packed"))] = Field(
        "text",
        description="How the board writes a scan: text (a line of numbers) or packed (binary, with "
        "checksum and clock).",
    )
    channels: Annotated[int, whole(1, MAX_CHANNELS)] | None = Field(
        None, description="How many readings a scan has; as many as the zones need, unless given."
    )
    dtr: Flag = Field(True, description="Raise the DTR line when opening; USB boards wait for it.")
    rts: Flag = Field(True, description="Raise the RTS line when opening.")


class ForceSensor(Form):
    """A force-sensitive resistor over a fixed one, read by a converter."""

    type: Literal["force"] = Field(
        description="What lies under a zone: force (a force-sensitive resistor), level (a reading "
        "taken as it is), or switch (on or off)."
    )
    bits: Annotated[int, whole(1, 16)] = Field(
        10, description="Width of a reading: 10 means 0-1023."
    )
    fixed_resistor_ohm: Annotated[float, number(0, 10_000_000, above=True)] = Field(
        description="The fixed resistor of the divider, from the reading's pin to ground, in ohms."
    )


class LevelSensor(Form):
    """A sensor whose reading already goes with the load, or with the nearness of a foot."""

    type: Literal["level"] = Field(description="As under force.")
    bits: Annotated[int, whole(1, 16)] = Field(
        10, description="Width of a reading: 10 means 0-1023."
    )


class SwitchSensor(Form):
    """A contact or a touch chip: 0 for free, anything else for touched."""

    type: Literal["switch"] = Field(description="As under force.")
    bits: Annotated[int, whole(1, 16)] = Field(
        1, description="Width of a reading: 1 means 0 or 1."
    )


def _sensor_form(value: Any) -> str:
    form = value.get("type") if isinstance(value, dict) else getattr(value, "type", None)
    return form if isinstance(form, str) and form in ("force", "level", "switch") else "?"


def _no_sensor(value: Any) -> Never:
    types = ("force", "level", "switch")
    if not isinstance(value, dict):
        raise refusal(f"{said(value)} is not a sensor; write {{type: force, bits: 10, ...}}")
    if "type" not in value:
        raise refusal(f"a sensor needs a type: {', '.join(types)}")
    kind = value["type"]
    hint = near(kind, types) if isinstance(kind, str) else f"; allowed: {', '.join(types)}"
    raise refusal(f"unknown sensor type {said(kind)}{hint}", key="type")


Sensor = Annotated[
    Annotated[ForceSensor, Tag("force")]
    | Annotated[LevelSensor, Tag("level")]
    | Annotated[SwitchSensor, Tag("switch")]
    | Annotated[Never, Rule(_no_sensor, None), Tag("?")],
    Discriminator(_sensor_form),
]


def _zone_size(value: Any) -> Any:
    pair = value if isinstance(value, list) else [value]
    if len(pair) not in (1, 2):
        raise refusal("a size is one number (round) or two (width and depth), in cm")
    for each in pair:
        if isinstance(each, bool) or not isinstance(each, int | float) or not 0 < each <= 1000:
            raise refusal(f"size {said(each)} is not a number above 0 and up to 1000, in cm")
    return value


_POSITIVE_CM = {"type": "number", "exclusiveMinimum": 0, "maximum": 1000}


class MatZone(Form):
    """One playable place on the mat."""

    name: Annotated[str, line_of_text("a zone name", ZONE_NAME, 32)] = Field(
        description="What the performance file calls the zone: letters, digits, spaces, . _ + -"
    )
    at: Position = Field(
        description="Its centre in cm: [x to the right, y away from the player]."
    )
    channel: Annotated[int, whole(0, MAX_CHANNELS - 1)] | None = Field(
        None,
        description="Which reading of a scan it is, counted from 0 as converters number their "
        "inputs; its place in the list, unless given.",
    )
    board: Name | None = Field(
        None, description="The board it hangs on, where the mat has several."
    )
    size: Annotated[
        float | list[float],
        Rule(
            _zone_size,
            {
                "anyOf": [
                    _POSITIVE_CM,
                    {"type": "array", "items": _POSITIVE_CM, "minItems": 2, "maxItems": 2},
                ]
            },
        ),
    ] | None = Field(
        None,
        description="For drawings: its diameter in cm, or [width, depth]; what fits between its "
        "neighbours, unless given.",
    )


class MatFile(Form):
    """A mat: its boards, its sensors, and the zones on it."""

    mat: Name = Field(description="The name of the mat; its calibration is kept under it.")
    board: Board | None = Field(None, description="The board that reads the mat.")
    boards: dict[str, Board] | None = Field(
        None, description="Several boards by name, instead of board; each zone says which is its own."
    )
    sensor: Sensor = Field(description="What lies under every zone.")
    zones: list[MatZone] = Field(
        min_length=1, max_length=16 * MAX_CHANNELS, description="The zones, in playing order."
    )
    groups: dict[str, list[Name]] | None = Field(
        None,
        description="Names for several zones: lists of zone names and patterns, as row a: [a*].",
    )
