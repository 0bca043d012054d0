"""Packing a show and opening it, and what is not opened."""

from __future__ import annotations

import io
import json
import shutil
import struct
import tempfile
import warnings
import zipfile
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from matbridge.errors import HandoverError
from matbridge.mapping.load import load_show
from matbridge.mapping.reading import MAX_BYTES
from matbridge.sensing.calibration_file import calibration_path, load, save, to_text
from matbridge.service import handover
from matbridge.service.handover import Contents, pack
from matbridge.service.handover_opening import bring_calibration, open_show, unpacked
from tests.support.calibrations import calibration
from tests.support.takes import CONFIGS, write_take

SHOWS = sorted(path for path in CONFIGS.glob("*.yaml") if not path.name.endswith(".mat.yaml"))
MAT = "stepping-stones.mat.yaml"
SHOW = "harbour-lights.yaml"


def contents(path: Path = CONFIGS / SHOW, **more: object) -> Contents:
    show = load_show(path)
    performance, mat = (Path(file).name for file in show.files)
    return Contents(
        (performance, show.texts[0]), (mat, show.texts[1]), "<!doctype html>", **more  # type: ignore[arg-type]
    )  # fmt: skip


def tree(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


@pytest.mark.parametrize("path", SHOWS, ids=lambda path: path.stem)
def test_what_was_packed_is_what_is_opened(path: Path, tmp_path: Path) -> None:
    take = write_take(tmp_path / "a night.take", [(0.0, 0, b"\n1,2,3\n")])
    given = contents(path, calibration="{}", takes=(take,))
    size = pack(given, tmp_path / "show.zip")
    assert (tmp_path / "show.zip").stat().st_size == size
    opened = open_show(tmp_path / "show.zip", tmp_path / "shows")
    assert opened.fresh
    assert opened.folder.parent == tmp_path / "shows"
    held = tree(opened.folder)
    assert json.loads(held.pop("show.json"))["matbridge show"] == 1
    assert held == {
        path.name: path.read_bytes(),
        given.mat[0]: given.mat[1],
        "chart.html": b"<!doctype html>",
        "calibration.json": b"{}",
        "a night.take": take.read_bytes(),
    }
    assert load_show(opened.performance).performance == load_show(path).performance
    assert not open_show(tmp_path / "show.zip", tmp_path / "shows").fresh
    assert [each.name for each in (tmp_path / "shows").iterdir()] == [opened.folder.name]


def test_equal_contents_make_equal_files_and_others_another_show(tmp_path: Path) -> None:
    for name, each in (("a", contents()), ("b", contents()), ("c", contents(calibration="{}"))):
        pack(each, tmp_path / f"{name}.zip")
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()
    folders = {open_show(tmp_path / f"{name}.zip", tmp_path / "shows").folder for name in "abc"}
    assert len(folders) == 2


def test_a_packed_show_is_an_ordinary_zip(tmp_path: Path) -> None:
    pack(contents(), tmp_path / "show.zip")
    shutil.unpack_archive(tmp_path / "show.zip", tmp_path / "by hand")
    assert (tmp_path / "by hand" / SHOW).read_bytes() == (CONFIGS / SHOW).read_bytes()


def copied(folder: Path, performance: str, mat: str, name: str = SHOW) -> Path:
    """The show in a folder of its own, its mat file at `mat`, and a line that names it so."""
    (folder / "on stage").mkdir()
    target = folder / "on stage" / mat
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.copy(CONFIGS / MAT, target)
    text = (CONFIGS / SHOW).read_text().replace(f"mat: {MAT}", f"mat: {performance}")
    (folder / "on stage" / name).write_text(text)
    return folder / "on stage" / name


@pytest.mark.parametrize(
    ("named", "lies", "words"),
    [
        ("../stones.mat.yaml", "../stones.mat.yaml", "put the mat file beside it"),
        ("mats/stones.mat.yaml", "mats/stones.mat.yaml", "write 'mat: stones.mat.yaml'"),
        ("chart.html", "chart.html", "two of its files have one name"),
        ("HARBOUR-LIGHTS.yaml", "HARBOUR-LIGHTS.yaml", "two of its files have one name"),
        (".hidden.yaml", ".hidden.yaml", "begins with none of"),
        ("a:b.yaml", "a:b.yaml", "holds none of"),
    ],
)
def test_files_that_cannot_lie_side_by_side(
    tmp_path: Path, named: str, lies: str, words: str
) -> None:
    path = copied(tmp_path, named, lies)
    with pytest.raises(HandoverError, match=words):
        pack(contents(path), tmp_path / "show.zip")
    assert not list(tmp_path.glob("*show.zip*"))


def test_the_mat_of_an_absolute_path_is_not_taken_for_one_beside(tmp_path: Path) -> None:
    path = copied(tmp_path, str(tmp_path / "on stage" / "x.yaml"), "x.yaml")
    with pytest.raises(HandoverError, match="names its mat by a folder"):
        pack(contents(path), tmp_path / "show.zip")


def test_takes_that_do_not_fit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "b").mkdir()
    takes = [tmp_path / "a.take", tmp_path / "b" / "A.take"]
    for take in takes:
        take.write_bytes(b"12345")
    with pytest.raises(HandoverError, match="two of its files have one name"):
        pack(contents(takes=tuple(takes)), tmp_path / "show.zip")
    many = tuple(tmp_path / f"{number}.take" for number in range(handover.MAX_TAKES + 1))
    with pytest.raises(HandoverError, match="5 takes are too many; 4 are allowed"):
        pack(contents(takes=many), tmp_path / "show.zip")
    monkeypatch.setattr(handover, "MAX_TAKE_BYTES", 4)
    with pytest.raises(HandoverError, match=r"a\.take has 5 bytes, and 4 are allowed"):
        pack(contents(takes=(takes[0],)), tmp_path / "show.zip")
    assert not list(tmp_path.glob("*.zip*"))


