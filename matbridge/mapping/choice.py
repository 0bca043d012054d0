"""Values that may take several forms, told apart by one look, so that one mistake is one error."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from pydantic import Discriminator
from pydantic_core import PydanticCustomError

from matbridge.mapping.fields import OURS_KEYED, Rule, near, refusal, said

# The tag of the branch that refuses what fits no form, and of a value that is a single word.
NO_FORM = "?"
WORD = "word"

# The tags of a list of several, and of one by itself.
SEVERAL = "several"
ONE = "one"


def by_key(keys: Iterable[str], *, word: bool = False, empty: str | None = None) -> Discriminator:
    """Tells forms apart by the first of `keys` that a mapping has.

    word: a single word or number is a form too, with tag WORD. empty: the tag of a mapping that has
    none of the keys.
    """
    order = tuple(keys)

    def tag(value: Any) -> str:
        if isinstance(value, dict):
            found = next((key for key in order if key in value), empty)
            return NO_FORM if found is None else found
        if isinstance(value, str | int) and not isinstance(value, bool):
            return WORD if word else NO_FORM
        # A form that has been read already knows its own key.
        found = next((key for key in order if getattr(value, key, None) is not None), empty)
        return NO_FORM if found is None else found

    return Discriminator(tag)


def by_value(key: str, values: Iterable[str]) -> Discriminator:
    """Tells forms apart by what `key` says."""
    known = frozenset(values)

    def tag(value: Any) -> str:
        found = value.get(key) if isinstance(value, dict) else getattr(value, key, None)
        return found if isinstance(found, str) and found in known else NO_FORM

    return Discriminator(tag)


def one_or_several(*, word: bool = True) -> Discriminator:
    """Tells a word (where there may be one), a list, and one by itself apart."""

    def tag(value: Any) -> str:
        if word and isinstance(value, str):
            return WORD
        return SEVERAL if isinstance(value, list | tuple) else ONE

    return Discriminator(tag)


def word_or_form() -> Discriminator:
    """Tells a word or number and a form apart."""
    return Discriminator(
        lambda value: WORD if isinstance(value, str | int) and not isinstance(value, bool) else ONE
    )


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


def no_form_by_value(what: str, key: str, values: Iterable[str], example: str) -> Rule:
    """The branch for a mapping whose `key` says nothing known, or no mapping."""
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
        raise refusal(f"unknown {what.split(' ', 1)[-1]} {key} {said(written)}{hint}", key=key)

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
