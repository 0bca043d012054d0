"""Bytes of a board to scans: wire formats, the serial link, the simulated mat, takes."""
