"""What is in a take."""

from __future__ import annotations

import csv
import io
from collections import Counter
from pathlib import Path

import pytest

from matbridge.board.packed import encode_scan
from matbridge.board.take import Event, RecordedBoard, TakeHeader
from matbridge.board.take_reader import Take
from matbridge.errors import TakeError
from matbridge.service.boards import make_detector
from matbridge.service.replaying import make_decoders, mat_of, take_scans
from matbridge.service.take_report import report, scan_lines, write_scans
from tests.support.takes import simulated_chunks, simulated_take, write_take


def test_a_take_is_told(tmp_path: Path) -> None:
    path = simulated_take(
        tmp_path / "a.take",
        seconds=20.0,
        events=[
            (0.0, "found", {"board": 0}),
            (0.0, "preset", {"name": "low tide"}),
            (5.0, "preset", {"name": "squall"}),
            (7.0, "preset", {"name": "low tide"}),
            (19.9, "lost", {"board": 0, "reason": "unplugged"}),
            (19.95, "found", {"board": 0}),
        ],
    )
    take = Take(path)
    found = report(take, mat_of(take), None)
    assert (found.length_s, found.reason, found.damage) == (20.0, "stopped", "")
    # The line that was being sent when the link was opened anew is one that nobody can trust.
    assert (found.scans, found.damaged, found.lost) == (10_000 - 1, 0, 0)
    assert found.presets == pytest.approx({"low tide": 18.0, "squall": 2.0})
    assert [zone.name for zone in found.zones][:2] == ["a1", "a2"]
    detector = make_detector(mat_of(take).boards[0], mat_of(take), None)
    struck: Counter[int] = Counter()
    for item in take_scans(take, make_decoders(take.header, None)):
        if isinstance(item, Event):
            if item.name == "lost":
                detector.silence(item.time_s)
        else:
            struck.update(each.zone for each in detector.scan(*item[1]) if each.kind == 0)
    assert {n: zone.touches for n, zone in enumerate(found.zones) if zone.touches} == struck
    assert struck.total() > 15
    assert all(bool(zone.touches) == bool(zone.hardest) for zone in found.zones)
    assert max(zone.hardest for zone in found.zones) <= 1.0
    assert found.faults == [(19.9, "board 1 lost"), (19.95, "board 1 found")]


def test_a_dead_zone_is_told(tmp_path: Path) -> None:
    """A channel that sends full scale all the time is shorted."""
    whole = simulated_take(tmp_path / "a.take", seconds=1.0)
    header = Take(whole).header
    chunks = [
        (time_s, 0, b"1023," + data.split(b",", 1)[1] if b"," in data else data)
        for time_s, data in simulated_chunks("text", 20.0)
    ]
    path = write_take(tmp_path / "b.take", chunks, header)
    data = bytearray(path.read_bytes())
    data[-3000] ^= 1  # and a part that is damaged, near the end
    path.write_bytes(data)
    take = Take(path)
    found = report(take, mat_of(take), None)
    assert any(what == "zone a1: shorted" for _, what in found.faults)
    assert found.faults == sorted(found.faults)
    assert not any(what.startswith("zone a2") for _, what in found.faults)


def test_every_scan_is_a_line_of_csv(tmp_path: Path) -> None:
    take = Take(simulated_take(tmp_path / "a.take", seconds=4.0))
    out = tmp_path / "a.csv"
    assert write_scans(scan_lines(take, mat_of(take)), out) == 2000
    head, *rows = csv.reader(io.StringIO(out.read_bytes().decode(), newline=""))
    assert head == ["time_s", *(zone.name for zone in mat_of(take).zones)]
    assert [",".join(row[1:]) for row in rows] == [
        data.decode().strip() for _, data in simulated_chunks("text", 4.0)[1:]
    ]
    times = [float(row[0]) for row in rows]
    assert times == sorted(times)
    assert times[-1] == pytest.approx(3.998, abs=0.003)


def test_boards_have_columns_of_their_own(tmp_path: Path) -> None:
    header = TakeHeader(
        "", (RecordedBoard("a", 0, "text", 2, 10), RecordedBoard("b", 0, "packed", 3, 10))
    )
    chunks = [
        (0.1, 0, b"\n1,2\n"),
        (0.2, 1, encode_scan(0, 0, [7, 8, 9], 10)),
        (0.3, 0, b"3,4\n"),
    ]
    take = Take(write_take(tmp_path / "a.take", chunks, header))
    rows = list(csv.reader(io.StringIO("".join(scan_lines(take, None)))))
    assert rows == [
        ["time_s", "board 1 channel 0", "board 1 channel 1",
         "board 2 channel 0", "board 2 channel 1", "board 2 channel 2"],
        ["0.100000", "1", "2", "", "", ""],
        ["0.200000", "", "", "7", "8", "9"],
        ["0.300000", "3", "4", "", "", ""],
    ]  # fmt: skip


def test_csv_that_cannot_be_written_or_made_is_a_take_error(tmp_path: Path) -> None:
    with pytest.raises(TakeError, match="cannot be written"):
        write_scans(["time_s\r\n"], tmp_path)
    header = TakeHeader("", (RecordedBoard("a", 0, "morse", 2, 10),))
    take = Take(write_take(tmp_path / "a.take", [], header))
    with pytest.raises(TakeError, match="morse"):
        list(scan_lines(take, None))
