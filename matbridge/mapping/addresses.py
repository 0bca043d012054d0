"""Addresses of the network as a file writes them."""

from __future__ import annotations

import ipaddress
import re
from typing import Any

from matbridge.mapping.fields import Rule, line_of_text, refusal, said

# RTP-MIDI takes two ports, the one that is written and the next.
LAST_PORT = 65_534

ANYONE = "any"

_TEXT = line_of_text("an address", r"[0-9A-Za-z.:/%\[\]]+", 60)

# [ADDRESS]:PORT, ADDRESS:PORT with no more than one colon, or an address alone.
_BRACKETS = re.compile(r"\[([^]]+)\](?::([0-9]{1,5}))?")
_ONE_COLON = re.compile(r"([^:]+):([0-9]{1,5})")


def _peer(value: Any) -> Any:
    text: str = _TEXT.check(value)
    match = _BRACKETS.fullmatch(text) or _ONE_COLON.fullmatch(text)
    address, port = match.groups() if match else (text, None)
    if port is not None and not 1 <= int(port) <= LAST_PORT:
        raise refusal(f"port {port} of {said(text)} is not within 1-{LAST_PORT}")
    if not _is_address(address):
        example = "192.168.1.20, 192.168.1.20:5006 or '[fe80::1]:5006'"
        raise refusal(f"{said(text)} is no address; write {example}")
    return text


def _is_address(text: str) -> bool:
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return False
    return True


def _allowed(value: Any) -> Any:
    if value == ANYONE:
        return [ANYONE]
    if not isinstance(value, list):
        raise refusal(f"{said(value)} is neither any nor a list of networks, [192.168.1.0/24]")
    for each in value:
        if each != ANYONE and not _is_network(_TEXT.check(each)):
            raise refusal(f"{said(each)} is no network; write 192.168.1.0/24, for example")
    return value


def _is_network(text: str) -> bool:
    try:
        ipaddress.ip_network(text, strict=False)
    except ValueError:
        return False
    return True


PEER = Rule(_peer, {"type": "string", "minLength": 1})
ALLOWED = Rule(
    _allowed,
    {
        "anyOf": [
            {"const": ANYONE},
            {"type": "array", "items": {"type": "string", "minLength": 1}},
        ]
    },
)