def test_a_disk_that_refuses_leaves_the_old_one(tmp_path: Path) -> None:
    with pytest.raises(HandoverError, match="cannot be written: No such file"):
        pack(contents(), tmp_path / "gone" / "show.zip")
    (tmp_path / "show.zip").write_bytes(b"old")
    with pytest.raises(HandoverError, match="cannot be written"):
        pack(contents(takes=(tmp_path / "none.take",)), tmp_path / "show.zip")
    assert tree(tmp_path) == {"show.zip": b"old"}


# What is not opened. Each begins with a good one.


@cache
def good() -> Mapping[str, bytes]:
    """The files of a packed show with one take."""
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "a.take").write_bytes(b"\x1f\x8b\x08\x00 no more of it is looked at")
        pack(contents(takes=(Path(folder) / "a.take",)), Path(folder) / "show.zip")
        with zipfile.ZipFile(Path(folder) / "show.zip") as archive:
            return {name: archive.read(name) for name in archive.namelist()}


def zipped(
    files: Mapping[str, bytes],
    more: Callable[[zipfile.ZipFile], None] = lambda _: None,
    take: int = zipfile.ZIP_STORED,
) -> bytes:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as archive, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # zipfile's own, of a name that is there twice
        for name, data in files.items():
            kind = take if name.endswith(".take") else zipfile.ZIP_DEFLATED
            archive.writestr(name, data, kind)
        more(archive)
    return target.getvalue()


def changed(**facts: object) -> bytes:
    """With other words in its manifest."""
    manifest = {**json.loads(good()["show.json"]), **facts}
    return zipped({**good(), "show.json": json.dumps(manifest).encode()})


def with_mat(written: str) -> bytes:
    """With another file behind the performance's `mat`."""
    text = good()[SHOW].replace(f"mat: {MAT}".encode(), f"mat: {written}".encode())
    return zipped({**good(), SHOW: text})


