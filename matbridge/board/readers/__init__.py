"""Readers of a small computer's own pins: each is a process that speaks like a board.

A reader scans converters or touch chips at a steady rate and writes packed frames (see
`matbridge.board.packed`) to its standard output, with the time of each scan by the monotonic clock.
So the bridge's loop is never held up by a bus, and everything behind the frames is the same as for
a board on a serial line. `matbridge.board.reader_link` starts one and keeps it alive.
"""
