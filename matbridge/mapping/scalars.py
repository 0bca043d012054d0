"""Unquoted words of a YAML file: which are numbers or truths, and which are refused."""

from __future__ import annotations

import re
from collections.abc import Callable

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
    (
        re.compile(r"(True|TRUE|False|FALSE)\Z"),
        "write it in small letters, or in quotes for a name",
    ),
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


def _number(text: str, convert: Callable[[str], object]) -> tuple[object, str | None]:
    if len(text) > _MAX_DIGITS:
        return text, f"a number of {len(text)} digits is too long"
    return convert(text), None
