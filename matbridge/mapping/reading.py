"""One YAML file to a document.

What is taken is a small, predictable part of YAML: mappings with plain keys, lists, text, whole and
decimal numbers, `true` and `false`. YAML 1.1 reads `on` as true, `12:30` as 750 and `010` as 8,
keeps the last of two equal keys and lets aliases multiply; here each of these is a problem that
says what to write instead. Everything is walked over the parser's events, so that no depth of
nesting can exhaust the stack, and a file is given up early when it is too large or too deep.
"""

from __future__ import annotations

import re
from typing import Any

import yaml

from matbridge.mapping.document import Document, Mark, Path
from matbridge.mapping.scalars import plain
from matbridge.mapping.syntax import MAX_DEPTH, NO_ALIASES, syntax_problem

# A show of 50 presets over 24 zones, every zone written out, takes about 100 KiB.
MAX_BYTES = 1024 * 1024

# Reported problems of one file; past it a file is no performance but something else.
MAX_PROBLEMS = 100

# What follows a key that is written twice, to keep the second apart.
AGAIN = "\0"

# libyaml, which reads ten times faster, where PyYAML was built with it.
LOADER: type = getattr(yaml, "CLoader", yaml.Loader)

# What YAML does not allow in a stream; and three characters that end a line for some readers of
# YAML and for no editor, so that places would not be where they are said to be.
_UNPRINTABLE = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\ufffe\uffff\ud800-\udfff]"
)


def read(data: bytes, path: str) -> Document:
    """A file's bytes as a document; never raises for any bytes, `problems` says what is wrong.

    `path` is only for the problems. A file that is no YAML has one problem more and no data.
    """
    if len(data) > MAX_BYTES:
        document = Document(path, [])
        message = f"the file is larger than {MAX_BYTES} bytes, and no performance is"
        document.problems.append(document.problem(None, message))
        return document
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = data[: error.start].decode("utf-8-sig", "replace")
        message = f"byte {data[error.start]:#04x} is not UTF-8 text; save the file as UTF-8"
        return _unreadable(path, before, before, message)
    # No line end but these counts in YAML 1.2, or in an editor that shows line numbers.
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    unprintable = _UNPRINTABLE.search(text)
    if unprintable:
        message = f"the character {unprintable[0]!a} cannot stand in a YAML file; remove it"
        return _unreadable(path, text, text[: unprintable.start()], message)
    document = Document(path, text.split("\n"))
    try:
        _Builder(document).build(text)
    except _GivenUp:
        document.data = None
    except yaml.MarkedYAMLError as error:
        document.data = None
        document.problems.append(syntax_problem(document, error))
    return document


def _unreadable(path: str, text: str, before: str, message: str) -> Document:
    """A document whose text cannot be parsed from where `before` ends."""
    document = Document(path, text.split("\n"))
    mark = Mark(before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1)
    document.problems.append(document.problem(mark, message))
    return document


class _GivenUp(Exception):
    """Reading on would make no sense; the reason is in the document's problems."""


class _Open:
    """A mapping or list that is being read. key: in a mapping, whose value comes next."""

    __slots__ = ("key", "keys", "path", "value")

    def __init__(self, value: Any, path: Path, *, keys: bool) -> None:
        self.value = value
        self.path = path
        self.keys = keys
        self.key: str | None = None

    @property
    def wants_key(self) -> bool:
        return self.keys and self.key is None

    @property
    def next_path(self) -> Path:
        """Where the next value goes; of a mapping, once its key is known."""
        return (*self.path, len(self.value) if self.key is None else self.key)


