"""JSON and Unix sockets for commands that have no time to load the modules of those names.

`import json, socket` doubles the time of a command that asks a running bridge for a preset: json
loads regular expressions, socket builds enumerations. Both are shells around C modules, which are
used here directly; where an interpreter has no such modules, the shells do the same.
"""

from __future__ import annotations

TYPE_CHECKING = False
if TYPE_CHECKING:
    from socket import socket as UnixSocket  # noqa: N812 - what both have in common
    from typing import Any

# What JSON allows around a value (RFC 8259, section 2).
SPACE = " \t\n\r"


def connect(path: str, patience_s: float) -> UnixSocket:
    """A connection to the socket at `path`; whoever has it closes it. Raises OSError."""
    try:
        import _socket as sockets
    except ImportError:
        import socket as sockets  # type: ignore[no-redef]
    made: Any = sockets.socket(sockets.AF_UNIX, sockets.SOCK_STREAM)
    try:
        made.settimeout(patience_s)
        made.connect(path)
    except OSError:
        made.close()
        raise
    connection: UnixSocket = made
    return connection


def to_json(fields: dict[str, object]) -> str:
    """An object of texts, integers and truths, as json.dumps writes it."""
    try:
        from _json import encode_basestring_ascii as quoted
    except ImportError:
        from json import dumps as quoted
    return (
        "{"
        + ", ".join(
            f"{quoted(name)}: {quoted(value) if isinstance(value, str) else str(value).lower()}"
            for name, value in fields.items()
        )
        + "}"
    )


def from_json(text: str) -> object:
    """What json.loads gives for a text. Raises ValueError for what is not JSON."""
    try:
        from _json import make_scanner
    except ImportError:
        from json import loads

        return loads(text)
    text = text.strip(SPACE)
    try:
        settings: Any = _Settings
        value, end = make_scanner(settings)(text, 0)
    except StopIteration:
        raise ValueError("no JSON") from None
    if end != len(text):
        raise ValueError("more than one JSON value")
    return value


class _Settings:
    """What the scanner asks a decoder for: json.JSONDecoder's own defaults."""

    strict = True
    object_hook = None
    object_pairs_hook = None
    parse_float = float
    parse_int = int
    parse_constant = float
    memo: dict[str, str] = {}  # noqa: RUF012 - asked for, and not used
