"""Names of MIDI ports: what a system accepts, and which port a pattern means.

A system lists a port as `client:port`, and ALSA adds ` 20:0`, numbers that change from plug to
plug. A pattern is held, without regard to case, against the whole name, the client and the port;
`*` and `?` stand for any text and any character. ` #2` after a pattern takes the second of the
ports that it fits.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from fnmatch import fnmatchcase

from matbridge.errors import OutputAmbiguous, OutputUnavailable

# JACK refuses a client name of 64 bytes with a text about something else, and adds to a name that
# is taken; CoreMIDI and ALSA take more. Half of that is longer than any screen shows.
MAX_NAME = 32

_NUMBERS = re.compile(r" \d+:\d+$")
_ORDINAL = re.compile(r"(?P<pattern>.*\S)\s+#(?P<place>[1-9]\d*)")
_UNFIT = re.compile(r"[^ -9;-~]")


def valid_name(name: str) -> str:
    """`name`, if every system takes it for a port of ours; raises OutputUnavailable if not."""
    if 0 < len(name) <= MAX_NAME and not _UNFIT.search(name) and name.strip() == name:
        return name
    raise OutputUnavailable(
        f"'{name}' cannot name a MIDI port: use 1 to {MAX_NAME} letters, digits, spaces and signs "
        "of ASCII, but no colon"
    )


def fit_name(name: str) -> str:
    """A name like `name` that every system takes."""
    return _UNFIT.sub("-", name).strip()[:MAX_NAME].strip() or "-"


def plain(listed: str) -> str:
    """A port's name as listed, without ALSA's numbers."""
    return _NUMBERS.sub("", listed)


def find(pattern: str, listed: Sequence[str]) -> int | None:
    """The index in `listed` of the one port that `pattern` means; None where there is none.

    Raises OutputAmbiguous where it fits several and no place was asked for.
    """
    fits = _fitting(pattern, listed)
    ordinal = _ORDINAL.fullmatch(pattern)
    if not fits and ordinal:
        fits = _fitting(ordinal["pattern"], listed)
        place = int(ordinal["place"])
        return fits[place - 1] if place <= len(fits) else None
    if len(fits) > 1:
        names = tuple(plain(listed[index]) for index in fits)
        numbered = ", ".join(f"#{place} '{name}'" for place, name in enumerate(names, 1))
        raise OutputAmbiguous(
            f"'{pattern}' fits {len(fits)} MIDI ports: {numbered}; write more of the name, "
            f"or its place, as in '{pattern} #1'",
            names,
        )
    return fits[0] if fits else None


def _fitting(pattern: str, listed: Sequence[str]) -> list[int]:
    folded = pattern.casefold()
    fits = []
    for index, name in enumerate(listed):
        whole = plain(name).casefold()
        client, _, port = whole.partition(":")
        if any(fnmatchcase(part, folded) for part in (whole, client, port)):
            fits.append(index)
    return fits
