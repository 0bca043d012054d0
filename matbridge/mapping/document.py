"""A file as plain data that knows where everything was written."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from matbridge.errors import Problem

Path = tuple[str | int, ...]
"""The keys and list places (from 0) that lead to a value."""


class Mark(NamedTuple):
    """A place in the file; both count from 1."""

    line: int
    column: int


@dataclass(slots=True)
class Document:
    """A file as data: dicts, lists, str, int, float, bool; and None where nothing was written.

    marks: where the value at a path begins. key_marks: where its key does. problems: what is wrong
    with it as YAML; their values are in `data` as they were written, and `refused` has the paths of
    those values and `refused_keys` of those keys, so that nobody complains of them twice. pruned:
    paths that validation left out because something in them is wrong.
    """

    path: str
    lines: list[str]
    data: object = None
    marks: dict[Path, Mark] = field(default_factory=dict)
    key_marks: dict[Path, Mark] = field(default_factory=dict)
    pruned: set[Path] = field(default_factory=set)
    problems: list[Problem] = field(default_factory=list)
    refused: set[Path] = field(default_factory=set)
    refused_keys: set[Path] = field(default_factory=set)

    def problem(self, mark: Mark | None, message: str) -> Problem:
        """A problem at a place, with its line to show; of the whole file without one."""
        if mark is None:
            return Problem(self.path, 0, 0, message)
        source = self.lines[mark.line - 1] if mark.line <= len(self.lines) else ""
        return Problem(self.path, mark.line, mark.column, message, source)

    def is_whole(self, path: Path) -> bool:
        """Whether nothing at a path, around it or in it was left out."""
        return not any(
            path[: len(gone)] == gone or gone[: len(path)] == path for gone in self.pruned
        )

    def at(self, path: Path, message: str, *, key: bool = False) -> Problem:
        """A problem at the value of a path, or at its key, or at what is around it."""
        first, second = (self.key_marks, self.marks) if key else (self.marks, self.key_marks)
        while path:
            mark = first.get(path) or second.get(path)
            if mark is not None:
                return self.problem(mark, message)
            path = path[:-1]
            # What is missing is reported at the key it is missing from.
            first, second = self.key_marks, self.marks
        return self.problem(self.marks.get(()), message)
