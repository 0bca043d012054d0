"""A mat file to its plan."""

from __future__ import annotations

from dataclasses import fields

import pytest

from matbridge.mapping.plan import BoardPlan, ZonePlace
from matbridge.mapping.schema_mat import Sensing
from matbridge.sensing.settings import SensingSettings, SensorSpec, SensorType
from matbridge.sensing.touch import VelocitySource
from tests.support.mapping import MAT, mat, mat_problem, zone

BOARD = "board: {port: simulated}"


def test_a_small_mat() -> None:
    plan = mat(MAT)
    assert plan.name == "quay"
    assert plan.zones == (
        ZonePlace("a1", 0, 0),
        ZonePlace("a2", 40, 0),
        ZonePlace("b1", 20, 35),
    )
    assert plan.sensor == SensorSpec(SensorType.FORCE, 10, 1000)
    assert plan.sensing == SensingSettings()
    assert plan.boards == (
        BoardPlan("simulated", 115_200, "text", 3, (0, 1, 2), (("dtr", True), ("rts", True))),
    )


def test_channels_are_places_in_the_list_unless_said() -> None:
    text = MAT.replace("at: [0, 0]", "at: [0, 0], channel: 5")
    assert mat(text).boards[0].zones == (-1, 1, 2, -1, -1, 0)
    text = MAT.replace("simulated}", "simulated, channels: 8}")
    assert mat(text).boards[0].zones == (0, 1, 2, -1, -1, -1, -1, -1)


def test_several_boards_each_with_its_zones() -> None:
    text = MAT.replace(
        BOARD,
        "boards: {left: {port: /dev/ttyACM0}, right: {port: 'usb:2e8a:0005:E66', format: packed}}",
    )
    text = text.replace("name: a1", "name: a1, board: right").replace(
        "name: a2", "name: a2, board: left"
    )
    left, right = mat(text.replace("name: b1", "name: b1, board: right")).boards
    assert (left.port, left.zones) == ("/dev/ttyACM0", (1,))
    assert (right.port, right.format, right.zones) == ("usb:2e8a:0005:E66", "packed", (0, 2))


@pytest.mark.parametrize(
    ("written", "made"),
    [
        (
            "{port: /dev/ttyUSB0, baud: 921600, format: packed, dtr: false, rts: false}",
            ("/dev/ttyUSB0", 921_600, "packed", (("dtr", False), ("rts", False))),
        ),
        (
            "{spi: [/dev/spidev0.0, /dev/spidev0.1], rate_hz: 1000}",
            (
                "spi",
                0,
                "packed",
                (
                    ("rate_hz", 1000),
                    ("at", ("/dev/spidev0.0", "/dev/spidev0.1")),
                    ("clock_hz", 1_000_000),
                ),
            ),
        ),
        (
            "{iio: ['/sys/bus/iio/devices/iio:device0']}",
            (
                "iio",
                0,
                "packed",
                (("rate_hz", 200), ("at", ("/sys/bus/iio/devices/iio:device0",))),
            ),
        ),
        (
            "{i2c: 1, chips: [0x5A, 0x5B], pressure: true}",
            (
                "i2c",
                0,
                "packed",
                (("rate_hz", 100), ("at", ("0x5a", "0x5b")), ("bus", 1), ("pressure", True)),
            ),
        ),
        (
            "{midi: 'Pads*', notes: [C1, 38], controls: [modulation], channel: 10}",
            (
                "midi",
                0,
                "packed",
                (
                    ("pattern", "Pads*"),
                    ("driver", "auto"),
                    ("channel", 10),
                    ("notes", (24, 38)),
                    ("controls", (1,)),
                ),
            ),
        ),
    ],
)
def test_every_way_in(written: str, made: tuple[object, ...]) -> None:
    (board,) = mat(MAT.replace("{port: simulated}", written)).boards
    assert (board.port, board.baud, board.format, board.options) == made


def test_sensors() -> None:
    level = MAT.replace("force, bits: 10, fixed_resistor_ohm: 1000", "level, bits: 12")
    assert mat(level).sensor == SensorSpec(SensorType.LEVEL, 12, 0)
    switch = MAT.replace("force, bits: 10, fixed_resistor_ohm: 1000", "switch")
    assert mat(switch).sensor == SensorSpec(SensorType.SWITCH, 1, 0)


