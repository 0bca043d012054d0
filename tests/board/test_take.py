"""The file of a take: written, read, damaged and hostile."""

from __future__ import annotations

import gzip
import json
import subprocess
import zlib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from matbridge.board import take as form
from matbridge.board.take import (
    DATA,
    EVENT,
    MAX_LENGTH_S,
    MAX_MEMBER_BYTES,
    TIME,
    Chunk,
    Event,
    Record,
    RecordedBoard,
    TakeHeader,
    encode_header,
    encode_json,
    encode_record,
    encode_varint,
    member,
)
from matbridge.board.take_reader import Take
from matbridge.board.take_writer import TakeWriter
from matbridge.errors import TakeError
from tests.support.loop import ManualLoop
from tests.support.takes import HEADER, parts, write_take

# One chunk every 10 ms for three seconds, in the first board and the second in turn.
CHUNKS = [(number / 100, number % 2, b"%d,%d,7\n" % (number, number * 3)) for number in range(300)]


def contents(take: Take) -> list[tuple[float, int, bytes]]:
    return [
        (each.time_s, each.board, each.data) for each in take.records() if isinstance(each, Chunk)
    ]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return write_take(tmp_path / "tide.take", CHUNKS)


def test_what_was_written_is_read(path: Path) -> None:
    take = Take(path)
    assert take.header == HEADER
    assert take.header.file("performance") == HEADER.files[0][1:]
    assert take.header.file("calibration") is None
    assert contents(take) == CHUNKS
    assert (take.damage, take.reason, take.length_s) == ("", "stopped", 2.99)
    assert contents(take) == CHUNKS  # and once more
    assert take.whole_length_s() == 2.99


def test_any_gzip_tool_reads_it(path: Path, tmp_path: Path) -> None:
    plain = subprocess.run(["gzip", "-dc", str(path)], capture_output=True, check=True).stdout
    assert plain == gzip.decompress(path.read_bytes())
    assert subprocess.run(["gzip", "-t", str(path)], check=True).returncode == 0
    assert b"Hafenlichter \xc3\xa0 8" in plain
    assert plain.count(b"297,891,7\n") == 1


def test_the_records_are_laid_out_as_the_docstring_says(tmp_path: Path) -> None:
    loop = ManualLoop()
    written = tmp_path / "a.take"
    writer = TakeWriter(written, HEADER, loop)
    loop.advance(0.25)
    writer.data(1, b"\x01\x02", loop.now_s())
    loop.advance(0.000_130)
    writer.event("lost", loop.now_s(), board=1, reason="gone")
    loop.advance(0.1)
    writer.close("stopped")
    head, body = map(gzip.decompress, parts(written.read_bytes()))
    assert head == encode_header(HEADER)
    assert head[:1] == b"H"
    first = head[3 : 3 + (head[1] & 0x7F | head[2] << 7)]
    assert json.loads(first)["matbridge take"] == 1
    assert json.loads(first)["boards"][0]["channels"] == 3
    lost = b'{"event":"lost","board":1,"reason":"gone"}'
    end = b'{"event":"end","reason":"stopped"}'
    assert body == b"".join(
        (
            b"T\x01\x00",
            b"D\x06" + b"\x90\xa1\x0f" + b"\x01" + b"\x01\x02",  # 250 000 us: three bytes
            b"E" + bytes((2 + len(lost),)) + b"\x82\x01" + lost,
            b"Z" + bytes((3 + len(end),)) + b"\xa0\x8d\x06" + end,
        )
    )


@given(
    st.lists(
        st.tuples(
            st.one_of(st.integers(0, 2000), st.integers(0, 10**10)),
            st.integers(0, 1),
            st.binary(max_size=300),
            st.one_of(st.none(), st.sampled_from(["lost", "found", "act", "smile"])),
        ),
        max_size=40,
    )
)
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=50)
def test_whatever_is_written_is_read(
    tmp_path: Path, steps: list[tuple[int, int, bytes, str | None]]
) -> None:
    loop = ManualLoop(0.0)
    path = tmp_path / "any.take"
    path.unlink(missing_ok=True)
    writer = TakeWriter(path, HEADER, loop)
    expected: list[Record] = []
    time_us = 0
    for step_us, board, data, event in steps:
        time_us += step_us
        loop.advance(time_us / 1e6 - loop.now_s())
        time_s = loop.now_s()
        if event is None:
            writer.data(board, data, time_s)
            expected.append(Chunk(time_us / 1e6, board, data))
        else:
            facts = {"event": event, "board": board, "hex": data.hex()}
            writer.event(event, time_s, board=board, hex=data.hex())
            expected.append(Event(time_us / 1e6, event, facts))
    writer.close("x")
    take = Take(path)
    assert list(take.records()) == expected
    assert (take.damage, take.reason) == ("", "x")
    assert take.whole_length_s() == take.length_s == time_us / 1e6