def with_file(name: str, attributes: int = 0o100644, data: bytes = b"x") -> bytes:
    def more(archive: zipfile.ZipFile) -> None:
        info = zipfile.ZipInfo(name)
        info.external_attr = attributes << 16
        archive.writestr(info, data)

    return zipped(good(), more)


def in_list(data: bytes, name: str, offset: int, form: str, value: int) -> bytes:
    """With a field of one entry in the list of files changed (APPNOTE.TXT 4.3.12)."""
    entry = data.find(b"PK\x01\x02")
    while not data[entry + 46 :].startswith(name.encode()):
        entry = data.find(b"PK\x01\x02", entry + 1)
    patched = bytearray(data)
    struct.pack_into(form, patched, entry + offset, value)
    return bytes(patched)


def damaged() -> bytes:
    """With one bit of the take turned round, of which the list still has the old checksum."""
    data = bytearray(zipped(good()))
    data[data.find(b"no more of it")] ^= 1
    return bytes(data)


def link() -> bytes:
    files = {name: data for name, data in good().items() if name != "a.take"}

    def more(archive: zipfile.ZipFile) -> None:
        info = zipfile.ZipInfo("a.take")
        info.external_attr = 0o120777 << 16
        archive.writestr(info, "/etc/passwd")

    return zipped(files, more)


def without(name: str) -> bytes:
    return zipped({each: data for each, data in good().items() if each != name})


PLAIN = zipped(good())
END = struct.Struct("<4s4H2LH")

