"""`matbridge check FILE...`: check mat and performance files before the doors open."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence


def parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser(
        prog="matbridge check",
        description="Check mat and performance files. Prints every problem with its place, and "
        "what is odd but plays. Exit code 1 when a file has problems.",
    )
    made.add_argument(
        "files", metavar="FILE", nargs="+", help="a performance or a mat, in YAML, or a packed show"
    )
    return made


def main(argv: Sequence[str]) -> int:
    files: list[str] = parser().parse_args(argv).files

    from matbridge.cli.show_argument import written_file
    from matbridge.mapping.load import load
    from matbridge.mapping.problems import shown

    wrong = False
    for file in files:
        loaded = load(written_file(file))
        for problem in loaded.problems:
            print(shown(problem), file=sys.stderr)
        for warning in loaded.warnings:
            print(shown(warning, "warning: "), file=sys.stderr)
        if loaded.problems:
            wrong = True
            print(f"{file}: {_count(len(loaded.problems), 'problem')}", file=sys.stderr)
        elif loaded.warnings:
            print(f"{file}: plays, with {_count(len(loaded.warnings), 'warning')}")
        else:
            print(f"{file}: good")
    return 1 if wrong else 0


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"
