"""Unquoted words of a YAML file: which are numbers or truths, and which are refused."""

from __future__ import annotations

import re
from collections.abc import Callable

_WHOLE = re.compile(r"[-+]?(0|[1-9][0-9]*)\Z")
_HEX = re.compile(r"0x[0-9a-fA-F]+\Z")
_DECIMAL = re.compile(r"[-+]?(0|[1-9][0-9]*)?\.[0-9]+\Z")

# Plain text that readers of YAML 1.1, of YAML 1.2 and of plain sense take for different things.
# {0} is the word, {1} its digits without zeros before them.
_SURPRISES: tuple[tuple[re.Pattern[str], str], ...] = (
    (
        re.compile(r"(yes|Yes|YES|on|On|ON)\Z"),
        "'{0}' is true to some readers of YAML; write true for a choice, or \"{0}\" for a name",
    ),
    (
        re.compile(r"(no|No|NO|off|Off|OFF)\Z"),
        "'{0}' is false to some readers of YAML; write false for a choice, or \"{0}\" for a name",
    ),
    (
        re.compile(r"(True|TRUE|False|FALSE)\Z"),
        "'{0}' is written in small letters, or as \"{0}\" for a name",
    ),
    (
        re.compile(r"[-+]?0[0-9]+\Z"),
        "'{0}' is counted in eights by some readers of YAML; write {1}, or \"{0}\" for a name",
    ),
    (re.compile(r"0[bo][0-9]+\Z"), "'{0}' is no number here; write it in tens, or as 0x..."),
    (
        re.compile(r"[-+]?[0-9][0-9_]*(:[0-5]?[0-9])+(\.[0-9_]*)?\Z"),
        "'{0}' is counted in sixties by some readers of YAML; write a number, or \"{0}\"",
    ),
    (
        re.compile(r"[-+]?(0x)?[0-9a-fA-F]*[0-9]_[0-9_]*\Z"),
        "'{0}' is no number here; write it without '_'",
    ),
    (
        re.compile(r"[-+]?([0-9]+\.?[0-9]*|\.[0-9]+)[eE][-+]?[0-9]+\Z"),
        "'{0}' is text to some readers of YAML; write the number out, without a power of ten",
    ),
    (re.compile(r"[-+]?[0-9]+\.\Z"), "'{0}' has no digit after its point; write {0}0"),
    (re.compile(r"[-+]?\.(inf|Inf|INF|nan|NaN|NAN)\Z"), "'{0}' is no number here; write one"),
    (
        re.compile(r"[0-9]{4}-[0-9]{1,2}-[0-9]{1,2}([Tt ].*)?\Z"),
        "'{0}' is a date to some readers of YAML; write \"{0}\"",
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
            return text, advice.format(text, digits)
    return text, None


# More digits than any number here can need; int() of a long one costs its square.
_MAX_DIGITS = 30


def _number(text: str, convert: Callable[[str], object]) -> tuple[object, str | None]:
    if len(text) > _MAX_DIGITS:
        return text, f"a number of {len(text)} digits is too long"
    return convert(text), None
