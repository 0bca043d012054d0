"""`matbridge takes`: what has been recorded, and what is in it."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from matbridge.cli.take_argument import (
    HELP,
    add_replace,
    calibration_in,
    check_new,
    take_of,
)
from matbridge.display.durations import duration
from matbridge.errors import MatbridgeError, TakeError

if TYPE_CHECKING:
    from matbridge.board.take_reader import Take
    from matbridge.mapping.plan import MatPlan
    from matbridge.service.take_report import TakeReport

EXPORT = "export"


def parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser(
        prog="matbridge takes",
        usage="matbridge takes [-h] [TAKE | export ...]",
        description="List the takes that are kept, or tell what is in one.",
        epilog="matbridge takes export TAKE --midi-file OUT or --scans OUT writes one out; "
        "--replace lets it write over a file that is there.",
    )
    made.add_argument("take", metavar="TAKE", nargs="?", help=HELP)
    return made


def export_parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser(
        prog="matbridge takes export",
        description="Write a take out for other programs: as it played, or as it was read.",
    )
    made.add_argument("take", metavar="TAKE", help=HELP)
    made.add_argument("--midi-file", metavar="OUT", type=Path, help="what it played, as MIDI")
    made.add_argument("--scans", metavar="OUT", type=Path, help="every scan with its time, as CSV")
    add_replace(made)
    return made


def main(argv: Sequence[str]) -> int:
    if argv and argv[0] == EXPORT:
        return _export(argv[1:])
    given = parser().parse_args(argv)
    lines = _list() if given.take is None else _tell(take_of(given.take))
    from matbridge.plain import escaped

    for line in lines:
        print(escaped(line))
    return 0


def _list() -> list[str]:
    from matbridge.board.take_reader import Take
    from matbridge.service.recorder import all_takes, takes_folder

    folder = takes_folder()
    paths = all_takes(folder)
    if not paths:
        return [f"no takes in {folder} yet; `matbridge record` makes one"]
    rows = [("length", "size", "take")]
    for path in paths:
        try:
            length = duration(Take(path).whole_length_s())
        except TakeError:
            length = "damaged"
        rows.append((length, _size(path.stat().st_size), path.stem))
    widths = [max(len(row[column]) for row in rows) for column in (0, 1)]
    return [f"{row[0]:>{widths[0]}}  {row[1]:>{widths[1]}}  {row[2]}" for row in rows]


def _tell(take: Take) -> list[str]:
    header = take.header
    lines = [
        f"take         {take.path}",
        f"started      {header.started}",
        f"written by   {header.program}",
    ]
    for role, name, _ in header.files:
        lines.append(f"{role:<12} {name}")
    for number, board in enumerate(header.boards, 1):
        lines.append(
            f"board {number:<6} {board.port}: {board.channels} readings of {board.bits} bits, "
            f"{board.format}"
        )
    from matbridge.service.replaying import mat_of
    from matbridge.service.take_report import report

    mat = mat_of(take)
    return lines + _told(report(take, mat, calibration_in(take, mat)))


def _told(found: TakeReport) -> list[str]:
    lines = [
        f"length       {duration(found.length_s)}",
        f"ended        {found.reason or 'not in order: its end is missing'}",
        f"scans        {found.scans}, damaged {found.damaged}, lost {found.lost}",
    ]
    if found.damage:
        lines.append(f"damage       {found.damage}")
    lines += [f"preset       {name}, {duration(each)}" for name, each in found.presets.items()]
    lines.append("zone         touches  hardest")
    lines += [f"{zone.name:<12} {zone.touches:>7}  {zone.hardest:>7.0%}" for zone in found.zones]
    lines += [f"{duration(time_s):>12} {what}" for time_s, what in found.faults]
    return lines


def _export(argv: Sequence[str]) -> int:
    made = export_parser()
    given = made.parse_args(argv)
    if given.midi_file is None and given.scans is None:
        made.error("say what to write: --midi-file OUT, --scans OUT, or both")
    for path in filter(None, (given.midi_file, given.scans)):
        check_new(path, given.replace)
    from matbridge.plain import escaped

    take = take_of(given.take)
    if given.midi_file is not None:
        from matbridge.service.replay_file import write_midi
        from matbridge.service.replaying import Replay, show_of

        show = show_of(take)
        replay = Replay(take, show, calibration_in(take, show.mat))
        notes = write_midi(replay, show.performance, given.midi_file)
        print(escaped(f"written: {given.midi_file}, {notes} notes"))
    if given.scans is not None:
        from matbridge.service.take_report import scan_lines, write_scans

        count = write_scans(scan_lines(take, _mat(take)), given.scans)
        print(escaped(f"written: {given.scans}, {count} scans"))
    return 0


def _mat(take: Take) -> MatPlan | None:
    """The mat, if the take has one that can be read: readings are worth having without it too."""
    from matbridge.service.replaying import mat_of

    try:
        return mat_of(take)
    except MatbridgeError:
        return None


def _size(size: int) -> str:
    return f"{size / 1e6:.1f} MB" if size >= 100_000 else f"{size / 1e3:.1f} kB"
