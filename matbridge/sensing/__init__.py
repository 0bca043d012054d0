"""Scans to touches: sensor law, calibration, onset and lift, velocity, crosstalk, faults. Pure."""
