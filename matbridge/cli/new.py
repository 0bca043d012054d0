"""`matbridge new`: write a commented mat or performance file to begin with."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path


def parser() -> argparse.ArgumentParser:
    from matbridge.mapping.starters import MAX_ROWS, MAX_ZONES, SENSOR_TYPES

    made = argparse.ArgumentParser(
        prog="matbridge new",
        description="Write a commented file to begin with. Nothing is ever written over.",
    )
    kinds = made.add_subparsers(dest="kind", metavar="mat | performance", required=True)
    mat = kinds.add_parser("mat", help="a mat", description="Write a mat file.")
    mat.add_argument("file", metavar="FILE", type=Path, help="such as my.mat.yaml")
    mat.add_argument(
        "--zones",
        metavar="N",
        type=_whole(1, MAX_ZONES),
        default=12,
        help="how many zones (default: 12)",
    )
    mat.add_argument(
        "--rows",
        metavar="N",
        type=_whole(1, MAX_ROWS),
        default=0,
        help="in how many rows (default: about a square)",
    )
    mat.add_argument("--sensor", choices=SENSOR_TYPES, default="force", help="(default: force)")
    performance = kinds.add_parser(
        "performance", help="a performance for a mat", description="Write a performance file."
    )
    performance.add_argument("file", metavar="FILE", type=Path, help="such as my-show.yaml")
    performance.add_argument(
        "--mat", metavar="FILE", type=Path, required=True, help="the mat file it is for"
    )
    return made


def main(argv: Sequence[str]) -> int:
    options = parser().parse_args(argv)
    text = _mat(options) if options.kind == "mat" else _performance(options)
    target: Path = options.file
    try:
        with target.open("x", encoding="utf-8") as stream:
            stream.write(text)
    except FileExistsError:
        return _failed(f"{target} is there already; name another, or move it away")
    except OSError as error:
        return _failed(f"cannot write {target}: {error.strerror}")
    print(f"{target}: written; change it to your liking, then 'matbridge check {target}'")
    return 0


def _mat(options: argparse.Namespace) -> str:
    from matbridge.mapping.schemas import schema_path
    from matbridge.mapping.starters import mat_starter

    return mat_starter(options.zones, options.rows, options.sensor, str(schema_path("mat")))


def _performance(options: argparse.Namespace) -> str:
    from matbridge.mapping.load import load_mat
    from matbridge.mapping.schemas import schema_path
    from matbridge.mapping.starters import performance_starter

    mat = load_mat(options.mat)
    mat_file = os.path.relpath(options.mat, options.file.parent)
    names = [zone.name for zone in mat.zones]
    return performance_starter(mat_file, names, str(schema_path("performance")))


def _whole(low: int, high: int) -> Callable[[str], int]:
    def number(text: str) -> int:
        value = int(text)
        if not low <= value <= high:
            raise argparse.ArgumentTypeError(f"{value} is not within {low}-{high}")
        return value

    return number


def _failed(message: str) -> int:
    print(f"matbridge: {message}", file=sys.stderr)
    return 1
