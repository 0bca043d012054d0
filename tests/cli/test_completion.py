"""Completion, asked of the shells themselves."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from matbridge.cli.completion import words_of
from matbridge.cli.main import COMMANDS
from tests.support.bridge import PROGRAM, Bridge
from tests.support.jack import wait_until
from tests.support.quay import write_quay


@pytest.fixture(scope="module")
def playing(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bridge]:
    """A bridge whose presets can be completed, in a folder with a file in it."""
    folder = tmp_path_factory.mktemp("completion")
    show = write_quay(folder, "simulated", f"  out: {{file: {folder / 'quay.mid'}}}")
    with Bridge(show, folder) as bridge:
        wait_until(lambda: bridge.command(["status"]).returncode == 0, "the bridge")
        bridge.env["PATH"] = f"{Path(PROGRAM).parent}:{bridge.env['PATH']}"
        yield bridge


@cache
def script(shell: str) -> str:
    done = subprocess.run(
        [PROGRAM, "completion", shell], capture_output=True, text=True, check=True
    )
    return done.stdout


def run(playing: Bridge, shell: list[str], text: str) -> list[str]:
    done = subprocess.run(
        [*shell, text],
        env={**playing.env, "HOME": str(playing.log.parent)},
        cwd=playing.log.parent,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
        timeout=30,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


def bash(playing: Bridge, line: str) -> list[str]:
    words = " ".join(f"'{word}'" for word in line.split(" "))
    return run(
        playing,
        ["bash", "--norc", "-c"],
        f"{script('bash')}\nCOMP_WORDS=({words}); COMP_CWORD=$((${{#COMP_WORDS[@]}} - 1))\n"
        "_matbridge; printf '%s\\n' \"${COMPREPLY[@]}\"",
    )


def fish(playing: Bridge, line: str) -> list[str]:
    found = run(playing, ["fish", "--no-config", "-c"], f"{script('fish')}\ncomplete -C '{line}'")
    return [each.partition("\t")[0] for each in found]


def zsh(playing: Bridge, line: str) -> list[str]:
    """Through a terminal of zsh's own, for it completes nowhere else."""
    folder = playing.log.parent
    (folder / "_matbridge").write_text(script("zsh"))
    typed = f"""
zmodload zsh/zpty
zpty -b shell zsh -f -i
say() {{ zpty -w shell "$1" }}
say 'PS1=""; fpath=({folder} $fpath); autoload -U compinit; compinit -D -u; unsetopt listbeep'
say 'compadd() {{ local -a out; builtin compadd -O out "$@"; print -l -- "<${{(@)^out}}>" }}'
say 'echo ready'
zpty -r -m shell text '*ready*ready*'
zpty -w -n shell $'{line}\\t'
sleep 0.7
while zpty -r -t shell text; do print -rn -- "$text"; done
zpty -d shell
"""
    found = "\n".join(run(playing, ["zsh", "-f", "-c"], typed))
    return [part.partition(">")[0] for part in found.split("<")[1:]]


SHELLS = pytest.mark.parametrize("complete", [bash, fish, zsh])


@SHELLS
def test_commands_are_completed(playing: Bridge, complete: object) -> None:
    assert callable(complete)
    assert set(COMMANDS) <= set(complete(playing, "matbridge "))
    assert {"run", "record", "replay", "reload"} <= set(complete(playing, "matbridge r"))
    if complete is not zsh:  # it offers all to its matcher
        assert "status" not in complete(playing, "matbridge r")


@SHELLS
def test_presets_of_the_running_bridge_are_completed(playing: Bridge, complete: object) -> None:
    assert callable(complete)
    found = complete(playing, "matbridge preset ")
    assert "ebb" in found
    assert "next" in found
    assert "flood tide" in [each.replace("\\", "") for each in found]


@SHELLS
def test_options_and_words_are_completed(playing: Bridge, complete: object) -> None:
    assert callable(complete)
    assert "--log-format" in complete(playing, "matbridge run --")
    assert "--replace" in complete(playing, "matbridge replay --")
    assert {"--scans", "--replace"} <= set(complete(playing, "matbridge takes export --"))
    assert {"on", "off"} <= set(complete(playing, "matbridge mute "))
    assert {"install", "print", "remove"} <= set(complete(playing, "matbridge service "))
    assert {"mat", "performance"} <= set(complete(playing, "matbridge new "))


@pytest.mark.parametrize("complete", [bash, fish])
def test_files_are_completed_where_a_file_is_meant(playing: Bridge, complete: object) -> None:
    assert callable(complete)
    assert "quay.yaml" in complete(playing, "matbridge run qu")
    assert "quay.yaml" in complete(playing, "matbridge service install qu")
    assert "quay.yaml" not in complete(playing, "matbridge mute qu")


def test_what_help_says_becomes_words() -> None:
    words = words_of(
        "usage: matbridge x [-h] [--json] {a,b-c} FILE [on | off]\n\ntext --far, pre--no\n"
    )
    assert words.fixed == ("--json", "--far", "a", "b-c", "on", "off")
    assert words.files
    assert not words_of("usage: matbridge x\n\nof a FILE").files
