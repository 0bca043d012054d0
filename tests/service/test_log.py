"""The log: its lines, its silence about repeats, and that it holds nobody up."""

from __future__ import annotations

import json
import os
import threading
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matbridge.service.log import WAITING_LINES, Format, Log, in_journal, to_descriptor

NOW = datetime(2026, 3, 1, 14, 3, 7, 120_000, tzinfo=UTC)


def lines_of(form: Format, *events: tuple[str, str, dict[str, object]]) -> list[str]:
    lines: list[str] = []
    log = Log(lines.append, form, lambda: NOW)
    for level, event, fields in events:
        getattr(log, level)(event, **fields)
    log.close()
    return lines


def test_a_line_has_time_event_and_fields() -> None:
    assert lines_of(
        Format.TEXT,
        ("info", "board found", {"port": "/dev/ttyACM0", "channels": 24}),
        ("warning", "board lost", {"reason": 'went "away"', "after_s": 0.25}),
        ("info", "stopped", {}),
    ) == [
        "14:03:07 board found: port=/dev/ttyACM0 channels=24\n",
        '14:03:07 warning: board lost: reason="went \\"away\\"" after_s=0.25\n',
        "14:03:07 stopped\n",
    ]


def test_the_journal_gets_levels_of_syslog_and_no_time() -> None:
    assert lines_of(Format.JOURNAL, ("warning", "late", {}), ("error", "no", {"x": ""})) == [
        "<4>late\n",
        '<3>no: x=""\n',
    ]


def test_json_lines_hold_the_fields_as_they_are() -> None:
    (line,) = lines_of(Format.JSON, ("info", "preset", {"name": "l\u00e5g\n\x1b[2J", "lost": 3}))
    assert line.isascii()
    assert json.loads(line) == {
        "time": "2026-03-01T14:03:07.120+00:00",
        "level": "info",
        "event": "preset",
        "name": "l\u00e5g\n\x1b[2J",
        "lost": 3,
    }


@given(st.text(), st.sampled_from(Format))
def test_nothing_from_outside_reaches_a_terminal_unescaped(text: str, form: Format) -> None:
    (line,) = lines_of(form, ("warning", "odd", {"said": text}))
    assert line.endswith("\n")
    assert line[:-1].isprintable()


def test_a_long_field_is_cut() -> None:
    (line,) = lines_of(Format.TEXT, ("info", "x", {"said": "a" * 100_000}))
    assert len(line) < 400


def test_what_is_forgotten_fails_anew_and_is_not_mended() -> None:
    lines: list[str] = []
    log = Log(lines.append, Format.JOURNAL)
    log.failed("1", "output not there", output="desk")
    log.forget("1")
    log.forget("1")
    assert not log.mended("1", "output back", output="rack")
    log.failed("1", "output lost", output="rack")
    log.close()
    assert lines == ["<4>output not there: output=desk\n", "<4>output lost: output=rack\n"]


def test_only_the_first_failure_is_told_and_the_mending_counts() -> None:
    lines: list[str] = []
    log = Log(lines.append, Format.JOURNAL)
    for _ in range(5):
        log.failed("desk", "output lost", output="desk")
        log.failed("rack", "output lost", output="rack")
    log.mended("desk", "output back", output="desk")
    log.mended("desk", "output back", output="desk")
    log.failed("desk", "output lost", output="desk")
    log.mended("desk", "output back", output="desk")
    log.close()
    assert lines == [
        "<4>output lost: output=desk\n",
        "<4>output lost: output=rack\n",
        "<6>output back: output=desk failures=5\n",
        "<4>output lost: output=desk\n",
        "<6>output back: output=desk\n",
    ]


def test_a_stopped_reader_holds_nobody_up_and_what_was_dropped_is_told() -> None:
    go = threading.Event()
    lines: list[str] = []

    def write(line: str) -> None:
        go.wait()
        lines.append(line)

    log = Log(write, Format.JOURNAL)
    for number in range(WAITING_LINES * 3):
        log.info("event", number=number)  # returns though nothing can be written
    go.set()
    log.close()
    log.close()
    assert WAITING_LINES <= len(lines) <= WAITING_LINES + 2
    told = [line for line in "".join(lines).splitlines() if "held up" in line]
    dropped = sum(int(line.rpartition("=")[2]) for line in told)
    assert len(lines) + dropped == WAITING_LINES * 3


def test_a_log_that_cannot_be_written_is_survived() -> None:
    def write(line: str) -> None:
        raise OSError(28, "No space left on device")

    log = Log(write)
    log.info("one")
    log.info("two")
    log.close()


def test_lines_reach_a_descriptor_whole() -> None:
    read_fd, write_fd = os.pipe()
    try:
        to_descriptor(write_fd)("caf\u00e9 \udc80\n")
        assert os.read(read_fd, 100) == b"caf\xc3\xa9 \\udc80\n"
    finally:
        os.close(read_fd)
        os.close(write_fd)


@pytest.mark.parametrize("ours", [True, False])
def test_the_journal_is_known_by_its_device_and_inode(ours: bool) -> None:
    file = os.fstat(1)
    stream = f"{file.st_dev}:{file.st_ino + (not ours)}"
    assert in_journal(1, {"JOURNAL_STREAM": stream}) is ours
    assert not in_journal(1, {})