def test_a_board_that_speaks_midi_needs_no_sensor_and_has_measured_the_peak() -> None:
    board = "board: {midi: Pads, notes: [36, 38, 40, 41]}"
    text = MAT.replace(BOARD, board).replace(
        "sensor: {type: force, bits: 10, fixed_resistor_ohm: 1000}\n", ""
    )
    plan = mat(text)
    assert plan.sensor == SensorSpec(SensorType.LEVEL, 7, 0)
    assert plan.boards[0].zones == (0, 1, 2, -1)
    assert zone("D3", mat=text).velocity.source is VelocitySource.PEAK
    assert "channel 4 is not within 0-3" in mat_problem(
        text.replace("[20, 35]", "[20, 35], channel: 4")
    )


def test_sizes_are_for_drawings() -> None:
    round_, square = mat(
        MAT.replace("at: [0, 0]", "at: [0, 0], size: 30").replace(
            "at: [40, 0]", "at: [40, 0], size: [28, 34.5]"
        )
    ).zones[:2]
    assert (round_.width_cm, round_.depth_cm, round_.round) == (30, 30, True)
    assert (square.width_cm, square.depth_cm, square.round) == (28, 34.5, False)


def test_every_sensing_setting_can_be_written() -> None:
    settings = {each.name: each for each in fields(SensingSettings)}
    assert list(Sensing.model_fields) == list(settings)
    written = {name: getattr(SensingSettings(), name) for name in settings}
    written["threshold"], written["debounce_scans"] = 0.05, 3
    lines = "".join(f"  {name}: {value}\n" for name, value in written.items())
    assert mat(f"{MAT}sensing:\n{lines}").sensing == SensingSettings(**written)
    assert mat(f"{MAT}sensing: {{threshold: 0.1}}\n").sensing == SensingSettings(threshold=0.1)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (MAT.replace(BOARD, "board: {}"), "a board says one of: port, spi, iio, i2c, midi"),
        (MAT.replace("simulated", "COM3"), "board: 'COM3' is not a port"),
        (MAT.replace("simulated", "'usb:2e8a'"), "board: 'usb:2e8a' is not a port"),
        (MAT.replace("simulated}", "simulated, baud: 20000000}"), "baud 20000000 is not within"),
        (MAT.replace("simulated}", "simulated, format: csv}"), "unknown format 'csv'"),
        (MAT.replace(f"{BOARD}\n", ""), "a mat needs 'board' (or, for several, 'boards')"),
        (MAT.replace("{port: simulated}", "{midi: x}"), "needs its notes or controls"),
        (MAT.replace("{port: simulated}", "{midi: x, notes: []}"), "'notes' is empty"),
        (MAT.replace("{port: simulated}", "{midi: x, controls: [0]}"), "controls 0 is part of a"),
        (MAT[: MAT.index("sensor")] + MAT[MAT.index("zones") :], "'sensor' is missing"),
        (MAT.replace("bits: 10", "bits: 17"), "sensor: bits 17 is not within 1-16"),
        (MAT.replace("type: force", "type: switch"), "unknown key 'fixed_resistor_ohm'"),
        (MAT.replace("type: force, ", ""), "a sensor needs 'type': force, level, switch"),
        (MAT.replace("ohm: 1000", "ohm: 0"), "fixed_resistor_ohm 0 is not above 0"),
        (MAT.replace("name: b1", "name: a1"), "the name 'a1' is also that of the zone in line 5"),
        (MAT.replace("name: b1", "name: 'b*'"), "'b*' is not a zone name"),
        (MAT.replace("name: b1", "name: 7"), "7 is not a zone name; put it in quotes"),
        (MAT.replace("[20, 35]", "[20]"), "a place in cm is written as two numbers"),
        (MAT.replace("[20, 35]", "[20, far]"), "at 'far' is not a number"),
        (MAT.replace("[20, 35]}", "[20, 35], channel: 0}"), "channel 0 is also that of the zone"),
        (MAT.replace("[20, 35]}", "[20, 35], board: left}"), "there is no board 'left'"),
        (MAT.replace("[20, 35]}", "[20, 35], size: [1, 2, 3]}"), "a size is one number (round)"),
        (MAT.replace("[20, 35]}", "[20, 35], size: 0}"), "size 0 is not a number above 0"),
        (MAT + "sensing: {threshold: 2}\n", "sensing: threshold 2 is not within 0.001-0.9"),
        (MAT + "colour: blue\n", "unknown key 'colour'; allowed: mat, board, boards, sensor"),
        (MAT + "groups: {near: [c*]}\n", "no zone of the mat fits the pattern 'c*'"),
        (MAT[: MAT.index("zones:")] + "zones: []\n", "'zones' is empty"),
    ],
)
def test_what_is_wrong_says_what_is_allowed(text: str, message: str) -> None:
    assert message in mat_problem(text)
