"""What was sounding when the process ended, kept where it survives SIGKILL and a power cut.

    offset  size
    0       4096            one JSON object, padded with spaces to its end: {"matbridge owed": 1,
                            "outputs": [[kind, target], ...]}, in the order of the show
    4096    2048 an output  the ledger's image of that output: one byte a key, 1 while it sounds

After the show's outputs come those of earlier shows that are still owed something: they were gone
when their show was left, and are sent what they are owed once some show has them again.

A key is marked before its note-on is handed to the output, and cleared after its note-off was: at
any moment the file owes at least what sounds. It is mapped into memory, so a note costs the loop no
system call and a kill loses nothing; a thread brings it to the disk within SYNC_S, for a power cut.
"""

from __future__ import annotations

import contextlib
import json
import mmap
import os
from collections.abc import Iterable, Mapping, Sequence
from errno import E2BIG
from pathlib import Path
from threading import Event, Thread

from matbridge.mapping.plan import OutputPlan
from matbridge.midi.messages import KEYS, NOTE_ON

MARK = "matbridge owed"
VERSION = 1
HEADER_BYTES = 4096

# Bounds what a damaged file may make us read: more outputs than a show has.
MAX_OUTPUTS = 64

# How long changes are gathered before the disk is asked to keep them: what a power cut may lose,
# against the wear of a memory card.
SYNC_S = 0.02

# How long `close` waits for a disk that does not answer.
CLOSE_S = 1.0

Where = tuple[str, str]
"""The kind and the target of an output: what makes it the same one after a restart."""


def load(path: Path) -> dict[Where, bytes]:
    """The image that was left of each output; none where the file is absent, damaged or newer.

    Raises OSError where the file is there and cannot be read.
    """
    try:
        with path.open("rb") as file:
            data = file.read(HEADER_BYTES + MAX_OUTPUTS * KEYS)
    except FileNotFoundError:
        return {}
    try:
        header = json.loads(data[:HEADER_BYTES])
        places = [(str(kind), str(target)) for kind, target in header["outputs"]]
        if header[MARK] != VERSION:
            return {}
    except (ValueError, TypeError, KeyError, RecursionError):
        return {}
    images = {}
    for index, place in enumerate(places):
        at = HEADER_BYTES + index * KEYS
        image = data[at : at + KEYS]
        if len(image) == KEYS and any(image):
            images[place] = bytes(map(bool, image))
    return images


def where(plan: OutputPlan) -> Where:
    """What makes an output the same one after a restart."""
    return plan.kind.value, plan.target


class OwedNotes:
    """The file of one bridge. Making it replaces what an earlier process left: `load` that first.

    Raises OSError where it cannot be made; a disk that fills up later does no harm.
    """

    def __init__(
        self, path: Path, outputs: Sequence[OutputPlan], orphans: Mapping[Where, bytes]
    ) -> None:
        places = [where(plan) for plan in outputs]
        text = json.dumps({MARK: VERSION, "outputs": [*places, *orphans]}).encode()
        if len(text) > HEADER_BYTES:
            raise OSError(E2BIG, "the names of the outputs are too long", str(path))
        data = text.ljust(HEADER_BYTES) + bytes(len(outputs) * KEYS) + b"".join(orphans.values())
        self._end = HEADER_BYTES + len(outputs) * KEYS
        path.parent.mkdir(parents=True, exist_ok=True)
        new = path.with_suffix(".new")
        self._fd = os.open(new, os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
        try:
            # Written, not left as a hole: a full disk must show now, not as a fault in the mapping.
            _write_all(self._fd, data)
            os.fsync(self._fd)
            self._map = mmap.mmap(self._fd, len(data))
            new.replace(path)
        except OSError:
            os.close(self._fd)
            raise
        self._closed = False
        self._changed = Event()
        self._stop = Event()
        self._syncing = Thread(target=self._sync, name="owed notes", daemon=True)
        self._syncing.start()

    def sending(self, messages: Iterable[tuple[int, bytes]]) -> None:
        """These are about to be handed to the outputs."""
        image = self._map
        for output, message in messages:
            status = message[0]
            if status & 0xF0 == NOTE_ON:
                image[HEADER_BYTES + output * KEYS + (status & 0x0F) * 128 + message[1]] = 1

    def sent(self, image: bytes | bytearray) -> None:
        """They were; `image` is the ledger's, of all outputs."""
        self._map[HEADER_BYTES : self._end] = image
        if not self._changed.is_set():
            self._changed.set()

    def close(self) -> None:
        """Keep what is still owed for the next start. Twice is harmless."""
        if self._closed:
            return
        self._closed = True
        self._stop.set()
        self._changed.set()
        self._syncing.join(CLOSE_S)
        self._map.close()
        if not self._syncing.is_alive():
            os.close(self._fd)

    def _sync(self) -> None:
        while not self._stop.is_set():
            self._changed.wait()
            self._stop.wait(SYNC_S)
            self._changed.clear()
            # On Linux this writes the changed pages of a mapping too; POSIX leaves it open.
            with contextlib.suppress(OSError):
                os.fdatasync(self._fd)


def _write_all(fd: int, data: bytes) -> None:
    while data:
        data = data[os.write(fd, data) :]
