"""The command line itself: what it says, what it returns, and how little it loads."""

from __future__ import annotations

import errno
import subprocess
import sys
from importlib import import_module

import pytest

from matbridge import __version__
from matbridge.cli import main as cli
from matbridge.errors import BoardUnavailable
from tests.support.bridge import PROGRAM

# None of these is needed to say how a command is used, nor to ask a running bridge something.
HEAVY = {
    "argparse", "asyncio", "dataclasses", "inspect", "logging", "mido", "pathlib", "pydantic",
    "rich", "rtmidi", "serial", "subprocess", "threading", "typing", "yaml",
}  # fmt: skip

# As wide as the narrowest terminal that is common.
COLUMNS = 80


def loaded_by(code: str) -> set[str]:
    """Modules that a fresh interpreter has loaded after running `code`."""
    done = subprocess.run(
        [sys.executable, "-c", f"import sys\n{code}\nprint(*sys.modules, file=sys.stderr)"],
        capture_output=True,
        text=True,
        check=True,
    )
    return set(done.stderr.split())


@pytest.mark.parametrize("argv", [["--help"], ["--version"], ["nonsense"], ["status", "--help"]])
def test_help_version_and_mistakes_load_nothing_heavy(argv: list[str]) -> None:
    before = loaded_by("")
    code = f"from matbridge.cli.main import main; main({argv!r})"
    done = subprocess.run(
        [sys.executable, "-c", f"import sys\n{code}\nprint(*sys.modules)"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert not (set(done.stdout.splitlines()[-1].split()) - before) & HEAVY


def test_a_command_to_the_running_bridge_loads_nothing_heavy() -> None:
    assert not (loaded_by("import matbridge.cli.control") - loaded_by("")) & HEAVY


def test_both_names_of_the_program_are_the_same() -> None:
    for program in ([PROGRAM], [sys.executable, "-m", "matbridge"]):
        done = subprocess.run([*program, "--version"], capture_output=True, text=True, check=True)
        assert done.stdout == f"matbridge {__version__}\n"


def test_help_of_a_command_is_its_own(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["help", "status"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("usage: matbridge status")
    assert "--json" in said.partition("\n")[2]
    assert cli.main(["help", "nonsense"]) == 2


def test_help_lists_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["--help"]) == 0
    said = capsys.readouterr().out
    for name, (_, summary) in cli.COMMANDS.items():
        assert f"{name} " in said
        assert summary in said


def test_every_command_is_there_and_has_help(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", str(COLUMNS))
    for name, (module, _) in cli.COMMANDS.items():
        try:
            import_module(f"matbridge.cli.{module.partition(':')[0]}")
        except ModuleNotFoundError:
            pytest.fail(f"the module of '{name}' is missing")
        code: object = None
        try:
            code = cli.command(name)(["--help"])
        except SystemExit as end:
            code = end.code  # argparse's way
        assert code in (0, None), name
        said = capsys.readouterr().out
        assert f"matbridge {name}" in said
        # Between the usage and the options stands a sentence on what it does.
        about = said.split("\n\n")[1]
        assert about[0].isupper(), name
        assert "." in about, name
        assert max(map(len, said.splitlines())) <= COLUMNS


def test_no_command_is_a_usage_error_that_shows_the_usage(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert cli.main([]) == 2
    assert "usage:" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("word", "hint"), [("statsu", "did you mean 'status'?"), ("xyzzy", "see 'matbridge --help'")]
)
def test_an_unknown_command_gets_the_nearest(
    word: str, hint: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main([word]) == 2
    assert capsys.readouterr().err == f"matbridge: there is no command '{word}'; {hint}\n"


def test_errors_of_ours_become_a_message_and_a_code(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def fail(_: object) -> int:
        raise BoardUnavailable("the board is not there; plug it in")

    monkeypatch.setattr(cli, "command", lambda _: fail)
    assert cli.main(["run", "x"]) == 1
    assert capsys.readouterr().err == "matbridge: the board is not there; plug it in\n"


def test_errors_of_nobody_are_not_hidden(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(_: object) -> int:
        raise ZeroDivisionError

    monkeypatch.setattr(cli, "command", lambda _: fail)
    with pytest.raises(ZeroDivisionError):
        cli.main(["run", "x"])


def test_an_interrupt_has_the_code_of_its_signal(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(_: object) -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr(cli, "command", lambda _: fail)
    assert cli.main(["run", "x"]) == 130


def test_a_reader_that_has_gone_is_no_traceback() -> None:
    done = subprocess.run(
        ["bash", "-c", f"{PROGRAM} --help | head -1; exit ${{PIPESTATUS[0]}}"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stderr == ""


def test_a_closed_output_is_no_traceback() -> None:
    done = subprocess.run(["bash", "-c", f"{PROGRAM} --help >&-"], capture_output=True, check=False)
    assert (done.returncode, done.stderr) == (0, b"")


def test_a_folder_that_refuses_is_named_without_a_traceback(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a state folder does that belongs to somebody else; to root no mode refuses anything."""

    def refuse(_: object) -> int:
        raise PermissionError(errno.EACCES, "Permission denied", "/srv/stage/\x1b[2Jstate")

    monkeypatch.setattr(cli, "command", lambda name: refuse)
    assert cli.main(["takes"]) == 1
    said = capsys.readouterr().err
    assert said == "matbridge: /srv/stage/\\x1b[2Jstate: Permission denied\n"


def test_a_mistake_of_ours_keeps_its_traceback(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(_: object) -> int:
        raise OSError(errno.EBADF, "Bad file descriptor")

    monkeypatch.setattr(cli, "command", lambda name: fail)
    with pytest.raises(OSError, match="Bad file descriptor"):
        cli.main(["takes"])
