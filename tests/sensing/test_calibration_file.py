"""The calibration's file: round trips, hostile contents, and what a refusing disk leaves."""

import json
import os
from pathlib import Path

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from matbridge.errors import CalibrationError
from matbridge.folders import state_folder
from matbridge.sensing.calibration import Calibration, ZoneCalibration
from matbridge.sensing.calibration_file import (
    MAX_FILE_BYTES,
    calibration_path,
    check_place,
    from_bytes,
    load,
    previous_path,
    save,
    to_text,
)
from matbridge.sensing.settings import SensorSpec, SensorType

SENSOR = SensorSpec(SensorType.FORCE, 10, 1000.0)
QUAY = Calibration(
    "quay",
    SENSOR,
    "2025-06-01T19:30:00+02:00",
    (
        ZoneCalibration("bow", 3.25, 0.5, 90.0, 700.0, 0, 3, 0.125),
        ZoneCalibration("mast", 1000.0, 0.375, 640.0, 12.0, 1, 0),
        ZoneCalibration("keel", 2.0, 0.375, None, None, 1, 1),
    ),
)

names = st.text(st.characters(codec="utf-8"), min_size=1, max_size=30).filter(str.isprintable)


@st.composite
def calibrations(draw: st.DrawFn) -> Calibration:
    bits = draw(st.integers(1, 16))
    top = float((1 << bits) - 1)
    reading = st.floats(0, top, allow_subnormal=False)
    zones = []
    for name in draw(st.lists(names, min_size=1, max_size=20, unique=True)):
        rest, full = draw(reading), draw(st.none() | reading)
        soft = draw(st.none() | reading)
        if soft is not None and full is not None:
            soft = rest + (full - rest) * soft / top
            soft = min(max(soft, min(rest, full)), max(rest, full))
        noise = draw(st.floats(0.01, top))
        place = draw(st.integers(0, 9)), draw(st.integers(0, 1023))
        leak = draw(st.none() | st.floats(0, 1))
        zones.append(ZoneCalibration(name, rest, noise, soft, full, *place, leak))
    sensor = SensorSpec(draw(st.sampled_from(SensorType)), bits, draw(st.floats(0, 1e7)))
    date = draw(st.datetimes()).isoformat()
    return Calibration(draw(names), sensor, date, tuple(zones))


@given(calibrations())
def test_what_is_written_is_read_back(calibration: Calibration) -> None:
    assert from_bytes(to_text(calibration).encode()) == calibration


@given(st.data())
def test_a_file_cut_anywhere_is_refused(data: st.DataObject) -> None:
    written = to_text(QUAY).encode()
    cut = data.draw(st.integers(0, len(written) - 3))  # the last two bytes are the end of line
    with pytest.raises(CalibrationError):
        from_bytes(written[:cut])


@given(st.binary(max_size=300))
@example(b"[" * 100_000)
@example(b"1" * 5000)
@example(b"\xff\xfe")
@example(b'{"matbridge calibration": 1' + b"0" * 400 + b"}")
def test_any_bytes_are_a_calibration_or_refused(data: bytes) -> None:
    with pytest.raises(CalibrationError):
        from_bytes(data)


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=10),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=6,
)


@given(st.data(), json_values)
def test_any_value_in_any_place_is_taken_or_refused_and_never_crashes(
    data: st.DataObject, value: object
) -> None:
    table = json.loads(to_text(QUAY))
    where = table
    while True:
        key = data.draw(st.sampled_from(sorted(where) if isinstance(where, dict) else [0, 1, 2]))
        if isinstance(where[key], dict | list) and data.draw(st.booleans()):
            where = where[key]
        else:
            break
    assume(where[key] != value)
    where[key] = value
    try:
        from_bytes(json.dumps(table).encode())
    except CalibrationError as error:
        assert str(error)  # noqa: PT017


