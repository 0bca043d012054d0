"""One YAML file to plain data, knowing where everything was written.

What is taken is a small, predictable part of YAML: mappings with plain keys, lists, text, whole and
decimal numbers, `true` and `false`. YAML 1.1 reads `on` as true, `12:30` as 750 and `010` as 8, keeps
the last of two equal keys and lets aliases multiply; here each of these is a problem that says what to
write instead. Everything is walked over the parser's events, so that no depth of nesting can exhaust
the stack, and a file is given up early when it is too large, too deep or holds too many values.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import NamedTuple

import yaml

from matbridge.errors import Problem

# A show of 50 presets over 24 zones, every zone written out, takes about 100 KiB.
MAX_BYTES = 1024 * 1024

# The deepest place a file can mean is a step of a layer of a zone of a preset: 9 levels.
MAX_DEPTH = 20

# Reported problems of one file; past it a file is no performance but something else.
MAX_PROBLEMS = 100

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
    with it as YAML; their values are in `data` as they were written, and `refused` has their paths,
    so that nobody complains of them twice.
    """

    path: str
    lines: list[str]
    data: object = None
    marks: dict[Path, Mark] = field(default_factory=dict)
    key_marks: dict[Path, Mark] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    refused: set[Path] = field(default_factory=set)

    def problem(self, mark: Mark | None, message: str) -> Problem:
        """A problem at a place, with its line to show; of the whole file without one."""
        if mark is None:
            return Problem(self.path, 0, 0, message)
        source = self.lines[mark.line - 1] if mark.line <= len(self.lines) else ""
        return Problem(self.path, mark.line, mark.column, message, source)

    def at(self, path: Path, message: str, *, key: bool = False) -> Problem:
        """A problem at the value of a path, or at its key; at what is around it if it is not there."""
        first, second = (
            (self.key_marks, self.marks) if key else (self.marks, self.key_marks)
        )
        while path:
            mark = first.get(path) or second.get(path)
            if mark is not None:
                return self.problem(mark, message)
            path = path[:-1]
            # What is missing is reported at the key it is missing from.
            first, second = self.key_marks, self.marks
        return self.problem(self.marks.get(()), message)


def read(data: bytes, path: str) -> Document:
    """A file's bytes as a document; never raises for any bytes, `problems` says what is wrong.

    `path` is only for the problems. A file that is no YAML has one problem and no data.
    """
    if len(data) > MAX_BYTES:
        document = Document(path, [])
        message = f"the file has {len(data)} bytes; at most {MAX_BYTES} are read"
        document.problems.append(document.problem(None, message))
        return document
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = data[: error.start].decode("utf-8-sig", "replace")
        document = Document(path, before.splitlines())
        mark = Mark(before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1)
        message = f"byte {data[error.start]:#04x} is not UTF-8 text; save the file as UTF-8"
        document.problems.append(document.problem(mark, message))
        return document
    document = Document(path, text.splitlines())
    unprintable = _UNPRINTABLE.search(text)
    if unprintable:
        before = text[: unprintable.start()]
        mark = Mark(before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1)
        message = f"the character {unprintable[0]!a} cannot stand in a YAML file; remove it"
        document.problems.append(document.problem(mark, message))
        return document
    try:
        _Builder(document).build(text)
    except _GivenUp:
        document.data = None
    except yaml.MarkedYAMLError as error:
        document.data = None
        document.problems.append(_syntax_problem(document, error))
    return document


# libyaml, which reads ten times faster, where PyYAML was built with it.
LOADER: type = getattr(yaml, "CLoader", yaml.Loader)

# What YAML 1.1 does not allow in a stream, tab and line ends aside.
_UNPRINTABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\x80-\x84\x86-\x9f\ufffe\uffff\ud800-\udfff]")


class _GivenUp(Exception):
    """Reading on would make no sense; the reason is in the document's problems."""


