"""What was sounding when the process ended, kept where it survives SIGKILL and a power cut.

    offset  size
    0       4096            one JSON object, padded with spaces to its end: {"matbridge owed": 1,
                            "boot": "...", "outputs": [[kind, target], ...]}, in the order of the
                            show; boot: of which start of the machine it is
    4096    2048 an output  the ledger's image of that output: one byte a key, 1 while it sounds

After the show's outputs come those of earlier shows that are still owed something: they were gone
when their show was left, and are sent what they are owed once some show has them again.

There are two such files. `live` lies in memory, where a login or systemd has the runtime folder,
and is mapped: a note costs the loop no system call, no disk can hold it up, and a kill loses
nothing. A key is marked before its note-on is handed to the output, and cleared after its note-off
was: at any moment the file owes at least what sounds. `kept` lies on the disk, for a power cut: a
thread copies `live` there, as often as it is told to (`keep`).

    what is found at a start            what is owed
    live, of this start of the machine  what it says
    kept alone, or beside an older live what that says
    neither                             nothing

It is `live` that is mapped, for on some file systems a write into a mapped file needs new room on
the disk each time, and where there is none the process is killed (seen with btrfs: SIGBUS).
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

# How often a disk that refuses is tried again.
RETRY_S = 1.0

# How long `close` waits for a disk that does not answer.
CLOSE_S = 1.0

# proc_sys_kernel(5): a new one each time the machine starts.
BOOT_ID = Path("/proc/sys/kernel/random/boot_id")

# Without the times of the file where the system can do that: one write less.
_sync = getattr(os, "fdatasync", os.fsync)

Where = tuple[str, str]
"""The kind and the target of an output: what makes it the same one after a restart."""


def read(path: Path, boot: str | None = None) -> dict[Where, bytes] | None:
    """The image that was left of each output; None where the file is absent, damaged or newer.

    boot: None, or of which start of the machine it must be. Raises OSError where the file is there
    and cannot be read.
    """
    try:
        with path.open("rb") as file:
            data = file.read(HEADER_BYTES + MAX_OUTPUTS * KEYS)
    except FileNotFoundError:
        return None
    try:
        header = json.loads(data[:HEADER_BYTES])
        places = [(str(kind), str(target)) for kind, target in header["outputs"]]
        if header[MARK] != VERSION or boot not in (None, header.get("boot")):
            return None
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return None
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
    """The two files of one bridge: `left` first, then `use`, then what is sent."""

    def __init__(self, live: Path, kept: Path) -> None:
        """live: in a folder that is there. kept: in one that need not be."""
        self._live = live
        self._kept = kept
        self._boot = _boot()
        self._image = mmap.mmap(-1, HEADER_BYTES)
        self._end = HEADER_BYTES
        self._live_trouble = ""
        self._kept_trouble = ""
        self._changed = Event()
        self._stop = Event()
        self._keeping: Thread | None = None

    @property
    def trouble(self) -> str:
        """Why something is not kept; empty while all is well."""
        return "; ".join(filter(None, (self._live_trouble, self._kept_trouble)))

    def left(self) -> dict[Where, bytes]:
        """What an earlier process left. Raises OSError where that cannot be read."""
        found = read(self._live, self._boot)
        return (read(self._kept) or {}) if found is None else found

    def use(
        self,
        outputs: Sequence[OutputPlan],
        image: bytes | bytearray,
        orphans: Mapping[Where, bytes],
    ) -> None:
        """From now on keep what sounds on these outputs, beginning with `image`, the ledger's.

        orphans: what others are owed, kept beside it. Raises OSError where the outputs' names are
        longer than any system has them; what a full or missing disk does is `trouble`.
        """
        places = [*map(where, outputs), *orphans]
        text = json.dumps({MARK: VERSION, "boot": self._boot, "outputs": places}).encode()
        if len(text) > HEADER_BYTES:
            raise OSError(E2BIG, "the names of the outputs are too long", str(self._kept))
        data = text.ljust(HEADER_BYTES) + image + b"".join(orphans.values())
        try:
            fd = _made(self._live, data)
            try:
                self._image = mmap.mmap(fd, len(data))
            finally:
                os.close(fd)
            self._live_trouble = ""
        except OSError as error:
            self._live_trouble = _reason(self._live, error)
            self._image = mmap.mmap(-1, len(data))
            self._image[:] = data
        self._end = HEADER_BYTES + len(image)
        self._changed.set()
        if self._keeping is None:
            self._keeping = Thread(target=self._keep, name="owed notes", daemon=True)
            self._keeping.start()

    def sending(self, messages: Iterable[tuple[int, bytes]]) -> None:
        """These are about to be handed to the outputs."""
        image = self._image
        for output, message in messages:
            status = message[0]
            if status & 0xF0 == NOTE_ON:
                image[HEADER_BYTES + output * KEYS + (status & 0x0F) * 128 + message[1]] = 1

    def sent(self, image: bytes | bytearray) -> None:
        """They were; `image` is the ledger's, of all outputs. `keep` must follow."""
        self._image[HEADER_BYTES : self._end] = image

    def keep(self) -> None:
        """Have what sounds now copied to the disk."""
        self._changed.set()

    def close(self) -> None:
        """Keep what is still owed for the next start. Twice is harmless."""
        if self._keeping is None or self._stop.is_set():
            return
        self._stop.set()
        self._changed.set()
        self._keeping.join(CLOSE_S)
        if not self._keeping.is_alive() and not self._kept_trouble:
            with contextlib.suppress(OSError):
                self._live.unlink(missing_ok=True)

    # On the thread

    def _keep(self) -> None:
        fd = -1
        written: mmap.mmap | None = None
        ending = False
        while not ending:
            self._changed.wait()
            self._changed.clear()
            ending = self._stop.is_set()
            image = self._image
            try:
                if image is written:
                    _write_all(fd, image[HEADER_BYTES:], HEADER_BYTES)
                    _sync(fd)
                else:
                    self._kept.parent.mkdir(parents=True, exist_ok=True)
                    fresh = _made(self._kept, image[:], sync=True)
                    if fd >= 0:
                        os.close(fd)
                    fd, written = fresh, image
                self._kept_trouble = ""
            except OSError as error:
                self._kept_trouble = _reason(self._kept, error)
                self._stop.wait(RETRY_S)
                self._changed.set()
        if fd >= 0:
            os.close(fd)


def _boot() -> str:
    try:
        return BOOT_ID.read_text().strip()
    except OSError:
        return ""


def _made(path: Path, data: bytes, *, sync: bool = False) -> int:
    """A new file in the place of an old one, whole at any moment; its descriptor.

    sync: so that a power cut finds it, too.
    """
    new = path.with_suffix(".new")
    fd = os.open(new, os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
    try:
        # Written, not left as a hole: a full disk must show now, not as a fault in a mapping.
        _write_all(fd, data, 0)
        if sync:
            os.fsync(fd)
        new.replace(path)
        if sync:
            _sync_folder(path.parent)
    except OSError:
        os.close(fd)
        with contextlib.suppress(OSError):
            new.unlink(missing_ok=True)
        raise
    return fd


def _sync_folder(folder: Path) -> None:
    """A power cut finds the new name only then: fsync(2)."""
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def _write_all(fd: int, data: bytes, offset: int) -> None:
    while data:
        written = os.pwrite(fd, data, offset)
        data = data[written:]
        offset += written


def _reason(path: Path, error: OSError) -> str:
    return f"{path}: {error.strerror or error}"
