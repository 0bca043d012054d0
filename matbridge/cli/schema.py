"""`matbridge schema`: the JSON Schemas of the two files, and the reference of their keys."""

from __future__ import annotations

import argparse
from collections.abc import Sequence

KINDS = ("performance", "mat")


def parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser(
        prog="matbridge schema",
        description="Print the JSON Schema of performance or mat files. Name it in the first line "
        "of a file, and an editor with a YAML language server completes and checks it: "
        "# yaml-language-server: $schema=PATH",
    )
    made.add_argument(
        "kind",
        metavar=" | ".join(KINDS),
        nargs="?",
        choices=KINDS,
        default=KINDS[0],
        help="of which file (default: performance)",
    )
    what = made.add_mutually_exclusive_group()
    what.add_argument("--path", action="store_true", help="print where the schema's file is")
    what.add_argument(
        "--reference", action="store_true", help="print every key of both files, in Markdown"
    )
    return made


def main(argv: Sequence[str]) -> int:
    options = parser().parse_args(argv)
    if options.reference:
        from matbridge.mapping.reference import reference

        print(reference(), end="")
        return 0

    from matbridge.mapping.schemas import schema_path

    path = schema_path(options.kind)
    print(
        path if options.path else path.read_text(encoding="utf-8"), end="\n" if options.path else ""
    )
    return 0
