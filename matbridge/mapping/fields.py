"""The kinds of value that the two files are made of, each with its own words for what is wrong.

A value that is refused raises PydanticCustomError with a whole sentence: the value, what is
allowed, and a near word where there is one. `problems.py` only adds the place.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, PydanticOmit, core_schema

from matbridge.mapping.notes import note_number
from matbridge.plain import escaped

# The types of our own errors. `problems.py` shows the message of the first as it is, and that of
# the second after the name of the key. A `key` in the context moves the place to that key of the
# value.
OURS = "refused"
OURS_KEYED = "refused value"


class Form(BaseModel):
    """A mapping in a file: only known keys, no value turned into another, never changed."""

    model_config = ConfigDict(
        extra="forbid", strict=True, frozen=True, allow_inf_nan=False, populate_by_name=True
    )


def refusal(message: str, *, key: str | None = None, at_key: bool = False) -> PydanticCustomError:
    """An error whose text is `message`, braces and all.

    key: the error is about what this key of the value says, or with `at_key` about the key itself.
    """
    context: dict[str, Any] = {"message": message}
    if key is not None:
        context |= {"key": key, "at_key": at_key}
    return PydanticCustomError(OURS, "{message}", context)


def refused_value(message: str) -> PydanticCustomError:
    """An error that reads on from the name of the key: "17 is not within 1-16"."""
    return PydanticCustomError(OURS_KEYED, "{message}", {"message": message})


def near(word: str, words: Iterable[str]) -> str:
    """ "; did you mean 'x'?" when one of `words` is near; otherwise all of them, if few."""
    known = list(words)
    folded = {_fold(each): each for each in reversed(known)}
    found = get_close_matches(_fold(word), folded, n=1, cutoff=0.6)
    if not found and len(word) >= LEAST_PART:
        found = [each for each in folded if _fold(word) in each][:1]
    hint = f"; did you mean '{folded[found[0]]}'?" if found else ""
    if not known or (found and not 1 < len(known) <= FEW):
        return hint
    shown = ", ".join(known[:MANY]) + (", ..." if len(known) > MANY else "")
    return f"{hint} allowed: {shown}" if found else f"; allowed: {shown}"


# More words than this are cut: a message is one line.
MANY = 40

# A word of at least so many letters may be a part of the one that was meant.
LEAST_PART = 4

# So many are listed even when one of them is near.
FEW = 6


def _fold(word: str) -> str:
    return word.casefold().replace("-", " ").replace("_", " ")


def said(value: object) -> str:
    """A value as it may stand in a message: short, and never more than a line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        text = value if len(value) <= LONG else value[:LONG] + "..."
        return f"'{escaped(text)}'"
    if isinstance(value, int | float):
        return str(value)
    if value is None:
        return "nothing"
    return "a list" if isinstance(value, list) else "a mapping"


LONG = 60


def _as_it_is(value: Any) -> Any:
    return value


