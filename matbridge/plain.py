"""Text from a board, a file or a port, made fit for a terminal and a log."""

from __future__ import annotations


def escaped(text: str) -> str:
    """The text with control characters, and all else that does not print, as escapes."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
