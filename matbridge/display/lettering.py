"""Text in a drawing: as large as fits, and safe in SVG."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from matbridge.plain import escaped

FONT = "system-ui, 'DejaVu Sans', Arial, sans-serif"

# How wide a letter of a bold sans-serif is on average, as a share of the size of the text.
LETTER = 0.66

# From one line to the next, as a share of the size of the text.
LEADING = 1.12


def fitted(
    text: str, width: float, height: float, largest: float, smallest: float
) -> tuple[float, list[str]]:
    """The size and the lines in which a text fits best into a rectangle.

    Nothing is left out: a text too long even for `smallest` runs over its rectangle.
    """
    size = largest
    while size > smallest:
        lines = wrapped(text, width / (size * LETTER))
        widest = max(map(len, lines), default=0) * size * LETTER
        if widest <= width and len(lines) * size * LEADING <= height:
            return size, lines
        size *= 0.94
    return smallest, wrapped(text, width / (smallest * LETTER))


def wrapped(text: str, letters: float) -> list[str]:
    """A text in lines of so many letters, broken at spaces only."""
    lines: list[str] = []
    for word in text.split():
        if lines and len(lines[-1]) + 1 + len(word) <= letters:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines


def cut(lines: Sequence[str], most: int) -> list[str]:
    """At most so many lines (at least one), with a sign where some are left out."""
    kept = list(lines[: max(1, most)])
    if len(kept) < len(lines):
        kept[-1] = f"{kept[-1].rstrip(',')} ..."
    return kept


def text_at(
    x: float, y: float, text: str, size: float, *, anchor: str = "start", style: str = ""
) -> str:
    """One line of text with its baseline at y."""
    more = f" {style}" if style else ""
    return (
        f'<text x="{x:.2f}" y="{y:.2f}" font-size="{size:.2f}" text-anchor="{anchor}"{more}>'
        f"{safe(text)}</text>"
    )


def block(x: float, y: float, lines: Sequence[str], size: float, style: str = "") -> list[str]:
    """Lines of text with the middle of all of them at x and y."""
    top = y - (len(lines) - 1) * size * LEADING / 2 + size * 0.35
    return [
        text_at(x, top + number * size * LEADING, line, size, anchor="middle", style=style)
        for number, line in enumerate(lines)
    ]


def safe(text: str) -> str:
    """A text as it may stand in SVG and HTML."""
    return escape(escaped(text))