HOSTILE = {
    "empty": (b"", "no zip"),
    "no zip": (b"performance: harbour lights\n" * 9, "no zip"),
    "cut short": (PLAIN[:-30], "no zip, or its end is missing"),
    "something before it": (b"#!/bin/sh\n" + PLAIN, "something beside its files"),
    "something after it": (PLAIN + b"x", "its end is missing"),
    "a comment": (PLAIN[:-2] + b"\1\0x", "its end is missing"),
    "a comment that is not there": (PLAIN[:-2] + b"\1\0", "beside its files"),
    "64-bit form": (PLAIN[:-22] + b"PK\x06\x07" + bytes(16) + PLAIN[-22:], "64-bit form"),
    "several parts": (PLAIN[:-18] + b"\1\0" + PLAIN[-16:], "several parts"),
    "a long list": (PLAIN[:-22] + END.pack(b"PK\5\6", 0, 0, 5, 5, 1 << 20, 0, 0), "longer than"),
    "many files": (
        zipped({**good(), **{f"{number}": b"" for number in range(5)}}), "holds 10 files, and 9",
    ),
    "a bit turned round": (damaged(), "damaged: Bad CRC-32"),
    "no manifest": (without("show.json"), "has no show.json"),
    "no mat": (without(MAT), f"'{MAT}' is missing"),
    "no take": (without("a.take"), r"'a\.take' is missing"),
    "no performance": (without(SHOW), f"'{SHOW}' is missing"),
    "a folder above": (with_file("../../a.yaml"), r"holds '\.\./\.\./a\.yaml'"),
    "an absolute path": (with_file("/srv/a.yaml"), "holds '/srv/a.yaml'"),
    "a folder": (with_file("takes/"), "holds 'takes/'"),
    "a backslash": (with_file("..\\a.yaml"), "belongs to no show"),
    "another file": (with_file(".bashrc"), r"holds '\.bashrc', which belongs to no show"),
    "a terminal's words": (with_file("\x1b[2Jx"), r"holds '\\x1b\[2Jx'"),
    "a link": (link(), "'a.take' is a link or no plain file"),
    "a device": (with_file("a", 0o020666), "'a' is a link or no plain file"),
    "a file twice": (with_file(SHOW, data=b"performance: other\n"), f"holds '{SHOW}' twice"),
    "encrypted": (in_list(PLAIN, SHOW, 8, "<H", 1), "pack it without a password"),
    "another compression": (zipped(good(), take=zipfile.ZIP_LZMA), "compressed in a way"),
    "a take compressed": (zipped(good(), take=zipfile.ZIP_DEFLATED), "compressed once more"),
    "a bomb": (zipped({**good(), SHOW: bytes(MAX_BYTES + 1)}), f"has {MAX_BYTES + 1} bytes"),
    "a bomb of a manifest": (zipped({**good(), "show.json": bytes(1 << 22)}), "has 4194304 bytes"),
    "a bomb of a calibration": (
        zipped({**good(), "calibration.json": bytes(4_000_001)}), "bytes, and 4000000 are allowed",
    ),
    "a bomb that says less": (
        in_list(zipped({**good(), SHOW: bytes(1 << 24)}), SHOW, 24, "<L", 9), "Bad CRC-32",
    ),
    "files over each other": (
        in_list(PLAIN, "a.take", 20, "<L", len(PLAIN)), "lie over each other",
    ),
    "a size of more than is there": (in_list(PLAIN, "a.take", 24, "<L", 99), "breaks off|damaged"),
    "a manifest of no JSON": (zipped({**good(), "show.json": b"{"}), "makes no sense"),
    "a deep manifest": (zipped({**good(), "show.json": b"[" * 16_000}), "makes no sense"),
    "a number too long": (zipped({**good(), "show.json": b"9" * 9_000}), "makes no sense"),
    "a list of takes that is none": (changed(takes="a.take"), "makes no sense"),
    "a newer version": (changed(**{"matbridge show": 2}), "take a newer matbridge"),
    "version 0": (changed(**{"matbridge show": 0}), "makes no sense"),
    "a take that is a number": (changed(takes=[5]), "makes no sense"),
    "no version": (changed(**{"matbridge show": True}), "makes no sense"),
    "a performance elsewhere": (changed(performance="../a.yaml"), r"is called '\.\./a\.yaml'"),
    "a take elsewhere": (changed(takes=["/a.take"]), "is called '/a.take'"),
    "a take of another kind": (changed(takes=["a.py"]), r"should end in \.take"),
    "a long name": (changed(performance="a" * 201), "a name is up to 200 bytes"),
    "a name that does not print": (changed(mat="a\nb"), r"is called 'a\\nb'"),
    "a name of half a character": (changed(mat="\ud800"), r"is called '\\ud800'"),
    "a performance in the chart's place": (changed(performance="Chart.html"), "one name"),
    "a mat elsewhere": (with_mat("/etc/passwd"), "does not name the mat file"),
    "a mat in a folder above": (with_mat(f"../{MAT}"), "does not name the mat file"),
    "no mat named": (with_mat("5"), "does not name the mat file"),
    "a performance that is none": (zipped({**good(), SHOW: b"\xff\x00"}), "does not name"),
}  # fmt: skip


@pytest.mark.parametrize(("data", "words"), HOSTILE.values(), ids=HOSTILE)
def test_what_is_not_opened_says_why_and_leaves_nothing(
    data: bytes, words: str, tmp_path: Path
) -> None:
    path = tmp_path / "show.zip"
    path.write_bytes(data)
    with pytest.raises(HandoverError, match=words) as raised:
        open_show(path, tmp_path / "state" / "shows")
    assert str(raised.value).startswith(str(path))
    assert str(raised.value).isprintable()
    assert tree(tmp_path) == {"show.zip": data}
    shows = tmp_path / "state" / "shows"
    assert not shows.exists() or not list(shows.iterdir())


def test_the_good_one_is_opened(tmp_path: Path) -> None:
    """Or the checks above would prove nothing."""
    (tmp_path / "show.zip").write_bytes(PLAIN)
    opened = open_show(tmp_path / "show.zip", tmp_path / "shows")
    assert tree(opened.folder) == good()


def test_what_is_no_file(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "none.zip"):
        with pytest.raises(HandoverError, match="there is no file"):
            open_show(path, tmp_path / "shows")


def test_an_archive_too_large_is_not_even_read(tmp_path: Path) -> None:
    path = tmp_path / "show.zip"
    with path.open("wb") as file:
        file.truncate(2 << 30)  # a hole: it takes no room
    with pytest.raises(HandoverError, match="2147483648 bytes, and"):
        open_show(path, tmp_path / "shows")


