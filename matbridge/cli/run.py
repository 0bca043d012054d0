"""`matbridge run FILE`: play a performance from the mat."""

from __future__ import annotations

import argparse
import os
from collections.abc import Sequence

TYPE_CHECKING = False
if TYPE_CHECKING:
    from matbridge.service.loading import Loading


def parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser(
        prog="matbridge run",
        description="Play a performance from the mat, until Ctrl-C, a signal or 'matbridge stop'."
        " Its files are watched: a changed one is taken up while playing, a wrong one changes"
        " nothing.",
    )
    made.add_argument("file", metavar="FILE", help="the performance, a YAML file, or a packed show")
    made.add_argument("--preset", metavar="NAME", help="start with this preset")
    made.add_argument(
        "--name",
        metavar="NAME",
        type=_name,
        help="what 'matbridge --name' commands call this bridge (default: after FILE)",
    )
    made.add_argument(
        "--log-format",
        choices=("text", "json"),
        default="text",
        help="how events are written to standard error",
    )
    made.add_argument(
        "--realtime", action="store_true", help="ask the system for realtime priority"
    )
    made.add_argument(
        "--lock-memory", action="store_true", help="ask the system never to swap this process out"
    )
    return made


def main(argv: Sequence[str]) -> int:
    given = parser().parse_args(argv)
    from matbridge.cli.show_argument import written_file
    from matbridge.service.loading import Loading

    remarks: list[str] = []
    # First of all: the rest is imported while it goes on.
    with Loading(written_file(given.file, remarks.append)) as loading:
        return _play(given, loading, remarks)


def _play(given: argparse.Namespace, loading: Loading, remarks: Sequence[str]) -> int:
    from matbridge.service.host import Host, Options
    from matbridge.service.log import Format, Log, in_journal, to_descriptor

    form = Format(given.log_format)
    if form is Format.TEXT and in_journal(2, os.environ):
        form = Format.JOURNAL
    log = Log(to_descriptor(2), form)
    options = Options(
        preset=given.preset,
        name=given.name,
        realtime=given.realtime,
        lock_memory=given.lock_memory,
    )
    try:
        for remark in remarks:
            log.info(remark)
        return Host(log, options).run(loading)
    finally:
        log.close()


def _name(text: str) -> str:
    from matbridge.service.claims import name_of

    if name_of(text) != text:
        raise argparse.ArgumentTypeError(
            f"'{text}' is no name for a bridge; use up to 40 letters, digits and '-'"
        )
    return text
