"""A mat file's text with other channels in it; everything else stays as it was written."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from matbridge.mapping.document import Document, Path

# A plain scalar: a name or a number, up to what ends it in a flow mapping, or to a comment.
_PLAIN = re.compile(r"[^,{}\[\]#\s][^,{}\[\]]*?(?=\s*(?:[,}\]]|\s#|$))")
_QUOTED = re.compile(r"\"(?:[^\"\\]|\\.)*\"|'(?:[^']|'')*'")


class Wire(NamedTuple):
    """Where a zone hangs: name of its board, "" for the only one, and channel from 0."""

    board: str
    channel: int


class _Edit(NamedTuple):
    """Put `text` in the place of what stands in a line from a column (from 0) to another."""

    line: int
    start: int
    end: int
    text: str


def rewire(document: Document, wires: Sequence[Wire], channels: Mapping[str, int]) -> str:
    """The text of a mat file that has no problems, with a wire for each of its zones.

    wires: in the order of the zones. channels: by board, how many it sends, if that must be said.
    """
    edits = []
    for place, wire in enumerate(wires):
        zone: Path = ("zones", place)
        edits += _set(document, zone, "channel", str(wire.channel), behind="name")
        if wire.board:
            edits += _set(document, zone, "board", wire.board, behind="name")
    for board, count in channels.items():
        path: Path = ("boards", board) if board else ("board",)
        edits += _set(document, path, "channels", str(count), behind="")
    lines = list(document.lines)
    # From the end to the beginning, so that no edit moves the place of another.
    for edit in sorted(edits, reverse=True):
        line = lines[edit.line]
        lines[edit.line] = line[: edit.start] + edit.text + line[edit.end :]
    return "\n".join(lines)


def board_names(document: Document) -> tuple[str, ...]:
    """The boards of a mat file in its order; one empty name for an only one."""
    data = document.data
    boards = data.get("boards") if isinstance(data, dict) else None
    return tuple(boards) if isinstance(boards, dict) and boards else ("",)


def _set(document: Document, path: Path, key: str, value: str, *, behind: str) -> list[_Edit]:
    """Give a key of a mapping a value; a new key stands behind another one, or first."""
    lines = document.lines
    written = document.marks.get((*path, key))
    if written is not None:
        line, start = written.line - 1, written.column - 1
        return [_Edit(line, start, _scalar_end(lines[line], start), value)]
    opening = document.marks[path]
    flow = lines[opening.line - 1].startswith("{", opening.column - 1)
    if behind:
        name = document.marks[(*path, behind)]
        line = name.line - 1
        end = _scalar_end(lines[line], name.column - 1) if flow else len(lines[line])
        indent = " " * (document.key_marks[(*path, behind)].column - 1)
        return [_Edit(line, end, end, f", {key}: {value}" if flow else f"\n{indent}{key}: {value}")]
    if flow:
        return [_Edit(opening.line - 1, opening.column, opening.column, f"{key}: {value}, ")]
    indent = " " * (opening.column - 1)
    return [_Edit(opening.line - 1, 0, 0, f"{indent}{key}: {value}\n")]


def _scalar_end(line: str, start: int) -> int:
    found = _QUOTED.match(line, start) or _PLAIN.match(line, start)
    return found.end() if found else len(line)
