"""Where a file is no YAML at all: what the parser says of it, in our words."""

from __future__ import annotations

import re

import yaml

from matbridge.errors import Problem
from matbridge.mapping.document import Document, Mark

# The deepest place a file can mean is a step of a layer of a zone of a preset: 9 levels.
MAX_DEPTH = 20

# What to write instead of anchors, aliases and merge keys.
NO_ALIASES = "say what is shared once in 'defaults', in a group of zones, or with 'like'"

# The parser's words (of libyaml and of PyYAML, which differ) and ours.
_SYNTAX: tuple[tuple[str, str], ...] = (
    ("cannot start any token", "'{character}' cannot start a value; put the text in quotes"),
    (
        "mapping values are not allowed",
        "a ':' is not expected here; put the text in quotes, or start a line of its own",
    ),
    ("expected ',' or ']'", "a ',' or the closing ']' is missing before this"),
    ("expected ',' or '}'", "a ',' or the closing '}' is missing before this"),
    ("could not find expected ':'", "a ':' is missing after a name, here or in the line before"),
    (
        "expected <block end>",
        "this line does not stand below the one it belongs to; mend its indent",
    ),
    (
        "did not find expected key",
        "this line does not stand below the one it belongs to; mend its indent",
    ),
    (
        "did not find expected '-' indicator",
        "this line does not stand below the list it belongs to; mend its indent",
    ),
    (
        "unexpected end of stream",
        "the quotes that open here are not closed before the end of the file",
    ),
    ("maximum nesting depth", f"this is nested more than {MAX_DEPTH} deep"),
    ("undefined alias", "this is a YAML alias; " + NO_ALIASES),
    ("found undefined tag handle", "'!' starts a YAML tag; put the text in quotes"),
    ("document start", "a second document starts here; write one a file"),
    ("did not find expected node content", "a value is missing before this"),
    ("expected the node content", "a value is missing before this"),
    ("escape", "a '\\' in double quotes starts an escape; write '\\\\', or use single quotes"),
    (
        "block sequence entries are not allowed",
        "a list entry '-' cannot start here; begin a new line",
    ),
)


def syntax_problem(document: Document, error: yaml.MarkedYAMLError) -> Problem:
    """What the parser stumbled over, at the place that a person has to mend."""
    place = error.problem_mark or error.context_mark
    if "end of stream" in (error.problem or "") and error.context_mark is not None:
        place = error.context_mark
    mark = Mark(1, 1) if place is None else Mark(place.line + 1, place.column + 1)
    line = document.lines[mark.line - 1] if mark.line <= len(document.lines) else ""
    indent = line[: len(line) - len(line.lstrip())]
    if "\t" in indent:
        tab = Mark(mark.line, indent.index("\t") + 1)
        return document.problem(tab, "a tab cannot indent a line; use spaces")
    said = " ".join(filter(None, (error.context, error.problem)))
    since = 0 if error.context_mark is None else error.context_mark.line
    cut = _cut_short(document, since, mark) if "expected ',' or" in said else None
    if cut is not None:
        return document.problem(
            cut, "'#' after a space starts a comment, which cuts this line short"
        )
    for words, ours in _SYNTAX:
        if words in said:
            character = line[mark.column - 1 : mark.column]
            return document.problem(mark, ours.replace("{character}", character))
    return document.problem(mark, f"this is not YAML: {said}")


# A '#' that looks like a sharp: after a space, with a digit behind it.
_SHARP = re.compile(r"\s(#)[-0-9]")


def _cut_short(document: Document, since: int, mark: Mark) -> Mark | None:
    """Where a sharp has become a comment, between the line `since` (from 0) and a place."""
    for number, line in enumerate(document.lines[since : mark.line], since + 1):
        found = _SHARP.search(line)
        if found:
            return Mark(number, found.start(1) + 1)
    return None
