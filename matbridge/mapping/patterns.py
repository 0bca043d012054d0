"""Zones by name, by pattern and by group."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from fnmatch import fnmatchcase

from matbridge.mapping.document import Path
from matbridge.mapping.fields import near, said

Report = Callable[[Path, str], None]
"""Takes a problem at the value of a path."""

PATTERN_SIGNS = "*?["


class ZoneNames:
    """What a performance can call zones by: names, patterns such as `a*`, and groups."""

    __slots__ = ("groups", "index", "names")

    def __init__(self, names: Sequence[str]) -> None:
        self.names = tuple(names)
        self.index: dict[str, int] = {name: place for place, name in enumerate(self.names)}
        self.groups: dict[str, tuple[int, ...]] = {}

    def add_groups(
        self, groups: Mapping[str, Sequence[str]] | None, path: Path, report: Report
    ) -> None:
        """Take up the groups of a file; a group may name zones, patterns, and groups before it."""
        for group, words in (groups or {}).items():
            here = (*path, group)
            if group in self.index:
                report(here, "is also the name of a zone; call the group otherwise")
                continue
            zones: dict[int, None] = {}
            for place, word in enumerate(words):
                zones.update(dict.fromkeys(self.find(word, (*here, place), report)))
            self.groups[group] = tuple(zones)

    def find(self, word: str, path: Path, report: Report) -> tuple[int, ...]:
        """The zones a word stands for, in mat order for a pattern, as written for a group."""
        if word in self.index:
            return (self.index[word],)
        if word in self.groups:
            return self.groups[word]
        if any(sign in word for sign in PATTERN_SIGNS):
            found = tuple(place for place, name in enumerate(self.names) if fnmatchcase(name, word))
            if not found:
                report(path, f"no zone of the mat fits the pattern {said(word)}")
            return found
        report(path, f"the mat has no zone {said(word)}{near(word, (*self.names, *self.groups))}")
        return ()
