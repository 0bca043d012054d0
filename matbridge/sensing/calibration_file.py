"""The file of a calibration.

It is JSON, in the state folder, one for each mat; the one before it is kept beside it. It is
written by the program alone, and read as if a stranger had written it: bounded in size, every key
and value checked. Version 1:

    {"matbridge calibration": 1, "mat": "stepping stones", "date": "2025-06-01T19:30:00+02:00",
     "sensor": {"type": "force", "bits": 10, "fixed_resistor_ohm": 1000.0},
     "zones": [{"name": "a1", "board": 0, "channel": 0,
                "rest": 3.1, "noise": 0.6, "soft": 210.0, "full": 760.0, "leak": 0.04}, ...]}
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import datetime
from errno import EISDIR
from pathlib import Path

from matbridge.errors import CalibrationError
from matbridge.folders import state_folder
from matbridge.sensing.calibration import Calibration, ZoneCalibration
from matbridge.sensing.settings import SensorSpec, SensorType

FORM = "matbridge calibration"
VERSION = 1

# Sixteen boards of 1024 channels, the most that a mat file allows.
MAX_ZONES = 16 * 1024

# At about 150 bytes a zone that is 2.5 MB; more is no calibration of ours.
MAX_FILE_BYTES = 4_000_000

# A name fits on a line of a screen; a mat file allows no longer one either.
MAX_NAME = 200

# The converters of the trade give up to 16 bits.
MAX_BITS = 16


def calibration_path(mat: str, folder: Path | None = None) -> Path:
    """Where the calibration of the mat of that name is kept, in the state folder unless told."""
    plain = re.sub(r"[^a-z0-9]+", "-", mat.lower()).strip("-")[:40] or "mat"
    # Two names may look alike once made plain; eight hex digits keep their files apart.
    mark = hashlib.sha256(mat.encode()).hexdigest()[:8]
    base = state_folder() if folder is None else folder
    return base / "calibration" / f"{plain}-{mark}.json"


def previous_path(path: Path) -> Path:
    """Where the calibration that `path` replaced is kept."""
    return path.with_suffix(".previous.json")


def save(calibration: Calibration, path: Path) -> None:
    """Write by rename, so that a reader sees the old or the new one; keeps the one replaced.

    Raises CalibrationError when the folder or disk refuses; what was there is then still there.
    """
    with _told(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists():
            _write(path.read_bytes(), previous_path(path))
        _write(to_text(calibration).encode(), path)


def check_place(path: Path) -> None:
    """Raises CalibrationError where `save` would, as far as can be told before there is anything
    to lose: it makes the folder, and a file in it for a moment.
    """
    with _told(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.is_dir():
            raise IsADirectoryError(EISDIR, os.strerror(EISDIR))
        fresh = _beside(path)
        fresh.touch()
        fresh.unlink()


@contextmanager
def _told(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise CalibrationError(
            f"the calibration could not be written to {path}: {error.strerror or error}; "
            "make room or give the folder to this user, and calibrate again"
        ) from error


def _beside(path: Path) -> Path:
    return path.with_name(f".{path.name}.{os.getpid()}")


def _write(data: bytes, path: Path) -> None:
    fresh = _beside(path)
    try:
        with fresh.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(path)
    except OSError:
        with suppress(OSError):
            fresh.unlink()
        raise


def load(path: Path) -> Calibration | None:
    """The calibration in that file, or None where there is none.

    Raises CalibrationError for a file that cannot be read, is damaged, or of a newer version.
    """
    try:
        with path.open("rb") as file:
            data = file.read(MAX_FILE_BYTES + 1)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise CalibrationError(
            f"the calibration {path} cannot be read: {error.strerror or error}"
        ) from error
    try:
        return from_bytes(data)
    except CalibrationError as error:
        raise CalibrationError(f"{path}: {error}; calibrate anew, or remove the file") from error


def to_text(calibration: Calibration) -> str:
    """The file's text; `from_bytes` gives the same calibration back."""
    sensor = calibration.sensor
    zones = [
        {
            "name": zone.name,
            "board": zone.board,
            "channel": zone.channel,
            "rest": zone.rest,
            "noise": zone.noise,
            "soft": zone.soft,
            "full": zone.full,
            "leak": zone.leak,
        }
        for zone in calibration.zones
    ]
    head = {
        FORM: VERSION,
        "mat": calibration.mat,
        "date": calibration.date,
        "sensor": {
            "type": sensor.type.value,
            "bits": sensor.bits,
            "fixed_resistor_ohm": float(sensor.fixed_resistor_ohm),
        },
    }
    lines = ",\n".join(f"  {json.dumps(zone)}" for zone in zones)
    return f'{json.dumps(head)[:-1]},\n "zones": [\n{lines}\n]}}\n'


