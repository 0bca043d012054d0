"""From what validation finds to sentences a person can act on, each at its place in the file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import UnionType
from typing import Annotated, Any, TypeVar, Union, get_args, get_origin

from pydantic import Tag, ValidationError

from matbridge.errors import Problem
from matbridge.mapping.document import Document, Path
from matbridge.mapping.fields import OURS, OURS_KEYED, Form, near, said
from matbridge.mapping.reading import AGAIN
from matbridge.mapping.schema_zone import PLAY_KEYS
from matbridge.plain import escaped

Loc = tuple[str | int, ...]
"""Validation's own way to a value: keys and places, and between them the forms it chose."""

F = TypeVar("F", bound=Form)

# Every round takes at least one wrong value out; a file of more has been told enough.
MAX_ROUNDS = 20


def validate(form: type[F], document: Document) -> F | None:
    """The document as `form`, with every problem of it added to the document's.

    What is wrong is taken out and the rest read all the same, so that the stages after this one can
    look for more; None when nothing is left to look at.
    """
    data = document.data
    if not isinstance(data, dict):
        if not document.problems:
            document.problems.append(document.at((), f"{said(data)} is no {_what(form)} file"))
        return None
    pruned = document.pruned
    for path in sorted(document.refused, key=len):
        data = _without(data, path, pruned)
    for _ in range(MAX_ROUNDS):
        try:
            model = form.model_validate(data)
        except ValidationError as error:
            found = error.errors(include_url=False)
        else:
            again = [path for path in document.refused_keys if AGAIN in str(path[-1])]
            if pruned.issuperset(again):
                return model
            for path in again:
                data = _without(data, path, pruned)
            continue
        judged = [(each["type"], *_problem(form, document, data, each)) for each in found]
        for kind, path, problem in judged:
            if path not in document.refused_keys and not _is_consequence(document, kind, path):
                document.problems.append(problem)
        for kind, path, _ in judged:
            data = _without(data, path[:-1] if kind == "missing" else path, pruned)
            if data is None:
                return None
    return None


def _is_consequence(document: Document, kind: str, path: Path) -> bool:
    """Whether an error comes of what was taken out before: in it, all around it, or beside it where
    it told what else there may be."""
    if not document.is_whole(path):
        return True
    return kind == "extra_forbidden" and any(gone[:-1] == path[:-1] for gone in document.pruned)


def shown(problem: Problem, kind: str = "") -> str:
    """A problem as a person is shown it: place and message, the line, and a mark below."""
    text = escaped(f"{_place(problem)}: {kind}{problem.message}")
    if not problem.source:
        return text
    start = max(0, problem.column - LINE_BEFORE)
    before = escaped(problem.source[start : problem.column - 1].replace("\t", " "))
    line = escaped(problem.source[start : start + LINE_SHOWN].replace("\t", " "))
    return f"{text}\n    {line}\n    {' ' * len(before)}^"


def _place(problem: Problem) -> str:
    if not problem.line:
        return problem.path
    return f"{problem.path}:{problem.line}:{problem.column}"


# Of a long line no more is shown than fits a terminal, and so much of it before the place.
LINE_SHOWN = 110
LINE_BEFORE = 80


def context(path: Path) -> str:
    """Where in the file's own terms a path is: "preset 'low tide', zone a1: "; may be empty."""
    return "".join(_context(path)).replace(AGAIN, "")


def _context(path: Path) -> Iterator[str]:
    match path:
        case ("presets", str(preset), *rest):
            yield f"preset '{preset}'"
            yield from _zone_context(rest)
        case ("defaults", *rest):
            yield "defaults"
            yield from _zone_context(rest)
        case ("outputs", str(output), *_):
            yield f"output '{output}': "
        case ("boards", str(board), *_):
            yield f"board '{board}': "
        case ("board", *_):
            yield "board: "
        case ("sensor" | "sensing" | "input" as part, _, *_):
            yield f"{part}: "
        case ("groups", str(group), *_):
            yield f"group '{group}': "
        case ("zones", int(place), *_):
            yield f"zone {place + 1} of the list: "


def _zone_context(rest: list[str | int]) -> Iterator[str]:
    match rest:
        case ["zones", str(zone), "layers", int(layer), *_]:
            yield f", zone {zone}, layer {layer + 1}: "
        case ["zones", str(zone), *_]:
            yield f", zone {zone}: "
        case _:
            yield ": "


