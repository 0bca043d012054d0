"""`matbridge chart FILE -o handout.html`: the mat on paper, with what each zone plays."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path


def parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser(
        prog="matbridge chart",
        description="Draw the mat to scale with what each zone plays, one page a preset, to be "
        "printed on A4 or Letter and handed over.",
    )
    made.add_argument("file", metavar="FILE", help="the performance, a YAML file, or a packed show")
    made.add_argument(
        "-o",
        "--output",
        metavar="FILE",
        type=_drawing,
        required=True,
        help="where to: a page to print (.html), or a drawing (.svg)",
    )
    made.add_argument("--preset", metavar="NAME", help="only this preset")
    return made


def main(argv: Sequence[str]) -> int:
    options = parser().parse_args(argv)

    from matbridge.cli.explain import chosen
    from matbridge.cli.show_argument import written_file
    from matbridge.display import chart
    from matbridge.mapping.load import load_show

    show = load_show(written_file(options.file))
    presets = chosen(show, options.preset)
    draw = chart.html if options.output.suffix.lower() == ".html" else chart.svg
    try:
        options.output.write_text(draw(show, presets), encoding="utf-8")
    except OSError as error:
        print(f"matbridge: cannot write {options.output}: {error.strerror}", file=sys.stderr)
        return 1
    pages = "page" if len(presets) == 1 else "pages"
    print(f"{options.output}: {len(presets)} {pages}")
    return 0


def _drawing(text: str) -> Path:
    path = Path(text)
    if path.suffix.lower() not in (".html", ".svg"):
        raise argparse.ArgumentTypeError(f"{text} should end in .html or .svg")
    return path