@dataclass(frozen=True, slots=True, eq=False)
class Rule:
    """A value checked by `check(value) -> value`, which raises `refusal` or `refused_value`.

    shown: its JSON Schema; None for a branch that only exists to refuse. written: the value as a
    file would write it.
    """

    check: Callable[[Any], Any]
    shown: Mapping[str, Any] | None
    written: Callable[[Any], Any] = _as_it_is

    def __get_pydantic_core_schema__(
        self, _source: object, _handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(
            self.check,
            serialization=core_schema.plain_serializer_function_ser_schema(self.written),
        )

    def __get_pydantic_json_schema__(
        self, _schema: CoreSchema, _handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        if self.shown is None:
            raise PydanticOmit
        return dict(self.shown)


def between(low: float, high: float) -> str:
    """ "1-16", or "-12 to 12"."""
    return f"{low}-{high}" if low >= 0 else f"{low} to {high}"


def whole(low: int, high: int) -> Rule:
    """A whole number from `low` to `high`."""

    def check(value: object) -> int:
        if isinstance(value, bool) or not isinstance(value, int):
            raise refused_value(f"{said(value)} is not a whole number {between(low, high)}")
        if not low <= value <= high:
            raise refused_value(f"{value} is not within {between(low, high)}")
        return value

    return Rule(check, {"type": "integer", "minimum": low, "maximum": high})


def number(low: float, high: float, *, above: bool = False) -> Rule:
    """A number from `low` to `high`, or, with `above`, from above `low`."""
    allowed = f"above {low:g} and up to {high:g}" if above else f"within {between(low, high)}"

    def check(value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise refused_value(f"{said(value)} is not a number {allowed}")
        if not low <= value <= high or (above and value == low):
            raise refused_value(f"{value:g} is not {allowed}")
        return float(value)

    lowest = {"exclusiveMinimum": low} if above else {"minimum": low}
    return Rule(check, {"type": "number", **lowest, "maximum": high})


def one_of(what: str, words: Iterable[str], also: Mapping[str, str] | None = None) -> Rule:
    """One of some words; `also` are other spellings and the word they stand for.

    Capitals, hyphens and underscores make no difference to names of sounds and scales.
    """
    known = list(words)
    meant = {_fold(word): word for word in known}
    spellings = dict(also or {})

    def check(value: object) -> str:
        text = str(value) if isinstance(value, int) and not isinstance(value, bool) else value
        if not isinstance(text, str):
            raise refusal(f"{said(value)} is not a {what}; allowed: {', '.join(known[:MANY])}")
        word = spellings.get(text) or meant.get(_fold(text))
        if word is None:
            raise refusal(f"unknown {what} {said(text)}{near(text, [*known, *spellings])}")
        return word

    numbers = [int(word) for word in known if word.isdecimal()]
    return Rule(check, {"enum": [*known, *numbers, *spellings]})


def _flag(value: object) -> bool:
    if not isinstance(value, bool):
        raise refused_value(f"{said(value)} is neither true nor false")
    return value


# One line: no control characters.
ANY_TEXT = r"[^\x00-\x1f\x7f]+"


def line_of_text(what: str, pattern: str = ANY_TEXT, longest: int = 200) -> Rule:
    """One line of text, not empty, whole within `pattern`."""
    compiled = re.compile(pattern)

    def check(value: object) -> str:
        if not isinstance(value, str):
            missing = value is None or isinstance(value, list | dict)
            raise refusal(f"{said(value)} is not {what}{'' if missing else '; put it in quotes'}")
        if len(value) > longest:
            raise refusal(f"{what} of {len(value)} letters is too long; at most {longest}")
        if not compiled.fullmatch(value):
            raise refusal(f"{said(value)} is not {what}")
        return value

    shown: dict[str, Any] = {"type": "string", "minLength": 1, "maxLength": longest}
    if pattern != ANY_TEXT:
        shown["pattern"] = f"^({pattern})$"
    return Rule(check, shown)


class WrittenNote(int):
    """A note number that knows how it was written."""

    written: int | str


def _note(value: object) -> WrittenNote:
    if isinstance(value, int) and not isinstance(value, bool):
        number = value
    elif isinstance(value, str):
        try:
            number = note_number(value)
        except ValueError as error:
            raise refusal(str(error)) from None
    else:
        raise refusal(f"{said(value)} is not a note; write a name such as D3, or a number 0-127")
    if not 0 <= number <= 127:
        which = f"note {value}" if number == value else f"note {said(value)}, number {number},"
        raise refusal(f"{which} is not within 0-127, C-1 to G9")
    note = WrittenNote(number)
    note.written = value
    return note


def _pair(value: object, low: float, high: float, what: str) -> tuple[float, float]:
    if not isinstance(value, list) or len(value) != 2:
        example = f"[{low:g}, {high:g}]" if high <= 127 else "[20, 40]"
        raise refusal(f"{what} is written as two numbers: {example}, for example")
    for each in value:
        if isinstance(each, bool) or not isinstance(each, int | float):
            raise refused_value(f"{said(each)} is not a number; {what} is two of them")
        if not low <= each <= high:
            raise refused_value(f"{each:g} is not within {between(low, high)}")
    return value[0], value[1]


def pair_of_numbers(low: float, high: float, what: str) -> Rule:
    """Two numbers in any order."""
    shown = {
        "type": "array",
        "items": {"type": "number", "minimum": low, "maximum": high},
        "minItems": 2,
        "maxItems": 2,
    }
    return Rule(lambda value: _pair(value, low, high, what), shown)


def span(low: int, high: int, *, falling: bool = False) -> Rule:
    """A range of whole numbers, `[lowest, highest]`; with `falling` also from high to low."""

    def check(value: object) -> tuple[int, int]:
        first, last = _pair(value, low, high, "a range")
        if not isinstance(first, int) or not isinstance(last, int):
            raise refusal("a range is written in whole numbers")
        if first > last and not falling:
            raise refusal(f"the range goes from {first} down to {last}; write [{last}, {first}]")
        return first, last

    shown = {
        "type": "array",
        "items": {"type": "integer", "minimum": low, "maximum": high},
        "minItems": 2,
        "maxItems": 2,
    }
    return Rule(check, shown)


# The systems of ports that may be on a machine.
DRIVERS = ("auto", "alsa", "jack", "coremidi")

Driver = Annotated[str, one_of("driver", DRIVERS)]
DRIVER_TEXT = "The MIDI system: auto (the first that is there), alsa, jack or coremidi."

Flag = Annotated[bool, Rule(_flag, {"type": "boolean"})]
Channel = Annotated[int, whole(1, 16)]
NOTE = Rule(
    _note,
    {
        "anyOf": [
            {"type": "integer", "minimum": 0, "maximum": 127},
            {"type": "string", "pattern": "^[A-G](##?|bb?)?(-1|[0-9])$"},
        ]
    },
    written=lambda note: getattr(note, "written", note),
)
Note = Annotated[int, NOTE]
Name = Annotated[str, line_of_text("a name")]
Position = Annotated[tuple[float, float], pair_of_numbers(-100_000, 100_000, "a place in cm")]