def test_a_state_folder_that_refuses(tmp_path: Path) -> None:
    (tmp_path / "show.zip").write_bytes(PLAIN)
    (tmp_path / "state").write_bytes(b"a file")
    with pytest.raises(HandoverError, match="cannot be unpacked: Not a directory"):
        open_show(tmp_path / "show.zip", tmp_path / "state" / "shows")


def _opens_or_says_why(data: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "show.zip"
        path.write_bytes(data)
        try:
            opened = open_show(path, Path(folder) / "shows")
        except HandoverError:
            assert [file.name for file in Path(folder).rglob("*") if file.is_file()] == ["show.zip"]
            return
        assert set(tree(Path(folder) / "shows" / opened.folder.name)) <= set(
            opened.manifest.limits()
        )
        assert opened.performance.parent == opened.folder


@given(st.binary(max_size=300))
@example(END.pack(b"PK\5\6", 0, 0, 0, 0, 0, 0, 0))
@settings(max_examples=100, deadline=None)
def test_any_bytes_are_refused_with_a_reason(data: bytes) -> None:
    _opens_or_says_why(data)


@given(
    st.lists(
        st.tuples(st.integers(0, len(PLAIN) - 1), st.integers(0, 255)), min_size=1, max_size=6
    ),
    st.booleans(),
)
@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_a_show_with_any_bytes_changed_is_opened_or_refused(
    changes: list[tuple[int, int]], in_the_list: bool
) -> None:
    data = bytearray(PLAIN)
    first = data.find(b"PK\x01\x02") if in_the_list else 0
    for place, value in changes:
        data[first + place % (len(data) - first)] = value
    _opens_or_says_why(bytes(data))


# The calibration that comes with a show.


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A state folder of the test's own."""
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path


def test_a_calibration_is_brought_where_there_is_none(here: Path) -> None:
    came = calibration(CONFIGS / MAT)
    pack(contents(calibration=to_text(came)), here / "show.zip")
    said: list[str] = []
    path = unpacked(str(here / "show.zip"), said.append)
    assert Path(path).is_relative_to(here / "state" / "matbridge" / "shows")
    assert "is unpacked in" in said[0]
    assert "the calibration of 2031-06-01T20:15:00+02:00 that came with the show is used" in said[1]
    assert load(calibration_path("stepping stones")) == came
    assert unpacked(str(here / "show.zip"), said.append) == path
    assert len(said) == 2


def test_one_that_was_measured_here_is_kept(here: Path) -> None:
    target = calibration_path("stepping stones")
    save(calibration(CONFIGS / MAT, "2031-07-07T07:07:07+00:00"), target)
    before = target.read_bytes()
    pack(contents(calibration=to_text(calibration(CONFIGS / MAT))), here / "show.zip")
    assert bring_calibration(open_show(here / "show.zip", here / "shows")) == ""
    assert target.read_bytes() == before
    assert [path.name for path in target.parent.iterdir()] == [target.name]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (to_text(calibration(CONFIGS / "boardwalk.mat.yaml")), "of the mat 'boardwalk'"),
        ("{}", "it is no calibration"),
    ],
)
def test_one_that_does_not_fit_is_not_used(here: Path, text: str, words: str) -> None:
    pack(contents(calibration=text), here / "show.zip")
    said = bring_calibration(open_show(here / "show.zip", here / "shows"))
    assert said.startswith("the calibration that came with the show is not used: ")
    assert words in said
    assert not calibration_path("stepping stones").exists()


def test_a_mat_that_is_wrong_brings_none(here: Path) -> None:
    files = {
        **good(),
        MAT: b"mat: 5\n",
        "calibration.json": to_text(calibration(CONFIGS / MAT)).encode(),
    }
    (here / "show.zip").write_bytes(zipped(files))
    assert bring_calibration(open_show(here / "show.zip", here / "shows")) == ""