def test_a_take_cut_anywhere_reads_up_to_its_last_whole_member(path: Path, tmp_path: Path) -> None:
    data = path.read_bytes()
    ends = []
    total = 0
    for part in parts(data):
        total += len(part)
        ends.append(total)
    assert len(ends) == 4  # the header, two full seconds, and what was left
    counts = dict.fromkeys(ends, 0)
    for end in ends:
        (tmp_path / "whole").write_bytes(data[:end])
        counts[end] = len(contents(Take(tmp_path / "whole")))
    assert list(counts.values()) == [0, 100, 200, 300]
    cut = tmp_path / "cut.take"
    for size in range(ends[0], len(data), 7):
        cut.write_bytes(data[:size])
        take = Take(cut)
        last = max(end for end in ends if end <= size)
        assert contents(take) == CHUNKS[: counts[last]]
        assert take.reason == ""
        assert ("breaks off" in take.damage) is (size not in ends)
        assert take.whole_length_s() == take.length_s


def test_a_damaged_member_is_passed_over_and_the_times_go_on(path: Path) -> None:
    data = bytearray(path.read_bytes())
    head, first, second, _ = parts(bytes(data))
    data[len(head) + len(first) + len(second) // 2] ^= 0x10
    path.write_bytes(data)
    take = Take(path)
    records = list(take.records())
    assert [each for each in records if isinstance(each, Chunk)] == CHUNKS[:100] + CHUNKS[200:]
    assert records[100] == Event(0.99, "gap", {})
    assert take.damage == "a part is damaged after 1.0 s"
    assert take.reason == "stopped"
    data[len(head) + 20] ^= 0x10
    path.write_bytes(data)
    assert contents(take) == CHUNKS[200:]
    assert take.damage.startswith("damaged in 2 places")


@pytest.mark.parametrize("junk", [b"\0" * 5000, b"\x1f\x8b\x08\x00" * 2000, b"PK\x03\x04"])
def test_junk_after_the_end_of_a_crashed_take(path: Path, junk: bytes) -> None:
    """A file system may leave zeros, or another file's blocks, where the last write was."""
    *most, _ = parts(path.read_bytes())
    path.write_bytes(b"".join(most) + junk)
    take = Take(path)
    assert contents(take) == CHUNKS[:200]
    assert take.damage
    assert take.whole_length_s() == take.length_s == 1.99


@given(st.data())
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=150)
def test_any_damage_is_survived(path: Path, tmp_path: Path, data: st.DataObject) -> None:
    wire = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(1, 5))):
        at = data.draw(st.integers(0, len(wire) - 1))
        wire[at : at + data.draw(st.integers(0, 40))] = data.draw(st.binary(max_size=40))
    other = tmp_path / "other.take"
    other.write_bytes(wire)
    try:
        take = Take(other)
    except TakeError:
        return  # the header is what was damaged
    found = contents(take)
    assert set(found) <= set(CHUNKS)
    assert [each[0] for each in found] == sorted(each[0] for each in found)
    take.whole_length_s()


def bad(tmp_path: Path, *members: bytes) -> Take:
    """A take with a sound header and these members' records."""
    path = tmp_path / "bad.take"
    path.write_bytes(member(encode_header(HEADER)) + b"".join(map(member, members)))
    return Take(path)


GOOD = encode_record(TIME, encode_varint(1_000_000)) + encode_record(DATA, b"\0\0good")


@pytest.mark.parametrize(
    "records",
    [
        b"D",
        b"D\x05ab",
        encode_record(DATA, b""),
        encode_record(DATA, b"\x80"),
        encode_record(DATA, b"\xff" * 12),
        b"D" + b"\xff" * 12,
        b"D" + encode_varint(1 << 40) + b"x",
        encode_record(EVENT, b"\0"),
        encode_record(EVENT, b"\0[]"),
        encode_record(EVENT, b'\0{"event":'),
        encode_record(EVENT, b"\0" + b"[" * 100_000),
        encode_record(EVENT, b'\0{"n":' + b"9" * 10_000 + b"}"),
        encode_record(EVENT, b'\0{"event":"\xff"}'),
        encode_record(DATA, encode_varint(round(MAX_LENGTH_S * 1e6) + 1) + b"\0x"),
        bytes(MAX_MEMBER_BYTES + 1),
    ],
)
def test_a_member_that_makes_no_sense_is_passed_over_whole(tmp_path: Path, records: bytes) -> None:
    take = bad(tmp_path, encode_record(DATA, b"\0\0first") + records, GOOD)
    assert contents(take) == [(1.0, 0, b"good")]
    assert take.damage


@pytest.mark.parametrize("shift", range(5))
def test_the_next_member_is_found_wherever_it_begins(tmp_path: Path, shift: int) -> None:
    """Also where its mark lies across two reads of the search."""
    head = member(encode_header(HEADER))
    path = tmp_path / "spoilt.take"
    path.write_bytes(head + b"x" * ((1 << 16) + 1 - shift) + member(GOOD))
    assert contents(Take(path)) == [(1.0, 0, b"good")]


def test_a_file_that_is_damaged_all_over_is_given_up(tmp_path: Path) -> None:
    path = tmp_path / "spoilt.take"
    head = member(encode_header(HEADER))
    path.write_bytes(head + b"\x1f\x8b\x08\x00" * 900 + member(GOOD))
    assert contents(Take(path)) == [(1.0, 0, b"good")]
    path.write_bytes(head + b"\x1f\x8b\x08\x00" * 1100 + member(GOOD))
    assert contents(Take(path)) == []


