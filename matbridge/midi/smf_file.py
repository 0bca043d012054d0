"""A MIDI file on disk that can be read after every single write, whenever the power fails.

The track on disk always ends with an end-of-track event, and its length is always right, because
the room for what is to come is there already, filled with events that say nothing:

    header | length | events so far | filler ......................... | end

New events are written over filler, in one write. When it runs out a block is added in three steps,
after each of which readers still find a whole file: (1) filler and an end behind the end, which
the length does not reach yet; (2) the length; (3) filler over the old end. Between (2) and (3) the
track has an end in its middle, which readers take for the end. A disk that is full refuses (1),
and what stands there stays good.
"""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

from matbridge.midi.smf import END_NOW, file_header, filler, track_header

# Room for some 700 events; a multiple of the four bytes that a filler event takes.
BLOCK = 4096

_LENGTH_AT = len(file_header()) + 4
_TRACK_AT = _LENGTH_AT + 4


class TrackFile:
    """The file, open for writing. `append` and `finish` may raise OSError; both can be retried."""

    __slots__ = ("_end", "_fd", "_position", "path")

    def __init__(
        self, path: Path, opening: bytes, ticks_per_quarter: int, *, replace: bool
    ) -> None:
        """Create it with its first events.

        Raises OSError; FileExistsError where something is there, unless `replace` is set and it is
        a MIDI file or empty: who hands a performance on could name any file of its player's.
        """
        self.path = path
        self._position = _TRACK_AT + len(opening)
        body = opening + filler(BLOCK) + END_NOW
        self._end = _TRACK_AT + len(body)
        flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOCTTY | os.O_NONBLOCK
        self._fd = os.open(path, flags | (0 if replace else os.O_EXCL), 0o666)
        if not _may_be_written_over(self._fd):
            os.close(self._fd)
            raise FileExistsError(errno.EEXIST, "it is there, and no MIDI file", str(path))
        try:
            os.ftruncate(self._fd, 0)
            _write(self._fd, file_header(ticks_per_quarter) + track_header(len(body)) + body, 0)
        except OSError:
            os.close(self._fd)
            path.unlink(missing_ok=True)
            raise

    def append(self, events: bytes) -> None:
        """Add events before the end."""
        self._make_room(len(events))
        self._overwrite(events)
        self._position += len(events)

    def finish(self, end: bytes) -> None:
        """Close the file with `end`, the end-of-track event, as its last."""
        self._make_room(len(end))
        self._overwrite(end)
        stop = self._position + len(end)
        self._set_length(stop)
        os.ftruncate(self._fd, stop)
        self.sync()
        self.close()

    def sync(self) -> None:
        """Wait until the disk has it."""
        os.fsync(self._fd)

    def close(self) -> None:
        """Leave the file as it is, which is whole."""
        os.close(self._fd)

    def _make_room(self, size: int) -> None:
        """Have filler of at least `size` bytes and one event more, which fills what is over."""
        free = self._end - len(END_NOW) - self._position
        needed = size + 2 * len(END_NOW)
        if free >= needed:
            return
        added = BLOCK + (needed - free + 3) // 4 * 4
        _write(self._fd, filler(added - len(END_NOW)) + END_NOW, self._end)
        self._set_length(self._end + added)
        bridge = free + len(END_NOW)
        self._end += added
        _write(self._fd, filler(bridge), self._position)

    def _overwrite(self, events: bytes) -> None:
        """Write over filler, and mend the filler event that was cut."""
        left = self._end - len(END_NOW) - self._position - len(events)
        mend = 4 + left % 4 if left % 4 else 0
        _write(self._fd, events + filler(mend), self._position)

    def _set_length(self, stop: int) -> None:
        _write(self._fd, (stop - _TRACK_AT).to_bytes(4, "big"), _LENGTH_AT)


def _may_be_written_over(fd: int) -> bool:
    if not stat.S_ISREG(os.fstat(fd).st_mode):
        return False
    beginning = file_header()[:4]
    return os.pread(fd, len(beginning), 0) in (b"", beginning)


def _write(fd: int, data: bytes, offset: int) -> None:
    while data:
        written = os.pwrite(fd, data, offset)
        data = data[written:]
        offset += written