class _Builder:
    """Events to data: a stack of open collections, innermost last."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.stack: list[_Open] = []
        self.documents = 0

    def build(self, text: str) -> None:
        for event in yaml.parse(text, Loader=LOADER):
            match event:
                case yaml.ScalarEvent():
                    self.scalar(event)
                case yaml.MappingStartEvent():
                    self.open(event, {}, keys=True)
                case yaml.SequenceStartEvent():
                    self.open(event, [], keys=False)
                case yaml.CollectionEndEvent():
                    self.stack.pop()
                case yaml.AliasEvent():
                    self.alias(event)
                case yaml.DocumentStartEvent():
                    self.documents += 1
                    if self.documents > 1:
                        self.give_up(event, "a second document starts here; write one a file")
        if self.document.data is None and not self.document.problems:
            self.document.problems.append(self.document.problem(None, "the file is empty"))

    def open(self, event: Any, value: Any, *, keys: bool) -> None:
        if len(self.stack) >= MAX_DEPTH:
            self.give_up(event, f"this is nested more than {MAX_DEPTH} deep")
        if self.stack and self.stack[-1].wants_key:
            self.give_up(event, "a list or mapping cannot be a key; a key is one word or name")
        self.properties(event)
        path = self.place(value, _mark(event))
        self.stack.append(_Open(value, path, keys=keys))

    def alias(self, event: Any) -> None:
        message = f"'*{event.anchor}' is a YAML alias; {NO_ALIASES}"
        if self.stack and self.stack[-1].wants_key:
            self.give_up(event, message)
        self.refuse(self.place(None, _mark(event)), _mark(event), message)

    def scalar(self, event: Any) -> None:
        self.properties(event)
        if self.stack and self.stack[-1].wants_key:
            self.key(event)
            return
        value, trouble = (event.value, None) if event.style else plain(event.value)
        path = self.place(value, _mark(event))
        if path in self.document.refused:
            return
        if value is None and path:
            trouble = self.nothing(path, event)
        if trouble is not None:
            self.refuse(path, _mark(event), trouble)

    def nothing(self, path: Path, event: Any) -> str:
        """What to say where a value is missing, or written as null."""
        # At the end of a file libyaml gives a place behind the last line.
        line = self.document.lines[event.start_mark.line : event.start_mark.line + 1]
        rest = "".join(line)[event.start_mark.column :].lstrip()
        owner = f"'{path[-1]}'" if isinstance(path[-1], str) else "this entry of a list"
        if rest.startswith("#") and rest[1:2] not in ("", " ", "#"):
            return f"nothing is written for {owner}: '#' starts a comment; put the value in quotes"
        return f"nothing is written for {owner}; give it a value, or leave it out"

    def key(self, event: Any) -> None:
        top, text, mark = self.stack[-1], event.value, _mark(event)
        trouble: str | None = None
        path = (*top.path, text)
        if text in top.value:
            first = self.document.key_marks[path]
            # The second is read all the same, under a name that nobody can write.
            text = f"{text}{AGAIN}{mark.line}:{mark.column}"
            path = (*top.path, text)
            trouble = f"'{event.value}' is written twice; it is also in line {first.line}"
        elif not event.style:
            value, trouble = plain(text)
            if text == "<<":
                trouble = f"'<<' merges mappings; {NO_ALIASES}"
            elif value is None:
                trouble = "a name is missing before the ':'"
            elif isinstance(value, bool):
                trouble = f"'{text}' cannot be a name; put it in quotes: \"{text}\""
        if trouble is not None:
            self.document.refused_keys.add(path)
            self.report(mark, trouble)
        top.key = text
        self.document.key_marks[path] = mark

    def place(self, value: object, mark: Mark) -> Path:
        """Put a value where it belongs; the path to it."""
        path: Path = ()
        if not self.stack:
            self.document.data = value
        else:
            top = self.stack[-1]
            path = top.next_path
            if top.key is None:
                top.value.append(value)
            else:
                top.value[top.key] = value
                top.key = None
        self.document.marks[path] = mark
        return path

    def properties(self, event: Any) -> None:
        """Refuse what YAML can say before a value: an anchor or a tag."""
        if event.anchor is not None:
            message = f"'&{event.anchor}' is a YAML anchor; {NO_ALIASES}"
        elif event.tag is not None:
            tag = event.tag.replace("tag:yaml.org,2002:", "!!")
            message = f"'{tag}' is a YAML tag; leave it out, or put the text in quotes"
        else:
            return
        if self.stack and self.stack[-1].wants_key:
            self.give_up(event, message)
        self.refuse(self.stack[-1].next_path if self.stack else (), _mark(event), message)

    def refuse(self, path: Path, mark: Mark, message: str) -> None:
        self.document.refused.add(path)
        self.report(mark, message)

    def report(self, mark: Mark, message: str) -> None:
        self.document.problems.append(self.document.problem(mark, message))
        if len(self.document.problems) > MAX_PROBLEMS:
            raise _GivenUp

    def give_up(self, event: Any, message: str) -> None:
        self.report(_mark(event), message)
        raise _GivenUp


def _mark(event: Any) -> Mark:
    return Mark(event.start_mark.line + 1, event.start_mark.column + 1)
