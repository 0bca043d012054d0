"""A calibration as if it had been measured."""

from __future__ import annotations

from pathlib import Path

from matbridge.mapping.load import load_mat
from matbridge.mapping.wiring import wiring
from matbridge.sensing.calibration import Calibration, ZoneCalibration


def calibration(mat: Path, date: str = "2031-06-01T20:15:00+02:00") -> Calibration:
    """Of a mat file with force sensors of 10 bits: every zone alike."""
    wires = wiring(load_mat(mat))
    zones = tuple(
        ZoneCalibration(zone.name, 3.0, 0.5, 200.0, 700.0, zone.board, zone.channel)
        for zone in wires.zones
    )
    return Calibration(wires.mat, wires.sensor, date, zones)
