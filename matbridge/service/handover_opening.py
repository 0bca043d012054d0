"""Opening a packed show, as if a stranger had written it.

    zip ──its end, its list of files, its show.json──▶ looked at ──▶ unpacked beside ──▶ renamed

Everything about the zip is checked before a byte of it is unpacked: how many files, their names,
sizes, kinds and compression. What is then unpacked is counted and held against its checksum, in a
folder that gets its name by rename, so that a show is there whole or not at all. The name is made
from the contents: the same zip is unpacked once, and a changed one is another show.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import stat
import struct
import tempfile
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from io import BufferedReader
from pathlib import Path
from typing import BinaryIO

from matbridge.errors import CalibrationError, DocumentError, HandoverError
from matbridge.folders import state_folder
from matbridge.service.handover import (
    CALIBRATION,
    CHART,
    FORM,
    MANIFEST,
    MAX_CHART_BYTES,
    MAX_MANIFEST_BYTES,
    MAX_NAME_BYTES,
    MAX_TAKE_BYTES,
    MAX_TAKES,
    VERSION,
    Manifest,
    names_mat,
)

MAX_MEMBERS = 5 + MAX_TAKES

# All takes, the chart, and as much again as the chart for the small files.
MAX_ARCHIVE_BYTES = MAX_TAKES * MAX_TAKE_BYTES + 2 * MAX_CHART_BYTES

# The list of files at the end of the zip: 46 bytes and a name for each, and as much for extras.
MAX_DIRECTORY_BYTES = MAX_MEMBERS * 2 * (46 + MAX_NAME_BYTES)

# The record that ends a zip and the one before it in a zip of the 64-bit form (APPNOTE.TXT 6.3.10,
# sections 4.3.15 and 4.3.16).
_END = struct.Struct("<4s4H2LH")
_END_MARK = b"PK\x05\x06"
_LOCATOR_BYTES, _LOCATOR_MARK = 20, b"PK\x06\x07"

# Flags of an encrypted member, of one strongly so, and of a hidden list (same, section 4.4.4).
_ENCRYPTED = 0x0001 | 0x0040 | 0x2000

# How much of the hash stands in a folder's name; 64 bits tell all shows of a lifetime apart.
_MARK_DIGITS = 16

# What zipfile and zlib raise for damage, beside OSError; RuntimeError covers NotImplementedError.
_DAMAGE = (zipfile.BadZipFile, zlib.error, struct.error, EOFError, RuntimeError, ValueError,
           OverflowError, LookupError)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Opened:
    """A show unpacked into `folder`. fresh: it was not there before."""

    folder: Path
    manifest: Manifest
    fresh: bool

    @property
    def performance(self) -> Path:
        return self.folder / self.manifest.performance

    @property
    def mat(self) -> Path:
        return self.folder / self.manifest.mat


def unpacked(path: str, say: Callable[[str], None]) -> str:
    """The performance file of a packed show, unpacked in the state folder, its calibration brought.

    say: called with what a person should know, a line each. Raises HandoverError.
    """
    opened = open_show(Path(path), shows_folder())
    if opened.fresh:
        say(f"{path} is unpacked in {opened.folder}")
    word = bring_calibration(opened)
    if word:
        say(word)
    return str(opened.performance)


def shows_folder() -> Path:
    """Where packed shows are unpacked; it need not exist yet."""
    return state_folder() / "shows"


def open_show(path: Path, shows: Path) -> Opened:
    """Unpack a show into a folder of its own in `shows`, unless it is there already.

    Raises HandoverError where the zip is damaged, or not what `handover.pack` writes; nothing is
    left of it then. Writes nowhere else.
    """
    if not path.is_file():
        raise HandoverError(f"there is no file {path}")
    try:
        with path.open("rb") as stream:
            return _open(stream, shows)
    except HandoverError as error:
        raise HandoverError(f"{path} is not opened: {error}") from error
    except OSError as error:
        raise HandoverError(f"{path} cannot be unpacked: {error.strerror or error}") from error
    except _DAMAGE as error:
        raise HandoverError(f"{path} is damaged: {error or type(error).__name__}") from error


def bring_calibration(opened: Opened) -> str:
    """Keep the calibration that came with a show, where its mat has none here.

    One that was measured here is never replaced. Returns a line for a person, or "" where there is
    nothing to say.
    """
    from matbridge.sensing.calibration import check_fit
    from matbridge.sensing.calibration_file import calibration_path, load, save

    try:
        came = load(opened.folder / CALIBRATION)
        if came is None:
            return ""
        target = calibration_path(came.mat)
        if target.exists():
            return ""
        # At its first start only: what reads mat files is dear to have in a bridge.
        from matbridge.mapping.load import load_mat
        from matbridge.mapping.wiring import wiring

        check_fit(came, wiring(load_mat(opened.mat)))
        save(came, target)
    except DocumentError:
        return ""  # whoever loads the show says what is wrong with it
    except CalibrationError as error:
        return f"the calibration that came with the show is not used: {error}"
    return (
        f"the mat '{came.mat}' was not calibrated here: the calibration of {came.date} that came "
        "with the show is used; 'matbridge calibrate' replaces it"
    )


def _open(stream: BufferedReader, shows: Path) -> Opened:
    size = stream.seek(0, os.SEEK_END)
    _check_end(stream, size)
    with zipfile.ZipFile(stream) as archive:
        members = _members(archive, size)
        manifest = _manifest(archive, members)
        _check_members(members, manifest)
        stem = re.sub(r"[^a-z0-9]+", "-", Path(manifest.performance).stem.lower()).strip("-")[:40]
        stream.seek(0)
        mark = hashlib.file_digest(stream, "sha256").hexdigest()[:_MARK_DIGITS]
        folder = shows / f"{stem or 'show'}-{mark}"
        fresh = not folder.is_dir() and _unpack(archive, manifest, folder)
    return Opened(folder, manifest, fresh)


def _check_end(stream: BinaryIO, size: int) -> None:
    """Bound what zipfile will read before it has been looked at."""
    if size > MAX_ARCHIVE_BYTES:
        raise HandoverError(f"it has {size} bytes, and {MAX_ARCHIVE_BYTES} are allowed")
    stream.seek(max(0, size - _END.size - _LOCATOR_BYTES))
    tail = stream.read(_END.size + _LOCATOR_BYTES)
    end = tail[-_END.size :]
    if len(end) < _END.size or not end.startswith(_END_MARK):
        raise HandoverError("it is no zip, or its end is missing")
    _, disk, first_disk, here, count, length, offset, comment = _END.unpack(end)
    if tail[: -_END.size].startswith(_LOCATOR_MARK) or disk or first_disk or here != count:
        raise HandoverError("it is a zip of several parts or of the 64-bit form, and no show is")
    if count > MAX_MEMBERS:
        raise HandoverError(f"it holds {count} files, and {MAX_MEMBERS} are allowed")
    if length > MAX_DIRECTORY_BYTES:
        raise HandoverError(f"its list of files is longer than {MAX_DIRECTORY_BYTES} bytes")
    if comment or offset + length + _END.size != size:
        raise HandoverError("it holds something beside its files")


def _members(archive: zipfile.ZipFile, size: int) -> dict[str, zipfile.ZipInfo]:
    """The files in it by name: plain ones, that together fit into the zip."""
    members: dict[str, zipfile.ZipInfo] = {}
    for info in archive.infolist():
        name = info.orig_filename
        kind = stat.S_IFMT(info.external_attr >> 16)
        if name in members:
            raise HandoverError(f"it holds {name[:80]!r} twice")
        if info.flag_bits & _ENCRYPTED:
            raise HandoverError(f"{name[:80]!r} is encrypted; pack it without a password")
        if kind not in (0, stat.S_IFREG):
            raise HandoverError(f"{name[:80]!r} is a link or no plain file")
        if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise HandoverError(f"{name[:80]!r} is compressed in a way that no show is")
        members[name] = info
    if sum(info.compress_size for info in members.values()) > size:
        raise HandoverError("its files lie over each other")
    return members


def _manifest(archive: zipfile.ZipFile, members: dict[str, zipfile.ZipInfo]) -> Manifest:
    info = members.get(MANIFEST)
    if info is None:
        raise HandoverError(f"it has no {MANIFEST}; 'matbridge pack' did not write it")
    _check_size(info, MAX_MANIFEST_BYTES)
    data = archive.read(info)
    try:
        facts = json.loads(data)
    except (ValueError, RecursionError):
        facts = None
    version = facts.get(FORM) if isinstance(facts, dict) else None
    if not isinstance(facts, dict) or type(version) is not int or version < 1:
        raise HandoverError(f"its {MANIFEST} makes no sense")
    if version > VERSION:
        raise HandoverError(f"it is of version {version}; take a newer matbridge to open it")
    performance, mat, takes = facts.get("performance"), facts.get("mat"), facts.get("takes")
    if (
        not isinstance(performance, str)
        or not isinstance(mat, str)
        or not isinstance(takes, list)
        or not all(isinstance(take, str) for take in takes)
    ):
        raise HandoverError(f"its {MANIFEST} makes no sense")
    return Manifest(performance, mat, tuple(takes))


def _check_members(members: dict[str, zipfile.ZipInfo], manifest: Manifest) -> None:
    """Exactly the files that the manifest names, none too large."""
    limits = manifest.limits()
    for name, info in members.items():
        if name not in limits:
            raise HandoverError(f"it holds {name[:80]!r}, which belongs to no show")
        _check_size(info, limits[name])
        if name in manifest.takes and info.compress_type != zipfile.ZIP_STORED:
            raise HandoverError(f"its take {name!r} is compressed once more; pack the show anew")
    for name in limits:
        if name not in members and name not in (CALIBRATION, CHART):
            raise HandoverError(f"{name!r} is missing")


def _check_size(info: zipfile.ZipInfo, limit: int) -> None:
    if info.file_size > limit:
        raise HandoverError(
            f"{info.filename!r} has {info.file_size} bytes, and {limit} are allowed"
        )


def _unpack(archive: zipfile.ZipFile, manifest: Manifest, folder: Path) -> bool:
    """Write the files, then rename their folder; False where another was faster."""
    if not names_mat(archive.read(manifest.performance), manifest.mat):
        raise HandoverError(f"its performance does not name the mat file {manifest.mat!r}")
    folder.parent.mkdir(parents=True, exist_ok=True)
    beside = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", dir=folder.parent))
    try:
        for info in archive.infolist():
            with archive.open(info) as source, (beside / info.filename).open("xb") as file:
                # zipfile gives no more than the size that was checked, and checks the checksum.
                shutil.copyfileobj(source, file)
                if file.tell() != info.file_size:
                    raise HandoverError(f"{info.filename!r} breaks off")
                file.flush()
                os.fsync(file.fileno())
        try:
            beside.rename(folder)
        except OSError:
            if not folder.is_dir():
                raise
            return False
        return True
    finally:
        shutil.rmtree(beside, ignore_errors=True)
