"""The table of a calibration: one line a zone, its figures, and what to do under it, once each."""

from __future__ import annotations

from io import StringIO

from rich.console import Console

from matbridge.display.calibration_report import report
from matbridge.sensing.advice import advise
from matbridge.sensing.calibration import Calibration, ZoneCalibration
from matbridge.sensing.settings import SensorSpec, SensorType

FORCE = SensorSpec(SensorType.FORCE, 10, 1000.0)


def printed(calibration: Calibration, onsets: tuple[float | None, ...], width: int = 80) -> str:
    out = StringIO()
    Console(file=out, width=width, highlight=False).print(
        report(calibration, advise(calibration, onsets), onsets)
    )
    return out.getvalue()


def test_every_zone_has_a_line_with_its_figures() -> None:
    zones = (
        ZoneCalibration("bow", 4.04, 0.62, 90.0, 750.0),
        ZoneCalibration("mast", 3.0, 0.4),
    )
    told = printed(Calibration("quay", FORCE, "2025-06-01", zones), (31.4, None))
    lines = [line.split() for line in told.splitlines()]
    assert ["bow", "4.0", "0.6", "31", "90", "750", "73", "%", "good"] in lines
    assert ["mast", "3.0", "0.4", "-", "-", "-", "-", "silent"] in lines
    assert told.startswith("quay: 2 zones, force of 10 bits, 1000 ohm, 2025-06-01\n")


def test_zones_with_one_trouble_share_its_sentence() -> None:
    zones = tuple(ZoneCalibration(name, 4.0, 0.6) for name in ("bow", "mast", "keel"))
    told = printed(Calibration("quay", FORCE, "2025-06-01", zones), (None,) * 3)
    assert told.count("no press was seen") == 1
    assert "bow, mast, keel: no press was seen" in told


def test_it_fits_a_small_terminal_and_tells_nothing_by_colour_alone() -> None:
    zones = tuple(ZoneCalibration(f"zone {n}", 4.0, 0.6, 90.0, 1010.0) for n in range(30))
    told = printed(Calibration("quay", FORCE, "2025-06-01", zones), (30.0,) * 30)
    assert all(len(line.rstrip()) <= 80 for line in told.splitlines())
    assert told.count(" saturates") >= 30


def test_a_switch_is_told_in_ones_and_zeros() -> None:
    switch = SensorSpec(SensorType.SWITCH, 1, 0.0)
    zones = (ZoneCalibration("one", 0.0, 0.37, None, 1.0),)
    told = printed(Calibration("rock pools", switch, "2025-06-01", zones), (0.5,))
    assert "switch of 1 bit, 2025" in told
    assert ["one", "0.0", "0.4", "0.5", "-", "1", "100", "%", "good"] in [
        line.split() for line in told.splitlines()
    ]