def test_records_of_a_kind_or_board_unknown_are_passed_over(tmp_path: Path) -> None:
    take = bad(tmp_path, encode_record(ord("?"), b"later") + encode_record(DATA, b"\0\x07x") + GOOD)
    assert contents(take) == [(1.0, 0, b"good")]
    assert take.damage == ""


def test_times_never_go_back_whatever_a_member_says(tmp_path: Path) -> None:
    early = encode_record(TIME, encode_varint(5)) + encode_record(DATA, b"\x01\0late")
    take = bad(tmp_path, GOOD, early)
    assert contents(take) == [(1.0, 0, b"good"), (1.000001, 0, b"late")]


def test_a_bomb_is_refused_without_being_unpacked(tmp_path: Path) -> None:
    import tracemalloc

    path = tmp_path / "bomb.take"
    packer = zlib.compressobj(9, zlib.DEFLATED, 31)
    bomb = b"".join(packer.compress(bytes(1 << 20)) for _ in range(256)) + packer.flush()
    path.write_bytes(member(encode_header(HEADER)) + bomb + member(GOOD))
    assert path.stat().st_size < 1 << 20
    tracemalloc.start()
    try:
        take = Take(path)
        assert contents(take) == [(1.0, 0, b"good")]
        assert tracemalloc.get_traced_memory()[1] < 4 * MAX_MEMBER_BYTES
    finally:
        tracemalloc.stop()
    assert "more than 16 MiB" in take.damage


def first_record(**changes: object) -> bytes:
    facts = {"matbridge take": 1, "program": "", "started": "", "boards": [BOARD], **changes}
    return member(encode_json(form.HEADER, facts))


SPELL = encode_json(form.FILE, {"role": "spell", "name": "", "text": ""})
BOARD = {"port": "p", "baud": 9600, "format": "text", "channels": 3, "bits": 10}
ONE_BOARD = encode_json(form.HEADER, {"matbridge take": 1, "boards": [BOARD]})


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "does not begin as one"),
        (b"Not a take at all.", "is no take"),
        (gzip.compress(b"something else"), "is no take"),
        (gzip.compress(b""), "does not begin as one"),
        (member(GOOD), "does not begin as one"),
        (member(encode_record(form.HEADER, b"[]")), "no JSON object"),
        (first_record()[:-1], "breaks off"),
        (first_record(**{"matbridge take": 2}), "version 2; take a newer matbridge"),
        (first_record(**{"matbridge take": "1"}), "does not begin as one"),
        (first_record(boards=[]), "list of boards"),
        (first_record(boards={}), "list of boards"),
        (first_record(boards=[BOARD] * 17), "list of boards"),
        (first_record(boards=[3]), "makes no sense"),
        (first_record(boards=[BOARD | {"channels": 0}]), "makes no sense"),
        (first_record(boards=[BOARD | {"channels": 1025}]), "makes no sense"),
        (first_record(boards=[BOARD | {"bits": 17}]), "makes no sense"),
        (first_record(boards=[BOARD | {"format": 3}]), "makes no sense"),
        (member(ONE_BOARD + SPELL), "a file in it"),
    ],
)  # fmt: skip
def test_what_is_no_take_is_refused_by_name(tmp_path: Path, data: bytes, words: str) -> None:
    path = tmp_path / "stranger.take"
    path.write_bytes(data)
    with pytest.raises(TakeError) as caught:
        Take(path)
    assert str(path) in str(caught.value)
    assert words in str(caught.value)


def test_a_file_that_cannot_be_read_is_a_take_error(tmp_path: Path) -> None:
    for missing in (tmp_path / "none.take", tmp_path):
        with pytest.raises(TakeError, match="cannot be read"):
            Take(missing)


def test_a_take_that_is_taken_away_is_a_take_error(path: Path) -> None:
    take = Take(path)
    path.unlink()
    with pytest.raises(TakeError, match="cannot be read"):
        list(take.records())
    with pytest.raises(TakeError, match="cannot be read"):
        take.whole_length_s()


@given(st.integers(0, 1 << 56))
def test_a_varint_is_leb128(value: int) -> None:
    """Checked against the plain definition: seven bits a byte, the lowest first."""
    encoded = encode_varint(value)
    assert sum((byte & 0x7F) << 7 * place for place, byte in enumerate(encoded)) == value
    assert [byte >> 7 for byte in encoded] == [1] * (len(encoded) - 1) + [0]
    assert len(encoded) == max(1, -(-value.bit_length() // 7))


def test_a_header_of_every_kind_of_text_comes_back(tmp_path: Path) -> None:
    header = TakeHeader(
        "", (RecordedBoard('a "b" \\ \n é', 0, "text", 1024, 16),), (("mat", "☂", "\x00\ud800"),)
    )
    path = write_take(tmp_path / "odd.take", [], header)
    read = Take(path).header
    assert read.boards == header.boards
    assert read.file("mat") == ("☂", "\x00?")
