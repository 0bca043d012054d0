"""`matbridge completion SHELL`: what a shell needs to complete command lines of this program.

Everything is drawn from the commands' own --help, so it is never behind; the names of presets are
asked of the running bridge when they are needed.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import re
from collections.abc import Mapping, Sequence
from typing import NamedTuple

SHELLS = ("bash", "zsh", "fish")

_OPTION = re.compile(r"(?<![\w-])--[a-z][a-z-]*")
_CHOICES = re.compile(r"\{([a-z,-]+)\}")
_STEPS = re.compile(r"(?<![\w-])([a-z]+)(?= \|)|(?<=\| )([a-z]+)")
# What stands for a file or a folder in a usage line; dots stand for what a step goes on with.
_FILES = ("FILE", "TAKE", "DIR", "...")


class Words(NamedTuple):
    """What may follow a command: fixed words, and whether the name of a file."""

    fixed: tuple[str, ...]
    files: bool


def parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser(
        prog="matbridge completion",
        description="Print what a shell needs to complete this program's command lines."
        " bash: put 'source <(matbridge completion bash)' into ~/.bashrc."
        " zsh: matbridge completion zsh > _matbridge, in a folder of $fpath."
        " fish: matbridge completion fish > ~/.config/fish/completions/matbridge.fish",
    )
    made.add_argument("shell", metavar=" | ".join(SHELLS), choices=SHELLS, help="the shell")
    return made


def main(argv: Sequence[str]) -> int:
    given = parser().parse_args(argv)
    from matbridge.cli.main import COMMANDS, command

    words = {name: words_of(_help_of(command(name))) for name in COMMANDS}
    summaries = {name: summary for name, (_, summary) in COMMANDS.items()}
    print({"bash": _bash, "zsh": _zsh, "fish": _fish}[given.shell](words, summaries))
    return 0


def words_of(text: str) -> Words:
    """What a command's help says may follow it."""
    usage = text.partition("\n\n")[0]
    found = _OPTION.findall(text)
    for choices in _CHOICES.findall(usage):
        found += choices.split(",")
    found += [before or after for before, after in _STEPS.findall(usage)]
    return Words(tuple(dict.fromkeys(found)), any(word in usage for word in _FILES))


def _help_of(run: object) -> str:
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.suppress(SystemExit):
        run(["--help"])  # type: ignore[operator]
    return said.getvalue()


def _bash(words: Mapping[str, Words], summaries: Mapping[str, str]) -> str:
    cases = "\n".join(
        f"        {name}) words='{' '.join(each.fixed)}'; files={'yes' if each.files else 'no'};;"
        for name, each in words.items()
    )
    return f"""\
_matbridge() {{
    local words files current=${{COMP_WORDS[COMP_CWORD]}} name
    COMPREPLY=()
    if [ "$COMP_CWORD" = 1 ]; then
        COMPREPLY=($(compgen -W '{" ".join(summaries)} --help --version' -- "$current"))
        return
    fi
    case ${{COMP_WORDS[1]}} in
{cases}
        *) return;;
    esac
    COMPREPLY=($(compgen -W "$words" -- "$current"))
    if [ "$files" = yes ]; then
        compopt -o filenames 2>/dev/null
        COMPREPLY+=($(compgen -f -- "$current"))
    fi
    if [ "${{COMP_WORDS[1]}}" = preset ] && [ "$COMP_CWORD" = 2 ]; then
        while read -r name; do
            case $name in "$current"*) COMPREPLY+=("$(printf %q "$name")");; esac
        done < <(matbridge preset 2>/dev/null | cut -c3-)
    fi
}}
complete -F _matbridge matbridge"""


def _zsh(words: Mapping[str, Words], summaries: Mapping[str, str]) -> str:
    commands = "\n".join(
        f"        '{name}:{_single(summary)}'" for name, summary in summaries.items()
    )
    cases = "\n".join(
        f"        {name}) compadd -- {' '.join(each.fixed)}{'; _files' if each.files else ''};;"
        for name, each in words.items()
    )
    return f"""\
#compdef matbridge
_matbridge() {{
    local -a commands presets
    if (( CURRENT == 2 )); then
        commands=(
{commands}
        )
        _describe command commands
        return
    fi
    case $words[2] in
{cases}
    esac
    if [[ $words[2] == preset && $CURRENT == 3 ]]; then
        presets=(${{(f)"$(matbridge preset 2>/dev/null | cut -c3-)"}})
        compadd -a presets
    fi
}}
if [ "$funcstack[1]" = _matbridge ]; then _matbridge "$@"; else compdef _matbridge matbridge; fi"""


def _fish(words: Mapping[str, Words], summaries: Mapping[str, str]) -> str:
    lines = ["complete -c matbridge -f"]
    for name, summary in summaries.items():
        lines.append(
            f"complete -c matbridge -n __fish_use_subcommand -a {name} -d '{_single(summary)}'"
        )
    for name, each in words.items():
        when = f"complete -c matbridge -n '__fish_seen_subcommand_from {name}'"
        plain = [word for word in each.fixed if not word.startswith("--")]
        lines += [f"{when} -l {word[2:]}" for word in each.fixed if word.startswith("--")]
        lines += [f"{when} -a '{' '.join(plain)}'"] if plain else []
        lines += [f"{when} -F"] if each.files else []
    lines.append(
        "complete -c matbridge -n '__fish_seen_subcommand_from preset'"
        " -a '(matbridge preset 2>/dev/null | string sub -s 3)'"
    )
    return "\n".join(lines)


def _single(text: str) -> str:
    return text.replace("'", "'\\''")