def _problem(
    form: type[Form], document: Document, data: object, error: Mapping[str, Any]
) -> tuple[Path, Problem]:
    """The path that an error is about, and the error in our words."""
    kind, context_of, message = error["type"], error.get("ctx", {}), error["msg"]
    loc = error["loc"]
    about_key = bool(loc) and loc[-1] == "[key]"
    path = _path_of(data, loc[:-1] if about_key or kind == "extra_forbidden" else loc, kind)
    owner = next((part for part in reversed(path) if isinstance(part, str)), "the file")
    if kind in (OURS, OURS_KEYED):
        text = context_of["message"]
        if kind == OURS_KEYED and not about_key:
            text = f"{owner} {text}"
        if "key" in context_of:
            path, about_key = (*path, context_of["key"]), context_of["at_key"]
        return path, document.at(path, context(path) + text, key=about_key)
    where = context(path)
    if kind == "missing":
        return path, document.at(path[:-1], f"{context(path)}'{path[-1]}' is missing")
    if kind == "extra_forbidden":
        text = _unknown_key(form, loc, str(loc[-1]))
        return (*path, loc[-1]), document.at((*path, loc[-1]), where + text, key=True)
    return path, document.at(path, where + _type_text(kind, owner, error, context_of, message))


def _unknown_key(form: type[Form], loc: Loc, word: str) -> str:
    owner = _form_at(form, loc)
    keys = [] if owner is None else list(allowed_keys(owner))
    if word in PLAY_KEYS:
        other = next((key for key in keys if key in PLAY_KEYS), None)
        if other is not None:
            return (
                f"'{word}' does not go with '{other}'; a zone plays one of them, or several as "
                "layers"
            )
    return f"unknown key {said(word)}{near(word, keys)}"


def allowed_keys(form: type[Form]) -> Iterator[str]:
    """The keys of a form as a file writes them."""
    for name, field in form.model_fields.items():
        yield field.alias or name


def _form_at(annotation: Any, loc: Loc) -> type[Form] | None:
    """The form that the last but one part of a location stands for."""
    origin = get_origin(annotation)
    if origin is Annotated:
        return _form_at(get_args(annotation)[0], loc)
    if origin in (UnionType, Union):
        for member in get_args(annotation):
            tags = [each.tag for each in get_args(member)[1:] if isinstance(each, Tag)]
            if tags and tags[0] == loc[0]:
                return _form_at(member, loc[1:])
        whole = [member for member in get_args(annotation) if member is not type(None)]
        return _form_at(whole[0], loc) if len(whole) == 1 else None
    if origin in (list, dict):
        return _form_at(get_args(annotation)[-1], loc[1:])
    if not (isinstance(annotation, type) and issubclass(annotation, Form)):
        return None
    if len(loc) == 1:
        return annotation
    for name, field in annotation.model_fields.items():
        if loc[0] in (name, field.alias):
            return _form_at(field.annotation, loc[1:])
    return None


def _type_text(
    kind: str, owner: str, error: Mapping[str, Any], context_of: Mapping[str, Any], message: str
) -> str:
    value = said(error.get("input"))
    match kind:
        case "model_type" | "dict_type" | "model_attributes_type":
            return f"'{owner}' is a mapping with keys of its own, not {value}"
        case "list_type":
            return f"'{owner}' is a list, [...], not {value}"
        case "too_short":
            return f"'{owner}' is empty"
        case "too_long":
            return f"'{owner}' has more than {context_of['max_length']} entries"
    return f"{owner}: {message}"


def _path_of(data: object, loc: tuple[str | int, ...], kind: str) -> Path:
    """Validation's location without the names of forms that it went through."""
    path: list[str | int] = []
    value: Any = data
    for place, part in enumerate(loc):
        last = place == len(loc) - 1
        if isinstance(value, dict) and (part in value or (last and kind == "missing")):
            path.append(part)
            value = value.get(part)
        elif isinstance(value, list) and isinstance(part, int) and part < len(value):
            path.append(part)
            value = value[part]
    return tuple(path)


def _without(data: Any, path: Path, pruned: set[Path]) -> Any:
    """A copy of the data without the innermost named value around a path, or None."""
    while path and not isinstance(path[-1], str):
        path = path[:-1]
    if not path:
        return None
    pruned.add(path)
    copied: Any = dict(data)
    place = copied
    for part in path[:-1]:
        inner = place.get(part) if isinstance(place, dict) else place[part]
        if not isinstance(inner, dict | list):
            return copied
        place[part] = inner.copy()
        place = place[part]
    if isinstance(place, dict):
        place.pop(path[-1], None)
    return copied


def _what(form: type[Form]) -> str:
    return (form.__name__.removesuffix("File")).lower()