class _Open:
    """A mapping or list that is being read."""

    __slots__ = ("key", "path", "value")

    def __init__(self, value: dict[str, object] | list[object], path: Path) -> None:
        self.value = value
        self.path = path
        self.key: str | None = None


class _Builder:
    """Events to data: a stack of open collections, innermost last."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.stack: list[_Open] = []
        self.documents = 0

    def build(self, text: str) -> None:
        for event in yaml.parse(text, Loader=LOADER):
            if isinstance(event, yaml.ScalarEvent):
                self.scalar(event)
            elif isinstance(event, yaml.MappingStartEvent):
                self.open(event, {})
            elif isinstance(event, yaml.SequenceStartEvent):
                self.open(event, [])
            elif isinstance(event, yaml.CollectionEndEvent):
                self.stack.pop()
            elif isinstance(event, yaml.AliasEvent):
                self.refuse_place(event, f"'*{event.anchor}' is a YAML alias; {_NO_ALIASES}")
                self.place(None, _mark(event))
            elif isinstance(event, yaml.DocumentStartEvent):
                self.documents += 1
                if self.documents > 1:
                    self.give_up(event, "a second document starts here; write one a file")
        if self.documents == 0 or self.document.data is None and not self.document.problems:
            self.document.problems.append(self.document.problem(None, "the file is empty"))

    def open(self, event: yaml.NodeEvent, value: dict[str, object] | list[object]) -> None:
        if len(self.stack) >= MAX_DEPTH:
            self.give_up(event, f"this is nested more than {MAX_DEPTH} deep")
        if self.stack and isinstance(self.stack[-1].value, dict) and self.stack[-1].key is None:
            self.give_up(event, "a list or mapping cannot be a key; a key is one word or name")
        self.properties(event)
        path = self.place(value, _mark(event))
        self.stack.append(_Open(value, path))

    def scalar(self, event: yaml.ScalarEvent) -> None:
        self.properties(event)
        if self.stack and isinstance(self.stack[-1].value, dict) and self.stack[-1].key is None:
            self.key(event)
            return
        value, trouble = (event.value, None) if event.style else plain(event.value)
        path = self.place(value, _mark(event))
        if value is None and path not in self.document.refused:
            trouble = self.nothing(path, event)
        if trouble is not None:
            self.refuse(path, _mark(event), trouble)

    def nothing(self, path: Path, event: yaml.ScalarEvent) -> str:
        """What to say where a value is missing, or written as null."""
        line = self.document.lines[event.start_mark.line : event.start_mark.line + 1]
        rest = line[0][event.start_mark.column :].lstrip() if line else ""
        owner = f"'{path[-1]}'" if path and isinstance(path[-1], str) else "this entry"
        if rest.startswith("#") and rest[1:2] not in ("", " ", "#"):
            return f"nothing is written for {owner}: '#' starts a comment; put the value in quotes"
        return f"nothing is written for {owner}; give it a value, or leave it out"

    def key(self, event: yaml.ScalarEvent) -> None:
        top = self.stack[-1]
        assert isinstance(top.value, dict)
        text: str = event.value
        mark = _mark(event)
        path = (*top.path, text)
        if text in top.value:
            first = self.document.key_marks[path]
            self.report(mark, f"'{text}' is written twice; it is also in line {first.line}")
            # The second is read all the same, under a name that nobody can write.
            text = f"{text}\0{mark.line}"
            path = (*top.path, text)
            self.document.refused.add(path)
        elif not event.style:
            value, trouble = plain(text)
            if text == "<<":
                trouble = f"'<<' merges mappings; {_NO_ALIASES}"
            elif value is None:
                trouble = "a name is missing before the ':'"
            elif isinstance(value, bool):
                trouble = f"'{text}' cannot be a name; put it in quotes: \"{text}\""
            if trouble is not None:
                self.refuse(path, mark, trouble)
        top.key = text
        self.document.key_marks[path] = mark

    def place(self, value: object, mark: Mark) -> Path:
        """Put a value where it belongs; the path to it."""
        if not self.stack:
            self.document.data = value
            self.document.marks[()] = mark
            return ()
        top = self.stack[-1]
        if isinstance(top.value, list):
            path: Path = (*top.path, len(top.value))
            top.value.append(value)
        else:
            assert top.key is not None
            path = (*top.path, top.key)
            top.value[top.key] = value
            top.key = None
        self.document.marks[path] = mark
        return path

    def properties(self, event: yaml.NodeEvent) -> None:
        """Refuse what YAML can say of a value before it."""
        if event.anchor is not None:
            self.refuse_place(event, f"'&{event.anchor}' is a YAML anchor; {_NO_ALIASES}")
        if event.tag is not None:
            tag = str(event.tag).replace("tag:yaml.org,2002:", "!!")
            self.refuse_place(event, f"'{tag}' is a YAML tag; leave it out, or quote the text")

    def refuse_place(self, event: yaml.Event, message: str) -> None:
        """Refuse the value that comes next."""
        path: Path = ()
        if self.stack:
            top = self.stack[-1]
            if isinstance(top.value, list):
                path = (*top.path, len(top.value))
            elif top.key is not None:
                path = (*top.path, top.key)
            else:
                self.give_up(event, message)
        self.refuse(path, _mark(event), message)

    def refuse(self, path: Path, mark: Mark, message: str) -> None:
        self.document.refused.add(path)
        self.report(mark, message)

    def report(self, mark: Mark, message: str) -> None:
        self.document.problems.append(self.document.problem(mark, message))
        if len(self.document.problems) > MAX_PROBLEMS:
            raise _GivenUp

    def give_up(self, event: yaml.Event, message: str) -> None:
        self.report(_mark(event), message)
        raise _GivenUp


_NO_ALIASES = "say what is shared once in 'defaults', in a group of zones, or with 'like'"

_WHOLE = re.compile(r"[-+]?(0|[1-9][0-9]*)\Z")
_HEX = re.compile(r"0x[0-9a-fA-F]+\Z")
_DECIMAL = re.compile(r"[-+]?(0|[1-9][0-9]*)?\.[0-9]+\Z")

# Plain text that YAML 1.1, or 1.2, or a reader's eye takes for a number or a truth, and what to do.
_SURPRISES: tuple[tuple[re.Pattern[str], str], ...] = (
    (
        re.compile(r"(yes|Yes|YES|on|On|ON)\Z"),
        'write true for a choice, or "{0}" in quotes for a name',
    ),
    (
        re.compile(r"(no|No|NO|off|Off|OFF)\Z"),
        'write false for a choice, or "{0}" in quotes for a name',
    ),
    (re.compile(r"(True|TRUE|False|FALSE)\Z"), "write it in small letters, or in quotes for a name"),
    (re.compile(r"[-+]?0[0-9]+\Z"), 'write {1} for the number, or "{0}" in quotes for a name'),
    (re.compile(r"0[bo][0-9]+\Z"), "write numbers in tens, or as 0x... in sixteens"),
    (
        re.compile(r"[-+]?[0-9][0-9_]*(:[0-5]?[0-9])+(\.[0-9_]*)?\Z"),
        'YAML would take it for a number of sixties; write a plain number, or "{0}" in quotes',
    ),
    (re.compile(r"[-+]?(0x)?[0-9a-fA-F]*[0-9]_[0-9_]*\Z"), "write the number without '_'"),
    (
        re.compile(r"[-+]?([0-9]+\.?[0-9]*|\.[0-9]+)[eE][-+]?[0-9]+\Z"),
        "write the number out, without a power of ten",
    ),
    (re.compile(r"[-+]?[0-9]+\.\Z"), "write a digit after the point"),
    (re.compile(r"[-+]?\.(inf|Inf|INF|nan|NaN|NAN)\Z"), "write a number"),
    (
        re.compile(r"[0-9]{4}-[0-9]{1,2}-[0-9]{1,2}([Tt ].*)?\Z"),
        'YAML would take it for a date; put it in quotes: "{0}"',
    ),
)


def plain(text: str) -> tuple[object, str | None]:
    """The value of an unquoted word, and what is wrong with it, if anything is."""
    if text in ("", "~", "null", "Null", "NULL"):
        return None, None
    if text == "true":
        return True, None
    if text == "false":
        return False, None
    if text[0] in "0123456789-+.":
        if _WHOLE.match(text):
            return _number(text, int)
        if _DECIMAL.match(text):
            return _number(text, float)
        if _HEX.match(text):
            return _number(text, lambda digits: int(digits, 16))
    elif text[0] not in "yYnNoOtTfF":
        return text, None
    for pattern, advice in _SURPRISES:
        if pattern.match(text):
            digits = text.lstrip("+-0") or "0"
            return text, f"'{text}' is not plain; " + advice.format(text, digits)
    return text, None


# More digits than any number here can need; int() of a long one costs its square.
_MAX_DIGITS = 30


def _number(text: str, convert: type[int] | type[float] | object) -> tuple[object, str | None]:
    if len(text) > _MAX_DIGITS:
        return text, f"a number of {len(text)} digits is too long"
    assert callable(convert)
    return convert(text), None


def _mark(event: yaml.Event) -> Mark:
    return Mark(event.start_mark.line + 1, event.start_mark.column + 1)


# The parser's words (of libyaml and of PyYAML, which differ) and ours.
_SYNTAX: tuple[tuple[str, str], ...] = (
    ("cannot start any token", "'{character}' cannot start a value; put the text in quotes"),
    ("mapping values are not allowed", "a ':' is not expected here; put the text in quotes, or start a line of its own"),
    ("expected ',' or ']'", "a ',' or the closing ']' is missing before this"),
    ("expected ',' or '}'", "a ',' or the closing '}' is missing before this"),
    ("could not find expected ':'", "a ':' is missing after a name, here or in the line before"),
    ("expected <block end>", "this line does not stand below the one it belongs to; mend its indent"),
    ("did not find expected key", "this line does not stand below the one it belongs to; mend its indent"),
    ("did not find expected '-' indicator", "this line does not stand below the list it belongs to; mend its indent"),
    ("unexpected end of stream", "the quotes that open here are not closed before the end of the file"),
    ("undefined alias", "this is a YAML alias; " + _NO_ALIASES),
    ("found undefined tag handle", "'!' starts a YAML tag; put the text in quotes"),
    ("document start", "a second document starts here; write one a file"),
    ("did not find expected node content", "a value is missing before this"),
    ("expected the node content", "a value is missing before this"),
    ("escape", "a '\\' in double quotes starts an escape; write '\\\\', or use single quotes"),
    ("block sequence entries are not allowed", "a list entry '-' cannot start here; begin a new line"),
)


def _syntax_problem(document: Document, error: yaml.MarkedYAMLError) -> Problem:
    place = error.problem_mark or error.context_mark
    if "end of stream" in (error.problem or "") and error.context_mark is not None:
        place = error.context_mark
    mark = None if place is None else Mark(place.line + 1, place.column + 1)
    line = document.lines[mark.line - 1] if mark and mark.line <= len(document.lines) else ""
    if mark and "\t" in line[: max(mark.column, len(line) - len(line.lstrip()))]:
        column = line.index("\t") + 1
        return document.problem(
            Mark(mark.line, column), "a tab cannot indent a line; use spaces"
        )
    said = " ".join(filter(None, (error.context, error.problem)))
    for words, ours in _SYNTAX:
        if words in said:
            character = line[mark.column - 1 : mark.column] if mark else ""
            return document.problem(mark, ours.replace("{character}", character))
    return document.problem(mark, f"this is not YAML: {said}")
