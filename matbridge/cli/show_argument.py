"""The FILE of commands that read a show: a file that a person wrote, or a packed show."""

from __future__ import annotations

import sys
from collections.abc import Callable

# What the name of a packed show ends in.
PACKED = ".zip"


def _say(line: str) -> None:
    from matbridge.plain import escaped

    print(escaped(line), file=sys.stderr)


def written_file(given: str, say: Callable[[str], None] = _say) -> str:
    """The YAML file that FILE means; a packed show is unpacked for it.

    say: called with what there is to know about that, a line each. Raises HandoverError.
    """
    if not given.lower().endswith(PACKED):
        return given
    from matbridge.service.handover_opening import unpacked

    return unpacked(given, say)
