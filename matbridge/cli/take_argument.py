"""The TAKE of commands: a path, the name of one that is kept, or `last`."""

from __future__ import annotations

from matbridge.board.take_reader import Take

HELP = "a take: its file, the name of one that `matbridge takes` lists, or 'last'"


def take_of(given: str) -> Take:
    """The take; raises TakeError where there is none, or it is damaged at its beginning."""
    from matbridge.service.recorder import find_take, takes_folder

    return Take(find_take(given, takes_folder()))


def duration(seconds: float) -> str:
    """A length for a person: 12.3 s, 4:05 or 1:02:03."""
    if seconds < 60:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}"
