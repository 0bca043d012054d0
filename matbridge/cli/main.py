"""`matbridge COMMAND ...`: finds the command's module and turns what happens into an exit code.

Exit codes: 0 done; 1 it could not be done, and a message says why; 2 the command line is wrong;
3 no bridge is running to do it (as LSB Core has it for an init script's `status`); 130 and 143 (128
plus the signal) when a signal ended it.

Whatever is imported here is paid for by every command, so this imports next to nothing.
"""

from __future__ import annotations

import os
import sys

from matbridge import __version__

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

# Name of the command: (module under matbridge.cli, what it does). The module has a function
# `main(argv) -> exit code`, or one of the name after the colon.
COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("demo", "hear a simulated mat play, with no board at all"),
    "run": ("run", "play a performance from the mat"),
    "preset": ("control:preset", "list the presets of the running bridge, or play one"),
    "status": ("control:status", "how the running bridge fares"),
    "watch": ("watch", "see the mat as it is played"),
    "panic": ("control:panic", "end every note that sounds"),
    "mute": ("control:mute", "play nothing, or play again"),
    "transpose": ("control:transpose", "move every note up or down"),
    "reload": ("control:reload", "take up changed files now"),
    "stop": ("control:stop", "end the running bridge"),
    "service": ("service", "play from boot or login on"),
    "record": ("record", "keep what the mat sends, while it plays or without playing"),
    "replay": ("replay", "play a take again, through the same mapping or another"),
    "takes": ("takes", "list what has been recorded, or tell what is in a take"),
    "check": ("check", "check mat and performance files"),
    "explain": ("explain", "what every zone plays, and how"),
    "chart": ("chart", "draw the mat with what each zone plays, to be printed"),
    "pack": ("pack", "hand a show over: all that another machine needs, in one file"),
    "new": ("new", "write a commented mat or performance file to begin with"),
    "schema": ("schema", "print the JSON Schema of the files, or the reference of their keys"),
    "completion": ("completion", "what a shell needs to complete command lines"),
    "board-program": ("board_program", "write out the programs to flash on a board"),
    "ports": ("ports", "list boards, and MIDI systems with their ports"),
    "doctor": ("doctor", "find out what is wrong with a mat, and what costs time"),
    "identify": ("identify", "learn which channel lies under which zone"),
    "calibrate": ("calibrate", "measure every zone, at rest and pressed"),
}


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code."""
    try:
        code = _run(list(sys.argv[1:] if argv is None else argv))
        # A supervisor may have closed it.
        if sys.stdout is not None:
            sys.stdout.flush()
    except BrokenPipeError:
        # Whoever read our output has gone, as in `matbridge ports | head -1`. The interpreter
        # flushes once more at its end; that must not fail with words either.
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        return 1
    except KeyboardInterrupt:
        return 130
    except Exception as error:  # noqa: BLE001 - it is raised again if it is not for a person
        return _failed(error)
    return code


def _failed(error: Exception) -> int:
    """Say what went wrong, where that is for a person; raises what is a mistake of ours."""
    from matbridge.errors import DocumentError, MatbridgeError

    if isinstance(error, DocumentError):
        from matbridge.mapping.problems import shown

        for problem in error.problems:
            print(shown(problem), file=sys.stderr)
    elif isinstance(error, MatbridgeError):
        print(f"matbridge: {error}", file=sys.stderr)
    elif isinstance(error, OSError) and error.filename is not None:
        from matbridge.plain import escaped

        # Of a file or folder that refuses, such as the state folder of another user.
        print(f"matbridge: {escaped(str(error.filename))}: {error.strerror}", file=sys.stderr)
    else:
        raise error
    return 1


def _run(arguments: list[str]) -> int:
    if arguments[:1] == ["help"] and len(arguments) > 1:
        arguments = [arguments[1], "--help"]
    if not arguments or arguments[0] in ("-h", "--help", "help"):
        print(usage())
        return 0 if arguments else 2
    name, *rest = arguments
    if name == "--version":
        print(f"matbridge {__version__}")
        return 0
    if name not in COMMANDS:
        print(f"matbridge: {unknown(name)}", file=sys.stderr)
        return 2
    return command(name)(rest)


def command(name: str) -> Callable[[Sequence[str]], int]:
    """The function that runs a command of COMMANDS."""
    from importlib import import_module

    module, _, function = COMMANDS[name][0].partition(":")
    run: Callable[[Sequence[str]], int] = getattr(
        import_module(f"matbridge.cli.{module}"), function or "main"
    )
    return run


def usage() -> str:
    """The text of `matbridge --help`."""
    width = max(map(len, COMMANDS))
    lines = [f"  {name:<{width}}  {summary}" for name, (_, summary) in COMMANDS.items()]
    return "\n".join(
        (
            "usage: matbridge COMMAND ...    (each command has --help)",
            "       matbridge --version",
            "",
            "Plays MIDI from a floor mat.",
            "",
            *lines,
        )
    )


def unknown(name: str) -> str:
    """What to say of a command that is none."""
    from difflib import get_close_matches

    near = get_close_matches(name, COMMANDS, n=1)
    hint = f"did you mean '{near[0]}'?" if near else "see 'matbridge --help'"
    return f"there is no command '{name}'; {hint}"