@pytest.mark.parametrize(
    ("old", "new", "reason"),
    [
        ('"matbridge calibration": 1', '"matbridge calibration": 2', "of version 2"),
        ('"matbridge calibration": 1', '"matbridge calibration": true', "no version"),
        ('"matbridge calibration": 1', '"other": 1', "no calibration"),
        ('"mat": "quay"', '"mat": ""', "mat is '', not a text"),
        ('"mat": "quay"', '"mat": "quay", "mat": "pier"', "no calibration at all"),
        ('"mat": "quay"', r'"mat": "quay\u001b[2J"', "printable"),
        ('"type": "force"', '"type": "magic"', "'magic', not one of force, level, switch"),
        ('"bits": 10', '"bits": 40', "bits is 40, not a whole number from 1 to 16"),
        ('"bits": 10', '"bits": 10.0', "bits is 10.0"),
        ('"bits": 10', '"bits": true', "bits is True"),
        ('"rest": 3.25', '"rest": 3000.0', "zone 1: rest is 3000.0, not a number from -0.5"),
        ('"rest": 3.25', '"rest": NaN', "rest is nan"),
        ('"rest": 3.25', '"rest": true', "rest is True"),
        ('"rest": 3.25', '"rest": 1' + "0" * 350, "rest is 1000"),
        ('"noise": 0.5', '"noise": 0', "noise 0"),
        ('"noise": 0.5', '"noise": Infinity', "noise is inf"),
        ('"soft": 90.0', '"soft": 900.0', "not between rest and full press"),
        ('"soft": 640.0', '"soft": 1001.0', "not between rest and full press"),
        ('"name": "mast"', '"name": "bow"', "two zones of one name"),
        ('"leak": 0.125', '"leak": 1.5', "leak is 1.5, not a number from 0 to 1"),
        ('"channel": 3, ', "", "zone 1 should have exactly"),
        ('"channel": 3', '"channel": -1', "channel is -1"),
        ('"date": "2025', '"date": "last week 2025', "no ISO 8601 date"),
    ],
)
def test_each_wrong_value_is_named(old: str, new: str, reason: str) -> None:
    text = to_text(QUAY)
    assert old in text
    with pytest.raises(CalibrationError) as caught:
        from_bytes(text.replace(old, new, 1).encode())
    assert reason in str(caught.value)
    assert str(caught.value).isprintable()


def test_too_long_a_file_is_refused_unread() -> None:
    with pytest.raises(CalibrationError, match=f"over {MAX_FILE_BYTES} bytes"):
        from_bytes(to_text(QUAY).encode() + b" " * MAX_FILE_BYTES)


def test_saving_again_keeps_the_one_before(tmp_path: Path) -> None:
    path = calibration_path("quay", tmp_path)
    later = Calibration("quay", SENSOR, "2025-06-02T10:00:00+02:00", QUAY.zones)
    latest = Calibration("quay", SENSOR, "2025-06-03T10:00:00+02:00", QUAY.zones)
    assert load(path) is None
    for calibration in (QUAY, later, latest):
        save(calibration, path)
    assert load(path) == latest
    assert load(previous_path(path)) == later
    assert sorted(file.name for file in path.parent.iterdir()) == sorted(
        (path.name, previous_path(path).name)
    )


def test_a_folder_that_refuses_leaves_the_old_calibration_and_no_litter(tmp_path: Path) -> None:
    path = calibration_path("quay", tmp_path)
    save(QUAY, path)
    # A folder in the place of the one before cannot be replaced by a file, whoever asks.
    (previous_path(path) / "kept").mkdir(parents=True)
    before = sorted(path.parent.iterdir())
    with pytest.raises(CalibrationError, match="could not be written"):
        save(Calibration("quay", SENSOR, "2025-06-02", QUAY.zones), path)
    assert load(path) == QUAY
    assert sorted(path.parent.iterdir()) == before


def test_a_place_is_looked_at_before_there_is_anything_to_lose(tmp_path: Path) -> None:
    path = calibration_path("quay", tmp_path)
    check_place(path)
    assert list(path.parent.iterdir()) == []
    # What no file can be made in the place of, whoever asks.
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    beside.mkdir()
    with pytest.raises(CalibrationError, match="could not be written"):
        check_place(path)
    beside.rmdir()
    path.mkdir()
    with pytest.raises(CalibrationError, match="could not be written"):
        check_place(path)
    path.rmdir()
    path.parent.rmdir()
    path.parent.write_text("a file in the place of the folder")
    with pytest.raises(CalibrationError, match="could not be written"):
        check_place(path)


def test_a_damaged_file_is_named_with_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "torn.json"
    path.write_text(to_text(QUAY)[:200])
    with pytest.raises(CalibrationError, match=r"torn\.json: it is cut short.*calibrate anew"):
        load(path)


def test_a_folder_in_its_place_is_refused(tmp_path: Path) -> None:
    with pytest.raises(CalibrationError, match="cannot be read"):
        load(tmp_path)


def test_names_that_look_alike_have_files_of_their_own(tmp_path: Path) -> None:
    paths = {
        calibration_path(name, tmp_path) for name in ("Quay 1", "quay-1", "../quay 1", "岸", "崖")
    }
    assert len(paths) == 5
    assert all(path.parent == tmp_path / "calibration" for path in paths)


def test_the_state_folder_follows_the_standards() -> None:
    home = {"HOME": "/home/ada"}
    assert state_folder(home) == Path("/home/ada/.local/state/matbridge")
    assert state_folder(home | {"XDG_STATE_HOME": "/var/x"}) == Path("/var/x/matbridge")
    assert state_folder(home | {"XDG_STATE_HOME": "x"}) == state_folder(home)
    under_systemd = {"STATE_DIRECTORY": "/var/lib/matbridge:/var/lib/other"}
    assert state_folder(home | under_systemd) == Path("/var/lib/matbridge")
    assert state_folder({}).is_absolute()
