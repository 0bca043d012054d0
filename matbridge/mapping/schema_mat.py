"""The mat file, key by key: what it may hold, with a line on each for editors and the README."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Never

from pydantic import Field

from matbridge.board.readers.converters import MAX_SPI_HZ
from matbridge.mapping.choice import (
    NO_FORM,
    by_key,
    by_value,
    form,
    no_form_by_key,
    no_form_by_value,
)
from matbridge.mapping.fields import (
    DRIVER_TEXT,
    Channel,
    Driver,
    Flag,
    Form,
    Name,
    Note,
    Position,
    Rule,
    line_of_text,
    number,
    one_of,
    refusal,
    said,
    whole,
)
from matbridge.mapping.schema_sound import Control

# Zones of one board: what the packed wire format can carry in a scan.
MAX_CHANNELS = 1024

# No serial line here is slower or faster; a USB board ignores the figure.
MIN_BAUD, MAX_BAUD = 300, 12_000_000

# A device path, a USB id as the link resolves it, or the mat that plays by itself.
PORT = r"simulated|usb:[0-9A-Fa-f]{4}:[0-9A-Fa-f]{4}(:[!-~]+)?|/[!-~]+"

ZONE_NAME = r"[A-Za-z0-9][A-Za-z0-9 _.+-]*"


class _ScanBoard(Form):
    """What may be said of a board that sends scans."""

    channels: Annotated[int, whole(1, MAX_CHANNELS)] | None = Field(
        None, description="How many readings a scan has; as many as the zones need, unless given."
    )


class SerialBoard(_ScanBoard):
    """A microcontroller that sends its readings over a serial line."""

    port: Annotated[str, line_of_text("a port", PORT)] = Field(
        description="Where the board is: a device path such as /dev/serial/by-id/..., "
        "usb:VENDOR:PRODUCT[:SERIAL] with the ids in hex, or simulated, which plays by itself."
    )
    baud: Annotated[int, whole(MIN_BAUD, MAX_BAUD)] = Field(
        115_200, description="Speed of the serial line, in bits a second, as the board has it."
    )
    format: Annotated[str, one_of("format", ("text", "packed"))] = Field(
        "text",
        description="How the board writes a scan: text (a line of numbers) or packed (binary, with "
        "checksum and clock).",
    )
    dtr: Flag = Field(True, description="Raise the DTR line when opening; USB boards wait for it.")
    rts: Flag = Field(True, description="Raise the RTS line when opening.")


RateHz = Annotated[int, whole(1, 4000)]
Paths = Annotated[
    list[Annotated[str, line_of_text("a device path", r"/[!-~]+")]],
    Field(min_length=1, max_length=8),
]


class SpiBoard(_ScanBoard):
    """Converters on the SPI pins of this computer."""

    spi: Paths = Field(description="The device of each 8-channel converter: [/dev/spidev0.0, ...].")
    rate_hz: RateHz = Field(500, description="Scans a second of the converters.")
    clock_hz: Annotated[int, whole(10_000, MAX_SPI_HZ)] = Field(
        1_000_000,
        description="Clock of the SPI bus: the converter takes 1.35 MHz at 2.7 V, 3.6 MHz at 5 V.",
    )


class IioBoard(_ScanBoard):
    """Converters that the kernel reads (industrial I/O)."""

    iio: Paths = Field(description="The folder of each converter: [/sys/bus/iio/devices/...].")
    rate_hz: RateHz = Field(200, description="Scans a second, as the kernel is asked for them.")


class I2cBoard(_ScanBoard):
    """Touch chips on an I2C bus of this computer."""

    i2c: Annotated[int, whole(0, 63)] = Field(description="The number of the bus: 1 is /dev/i2c-1.")
    chips: Annotated[list[Annotated[int, whole(0x08, 0x77)]], Field(min_length=1, max_length=8)] = (
        Field(description="The address of each 12-electrode chip: [0x5A, 0x5B].")
    )
    rate_hz: RateHz = Field(100, description="Scans a second of the chips.")
    pressure: Flag = Field(
        False, description="Read how near a touch is, for sensor type level, and not only whether."
    )


class MidiBoard(Form):
    """A controller that already speaks MIDI; each of its notes or controls is a channel."""

    midi: Annotated[str, line_of_text("a port pattern")] = Field(
        description='The port it plays into, by name or pattern: "Pads*".'
    )
    notes: Annotated[list[Note], Field(min_length=1, max_length=128)] | None = Field(
        None, description="Its notes, by name or number; the first is channel 0, and so on."
    )
    controls: Annotated[list[Control], Field(min_length=1, max_length=119)] | None = Field(
        None,
        description="Its controls, by name or number; their channels follow those of the notes.",
    )
    channel: Channel | None = Field(
        None, description="Listen to this MIDI channel only, 1-16; to all, unless given."
    )
    driver: Driver = Field("auto", description=DRIVER_TEXT)


BOARD_KEYS = ("port", "spi", "iio", "i2c", "midi")

Board = Annotated[
    Annotated[SerialBoard, form("port")]
    | Annotated[SpiBoard, form("spi")]
    | Annotated[IioBoard, form("iio")]
    | Annotated[I2cBoard, form("i2c")]
    | Annotated[MidiBoard, form("midi")]
    | Annotated[Never, no_form_by_key("a board", "{port: /dev/ttyACM0}", BOARD_KEYS), NO_FORM],
    by_key(BOARD_KEYS),
]


_TYPE_TEXT = (
    "What lies under a zone: force (a force-sensitive resistor), level (a reading taken as it is), "
    "or switch (on or off)."
)


class ForceSensor(Form):
    """A force-sensitive resistor over a fixed one, read by a converter."""

    type: Literal["force"] = Field(description=_TYPE_TEXT)
    bits: Annotated[int, whole(1, 16)] = Field(
        10, description="Width of a reading: 10 means 0-1023."
    )
    fixed_resistor_ohm: Annotated[float, number(0, 10_000_000, above=True)] = Field(
        description="The fixed resistor of the divider, from the reading's pin to ground, in ohms."
    )


class LevelSensor(Form):
    """A sensor whose reading already goes with the load, or with the nearness of a foot."""

    type: Literal["level"] = Field(description=_TYPE_TEXT)
    bits: Annotated[int, whole(1, 16)] = Field(
        10, description="Width of a reading: 10 means 0-1023."
    )


class SwitchSensor(Form):
    """A contact or a touch chip: 0 for free, anything else for touched."""

    type: Literal["switch"] = Field(description=_TYPE_TEXT)
    bits: Annotated[int, whole(1, 16)] = Field(1, description="Width of a reading: 1 means 0 or 1.")


SENSOR_TYPES = ("force", "level", "switch")
_SENSOR_EXAMPLE = "{type: force, bits: 10, fixed_resistor_ohm: 1000}"

Sensor = Annotated[
    Annotated[ForceSensor, form("force")]
    | Annotated[LevelSensor, form("level")]
    | Annotated[SwitchSensor, form("switch")]
    | Annotated[Never, no_form_by_value("sensor", "type", SENSOR_TYPES, _SENSOR_EXAMPLE), NO_FORM],
    by_value("type", SENSOR_TYPES),
]


class Sensing(Form):
    """How touches are told from readings; each of these has a default that suits a foot mat."""

    threshold: Annotated[float, number(0.001, 0.9)] | None = Field(
        None, description="Least load that is a touch, as a share of the zone's full press."
    )
    peak_window_ms: Annotated[float, number(0, 50)] | None = Field(
        None, description="How long an onset waits for its peak, with velocity from peak or both."
    )
    rise_window_ms: Annotated[float, number(0, 50)] | None = Field(
        None, description="How long it measures the rise, with velocity from rise."
    )
    slow_rise_ms: Annotated[float, number(0.5, 1000)] | None = Field(
        None, description="The time to a full press that plays softest."
    )
    fast_rise_ms: Annotated[float, number(0.5, 1000)] | None = Field(
        None, description="The time to a full press that plays loudest."
    )
    debounce_scans: Annotated[int, whole(0, 10)] | None = Field(
        None, description="How many more scans must agree before a touch begins or ends."
    )
    hold_off_ms: Annotated[float, number(0, 500)] | None = Field(
        None, description="How long after an onset the zone takes no other."
    )
    lift_share: Annotated[float, number(0.02, 0.9)] | None = Field(
        None, description="A touch ends under this share of its recent highest load."
    )
    strike_share: Annotated[float, number(0.05, 1)] | None = Field(
        None, description="A fast rise of this share of full press on a held zone strikes anew."
    )
    crosstalk: Annotated[float, number(0, 0.9)] | None = Field(
        None,
        description="Share of a strike's force that zones 15 cm away may feel in silence; 0: none.",
    )
    crosstalk_reach_cm: Annotated[float, number(1, 1000)] | None = Field(
        None, description="The distance that halves that share."
    )
    object_after_s: Annotated[float, number(1, 3600)] | None = Field(
        None, description="What lies so long without moving is no foot, and is the new rest."
    )
    rest_follow_s: Annotated[float, number(1, 3600)] | None = Field(
        None, description="Time constant at which the rest follows slow drift."
    )
    pressure_step: Annotated[float, number(0.001, 0.5)] | None = Field(
        None, description="Least change of load that is news while held."
    )


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
        description="What performances call it: letters, digits, spaces and the signs . _ + - only."
    )
    at: Position = Field(description="Its centre in cm: [x to the right, y away from the player].")
    channel: Annotated[int, whole(0, MAX_CHANNELS - 1)] | None = Field(
        None,
        description="Which reading of a scan it is, counted from 0 as converters number their "
        "inputs; its place in the list, unless given.",
    )
    board: Name | None = Field(
        None, description="The board it hangs on, where the mat has several."
    )
    size: (
        Annotated[
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
        ]
        | None
    ) = Field(
        None,
        description="For drawings: its diameter in cm, or [width, depth]; what fits between its "
        "neighbours, unless given.",
    )


class MatFile(Form):
    """A mat: its boards, its sensors, and the zones on it."""

    mat: Name = Field(description="The name of the mat; its calibration is kept under it.")
    board: Board | None = Field(None, description="The board that reads the mat.")
    boards: dict[str, Board] | None = Field(
        None,
        description="Several boards by name, instead of board; each zone says which is its own.",
    )
    sensor: Sensor | None = Field(
        None,
        description="What lies under every zone; not needed for a board that already speaks MIDI.",
    )
    sensing: Sensing | None = Field(
        None, description="Finer settings of how touches are told from readings."
    )
    zones: list[MatZone] = Field(
        min_length=1, max_length=16 * MAX_CHANNELS, description="The zones, in playing order."
    )
    groups: dict[str, list[Name]] | None = Field(
        None,
        description="Names for several zones: lists of zone names and patterns, as row a: [a*].",
    )