def from_bytes(data: bytes) -> Calibration:
    """The calibration that a file's bytes hold.

    Raises CalibrationError for anything that `to_text` could not have written.
    """
    if len(data) > MAX_FILE_BYTES:
        raise CalibrationError(f"it is over {MAX_FILE_BYTES} bytes, too long for a calibration")
    try:
        value = json.loads(data.decode("utf-8"), object_pairs_hook=_once)
    except (ValueError, RecursionError) as error:
        raise CalibrationError("it is cut short, or no calibration at all") from error
    if not isinstance(value, dict) or FORM not in value:
        raise CalibrationError("it is no calibration")
    version = value[FORM]
    if type(version) is not int or version < 1:
        raise CalibrationError("it has no version that makes sense")
    if version > VERSION:
        raise CalibrationError(
            f"it is of version {version}, this matbridge knows {VERSION} and older: update it"
        )
    head = _Fields(value, "it", (FORM, "mat", "date", "sensor", "zones"))
    sensor = _sensor(head.table("sensor", ("type", "bits", "fixed_resistor_ohm")))
    zones = head.rows("zones")
    top = float((1 << sensor.bits) - 1)
    calibration = Calibration(
        mat=head.text("mat"),
        sensor=sensor,
        date=_date(head.text("date")),
        zones=tuple(_zone(row, top) for row in zones),
    )
    names = {zone.name for zone in calibration.zones}
    if len(names) != len(calibration.zones):
        raise CalibrationError("it has two zones of one name")
    return calibration


def _sensor(fields: _Fields) -> SensorSpec:
    written = fields.text("type")
    if written not in set(SensorType):
        raise CalibrationError(
            f"its sensor type is {written!r}, not one of {', '.join(SensorType)}"
        )
    bits = fields.whole("bits", 1, MAX_BITS)
    return SensorSpec(SensorType(written), bits, fields.number("fixed_resistor_ohm", 0.0, 1e9))


def _zone(fields: _Fields, top: float) -> ZoneCalibration:
    zone = ZoneCalibration(
        name=fields.text("name"),
        board=fields.whole("board", 0, MAX_ZONES),
        channel=fields.whole("channel", 0, MAX_ZONES),
        rest=fields.number("rest", -0.5, top + 0.5),
        noise=fields.number("noise", 0.0, top),
        soft=fields.number_or_none("soft", 0.0, top),
        full=fields.number_or_none("full", 0.0, top),
        leak=fields.number_or_none("leak", 0.0, 1.0),
    )
    if zone.noise <= 0.0:
        raise CalibrationError(f"zone {zone.name!r} has noise 0, which no sensor has")
    if zone.full is not None and zone.soft is not None:
        low, high = sorted((zone.rest, zone.full))
        if not low <= zone.soft <= high:
            raise CalibrationError(
                f"zone {zone.name!r} has a soft press that is not between rest and full press"
            )
    return zone


def _date(written: str) -> str:
    try:
        datetime.fromisoformat(written)
    except ValueError:
        raise CalibrationError(f"its date {written!r} is no ISO 8601 date") from None
    return written


def _once(pairs: list[tuple[str, object]]) -> dict[str, object]:
    table = dict(pairs)
    if len(table) != len(pairs):
        raise ValueError("a key is there twice")
    return table


class _Fields:
    """A JSON table whose keys are exactly those asked for; every getter checks what it gives."""

    def __init__(self, value: object, where: str, keys: Sequence[str]) -> None:
        if not isinstance(value, dict) or set(value) != set(keys):
            raise CalibrationError(f"{where} should have exactly {', '.join(keys)}")
        self._value = value
        self._where = where

    def table(self, key: str, keys: Sequence[str]) -> _Fields:
        return _Fields(self._value[key], f"its {key}", keys)

    def rows(self, key: str) -> list[_Fields]:
        rows = self._value[key]
        if not isinstance(rows, list) or not 1 <= len(rows) <= MAX_ZONES:
            raise CalibrationError(f"its {key} are no list of 1 to {MAX_ZONES}")
        keys = ("name", "board", "channel", "rest", "noise", "soft", "full", "leak")
        return [_Fields(row, f"zone {number}", keys) for number, row in enumerate(rows, 1)]

    def text(self, key: str) -> str:
        value = self._value[key]
        if not isinstance(value, str) or not 1 <= len(value) <= MAX_NAME or not value.isprintable():
            raise self._wrong(key, f"a text of 1 to {MAX_NAME} printable characters")
        return value

    def whole(self, key: str, low: int, high: int) -> int:
        value = self._value[key]
        if type(value) is not int or not low <= value <= high:
            raise self._wrong(key, f"a whole number from {low} to {high}")
        return value

    def number(self, key: str, low: float, high: float) -> float:
        value = self._value[key]
        # bool is an int to Python; a true or false is no reading.
        # A range that holds is also no NaN and no infinity.
        if type(value) not in (int, float) or not low <= value <= high:
            raise self._wrong(key, f"a number from {low:g} to {high:g}")
        return float(value)

    def number_or_none(self, key: str, low: float, high: float) -> float | None:
        return None if self._value[key] is None else self.number(key, low, high)

    def _wrong(self, key: str, wanted: str) -> CalibrationError:
        shown = repr(self._value[key])[:60]
        return CalibrationError(f"{self._where}: {key} is {shown}, not {wanted}")
