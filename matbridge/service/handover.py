"""The file that hands a show over: one zip with all that another machine needs to play it.

    show.json          which file is which, and the version:
                       {"matbridge show": 1, "program": "matbridge 0.1.0",
                        "performance": "quay.yaml", "mat": "quay.mat.yaml", "takes": ["a.take"]}
    the performance    as it was written, under its own name
    the mat file       likewise; the performance names it, so both lie in one folder
    chart.html         the mat on paper
    calibration.json   if the mat had been calibrated
    NAME.take          each take that `takes` names, stored as it is: it is compressed already

There are no folders in it. Contents that are equal give files that are equal, byte for byte.
`service.handover_opening` opens what `pack` writes.
"""

from __future__ import annotations

import json
import os
import shutil
import zipfile
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import Final

from matbridge import __version__
from matbridge.board.take import SUFFIX as TAKE_SUFFIX
from matbridge.errors import HandoverError
from matbridge.mapping import reading
from matbridge.sensing import calibration_file

FORM = "matbridge show"
VERSION = 1

MANIFEST = "show.json"
CHART = "chart.html"
CALIBRATION = "calibration.json"

# A take or two go with a show; twice that is room enough.
MAX_TAKES = 4

# Over four hours of 24 zones at 1 kHz, packed. With MAX_TAKES of them a packed show stays below
# 2 GiB, past which zip needs a form of its own.
MAX_TAKE_BYTES = 256 << 20

# 50 presets over 24 zones draw about 1 MB.
MAX_CHART_BYTES = 16 << 20

# Seven names of MAX_NAME_BYTES, each of whose bytes may take six in JSON, and a few words.
MAX_MANIFEST_BYTES = 16 << 10

# File systems allow 255, and a temporary name may be longer by a few.
MAX_NAME_BYTES = 200

# The least date that zip can say: the day of packing is nobody's concern, and no two alike.
_DATE: Final = (1980, 1, 1, 0, 0, 0)

# A plain file that its owner writes and all may read, made on a Unix.
_MODE, _UNIX = 0o100644, 3


@dataclass(frozen=True, slots=True)
class Contents:
    """What is handed over. performance, mat: name and bytes. takes: their files."""

    performance: tuple[str, bytes]
    mat: tuple[str, bytes]
    chart: str
    calibration: str | None = None
    takes: tuple[Path, ...] = ()


@dataclass(frozen=True, slots=True)
class Manifest:
    """The names in a packed show. Raises HandoverError where they cannot stand side by side."""

    performance: str
    mat: str
    takes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        names = [*self.limits()]
        for name in names:
            _check_name(name)
        # As a file system sees them that knows no difference between A and a.
        if len({name.casefold() for name in names}) != 5 + len(self.takes):
            raise HandoverError(
                f"two of its files have one name, of {', '.join(map(repr, names))}; rename one"
            )
        if len(self.takes) > MAX_TAKES:
            raise HandoverError(f"{len(self.takes)} takes are too many; {MAX_TAKES} are allowed")
        for name in self.takes:
            if not name.endswith(TAKE_SUFFIX):
                raise HandoverError(f"its take {name!r} should end in {TAKE_SUFFIX}")

    def limits(self) -> dict[str, int]:
        """Every name that may be in the zip, with the most bytes that it may have."""
        return {
            MANIFEST: MAX_MANIFEST_BYTES,
            self.performance: reading.MAX_BYTES,
            self.mat: reading.MAX_BYTES,
            CHART: MAX_CHART_BYTES,
            CALIBRATION: calibration_file.MAX_FILE_BYTES,
            **dict.fromkeys(self.takes, MAX_TAKE_BYTES),
        }


def pack(contents: Contents, path: Path) -> int:
    """Write the zip, replacing what was there at once and whole; its size in bytes.

    Raises HandoverError where the contents cannot be handed over so, or the disk refuses.
    """
    manifest = _manifest(contents)
    fresh = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with fresh.open("wb") as file:
            with zipfile.ZipFile(file, "w") as archive:
                for name, data in _texts(contents, manifest):
                    _check_size(name, len(data), manifest)
                    archive.writestr(_info(name, zipfile.ZIP_DEFLATED), data)
                for name, take in zip(manifest.takes, contents.takes, strict=True):
                    _check_size(name, take.stat().st_size, manifest)
                    info = _info(name, zipfile.ZIP_STORED)
                    with take.open("rb") as source, archive.open(info, "w") as target:
                        shutil.copyfileobj(source, target)
            file.flush()
            os.fsync(file.fileno())
            size = file.tell()
        fresh.replace(path)
    except OSError as error:
        reason = error.strerror or error
        raise HandoverError(f"{path} cannot be written: {reason}") from error
    finally:
        with suppress(OSError):
            fresh.unlink()
    return size


def names_mat(performance: bytes, mat: str) -> bool:
    """Whether a performance file says that its mat is the file `mat` beside it."""
    data = reading.read(performance, "").data
    named = data.get("mat") if isinstance(data, dict) else None
    # ./quay.mat.yaml is quay.mat.yaml to a path, and to nothing else.
    return isinstance(named, str) and "\0" not in named and str(PurePath(named)) == mat


def _manifest(contents: Contents) -> Manifest:
    name, text = contents.performance
    mat = contents.mat[0]
    if not names_mat(text, mat):
        raise HandoverError(
            f"{name} names its mat by a folder, which another machine may not have; put the mat "
            f"file beside it, write 'mat: {mat}', and pack again"
        )
    return Manifest(name, mat, tuple(take.stem + TAKE_SUFFIX for take in contents.takes))


def _texts(contents: Contents, manifest: Manifest) -> Iterator[tuple[str, bytes]]:
    facts = {
        FORM: VERSION,
        "program": f"matbridge {__version__}",
        "performance": manifest.performance,
        "mat": manifest.mat,
        "takes": manifest.takes,
    }
    yield MANIFEST, json.dumps(facts).encode()
    yield contents.performance
    yield contents.mat
    yield CHART, contents.chart.encode()
    if contents.calibration is not None:
        yield CALIBRATION, contents.calibration.encode()


def _check_name(name: str) -> None:
    if (
        not name.isprintable()
        or not 1 <= len(name.encode()) <= MAX_NAME_BYTES
        or name[0] in ".-~"
        or any(character in name for character in '/\\:"')
    ):
        raise HandoverError(
            f"a file in it is called {name[:80]!r}; a name is up to {MAX_NAME_BYTES} bytes, begins "
            'with none of . - ~ and holds none of / \\ : " and nothing that does not print'
        )


def _check_size(name: str, size: int, manifest: Manifest) -> None:
    limit = manifest.limits()[name]
    if size > limit:
        raise HandoverError(f"{name} has {size} bytes, and {limit} are allowed; leave it out")


def _info(name: str, compression: int) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, _DATE)
    info.compress_type = compression
    info.create_system = _UNIX
    info.external_attr = _MODE << 16
    return info
