"""Values that may take several forms, told apart by one look, so that one mistake is one error."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from pydantic import Discriminator, Tag
from pydantic_core import PydanticCustomError

from matbridge.mapping.fields import OURS_KEYED, Form, Rule, near, refusal, said


def form(name: str) -> Tag:
    """The tag of a form. No key of a file can be mistaken for it: it begins with a NUL."""
    return Tag(FORM_SIGN + name)


FORM_SIGN = "\0"

# The branch that refuses what fits no form, a value that is a single word, a list of several, and
# one by itself.
NO_FORM = form("?")
WORD = form("word")
SEVERAL = form("several")
ONE = form("one")


def by_key(
    keys: Iterable[str] | Mapping[str, str], *, word: bool = False, empty: str | None = None
) -> Discriminator:
    """Tells forms apart by the first of `keys` that a mapping has; each is a form of that name, or
    of the name that it maps to.

    word: a single word or number is a form too, WORD. empty: the form of a mapping that has none of
    the keys.
    """
    named = keys if isinstance(keys, Mapping) else {key: key for key in keys}
    tags = {key: form(name).tag for key, name in named.items()}
    other = NO_FORM.tag if empty is None else form(empty).tag
    single = WORD.tag if word else NO_FORM.tag

    def tag(value: Any) -> str:
        if isinstance(value, dict):
            return next((tags[key] for key in tags if key in value), other)
        if isinstance(value, str | int) and not isinstance(value, bool):
            return single
        if isinstance(value, Form):
            # A form that has been read already knows its own key.
            return next((tags[key] for key in tags if hasattr(value, key)), other)
        return NO_FORM.tag

    return Discriminator(tag)


def by_value(key: str, values: Iterable[str]) -> Discriminator:
    """Tells forms apart by what `key` says."""
    tags = {value: form(value).tag for value in values}

    def tag(value: Any) -> str:
        found = value.get(key) if isinstance(value, dict) else getattr(value, key, None)
        return tags.get(found, NO_FORM.tag) if isinstance(found, str) else NO_FORM.tag

    return Discriminator(tag)


def one_or_several(*, word: bool = True) -> Discriminator:
    """Tells a word (where there may be one), a list, and one by itself apart."""

    def tag(value: Any) -> str:
        if word and isinstance(value, str):
            return WORD.tag
        return SEVERAL.tag if isinstance(value, list | tuple) else ONE.tag

    return Discriminator(tag)


def word_or_form() -> Discriminator:
    """Tells a word or number and a form apart."""

    def tag(value: Any) -> str:
        word = isinstance(value, str | int) and not isinstance(value, bool)
        return WORD.tag if word else ONE.tag

    return Discriminator(tag)


def no_form_by_key(what: str, example: str, keys: Iterable[str]) -> Rule:
    """The branch for a mapping that has none of `keys`, or no mapping."""
    order = tuple(keys)

    def refuse(value: Any) -> Any:
        if not isinstance(value, dict):
            raise refusal(f"{said(value)} is not {what}; write {example}, for example")
        if len(value) == 1:
            (word,) = value
            raise refusal(
                f"unknown key {said(word)} in {what}{near(word, order)}", key=word, at_key=True
            )
        raise refusal(f"{what} says one of: {', '.join(order)}")

    return Rule(refuse, None)


def no_form_by_value(noun: str, key: str, values: Iterable[str], example: str) -> Rule:
    """The branch for a mapping whose `key` says nothing known, or no mapping."""
    what = f"a {noun}"
    known = tuple(values)

    def refuse(value: Any) -> Any:
        if not isinstance(value, Mapping):
            raise refusal(f"{said(value)} is not {what}; write {example}, for example")
        if key not in value:
            raise refusal(f"{what} needs '{key}': {', '.join(known)}")
        written = value[key]
        hint = (
            near(written, known) if isinstance(written, str) else f"; allowed: {', '.join(known)}"
        )
        named = noun if key != "type" else f"{noun} type"
        raise refusal(f"unknown {named} {said(written)}{hint}", key=key)

    return Rule(refuse, None)


class Keyed(NamedTuple):
    """A mapping of one key, read: `{power: 0.7}`."""

    key: str
    value: Any


class Choice(NamedTuple):
    """One of the keys that a mapping of one key may have."""

    rule: Rule
    description: str


def one_key(
    what: str, choices: Mapping[str, Choice], example: str, word: Rule | None = None
) -> Rule:
    """A mapping of exactly one of some keys, read as Keyed; or what `word` reads, where given."""

    def check(value: Any) -> Any:
        if isinstance(value, Keyed):
            return value
        if not isinstance(value, dict):
            if word is not None and isinstance(value, str | int) and not isinstance(value, bool):
                return word.check(value)
            raise refusal(f"{said(value)} is not {what}; write {example}, for example")
        known = [key for key in value if key in choices]
        for key in value:
            if key not in choices:
                raise refusal(
                    f"unknown key {said(key)} in {what}{near(key, choices)}", key=key, at_key=True
                )
        if len(known) != 1:
            raise refusal(f"{what} says one of: {', '.join(choices)}")
        (key,) = known
        try:
            return Keyed(key, choices[key].rule.check(value[key]))
        except PydanticCustomError as error:
            context = error.context or {}
            text = context["message"]
            if error.type == OURS_KEYED:
                text = f"{key} {text}"
            raise refusal(text, key=key) from None

    def written(value: Any) -> Any:
        return (
            {value.key: choices[value.key].rule.written(value.value)}
            if isinstance(value, Keyed)
            else value
        )

    forms: list[dict[str, Any]] = [
        {
            "type": "object",
            "properties": {key: {**(choice.rule.shown or {}), "description": choice.description}},
            "required": [key],
            "additionalProperties": False,
        }
        for key, choice in choices.items()
    ]
    if word is not None and word.shown is not None:
        forms.insert(0, dict(word.shown))
    return Rule(check, {"anyOf": forms}, written)
