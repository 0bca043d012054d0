"""Units for the service manager: what systemd thinks of them, and how they are put in place."""

from __future__ import annotations

import os
import pwd
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from matbridge.cli import service
from matbridge.cli.service import filled_in, quoted, unit_text
from matbridge.cli.shipped import unit
from matbridge.errors import DocumentError, MatbridgeError
from tests.support.bridge import PROGRAM
from tests.support.quay import write_quay

# Exposure by `systemd-analyze security`, 0 is none: what the README says, and no worse.
EXPOSURE = 2.5


@pytest.fixture
def show(tmp_path: Path) -> Path:
    folder = tmp_path / "my shows"
    folder.mkdir()
    return write_quay(folder, "simulated", "  out: {virtual: quay}")


@pytest.fixture(autouse=True)
def installed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "argv", [PROGRAM])


def verify(path: Path, *more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["systemd-analyze", "verify", *more, str(path)],
        env={**os.environ, "XDG_RUNTIME_DIR": str(path.parent)},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize("system", [False, True])
def test_systemd_finds_nothing_wrong_with_the_units(
    tmp_path: Path, show: Path, system: bool
) -> None:
    path = tmp_path / "matbridge.service"
    path.write_text(unit_text(show, system=system))
    done = verify(path, *([] if system else ["--user"]))
    assert (done.returncode, done.stderr) == (0, "")
    # And it would have found something.
    path.write_text(path.read_text().replace("WatchdogSec=10", "WatchdogSec=soon"))
    assert "soon" in verify(path, *([] if system else ["--user"])).stderr


def test_the_system_unit_is_shut_in(tmp_path: Path, show: Path) -> None:
    path = tmp_path / "matbridge.service"
    path.write_text(unit_text(show, system=True))
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--no-pager", str(path)],
        capture_output=True,
        text=True,
        check=False,
    )
    found = re.search(r"Overall exposure level for \S+: ([0-9.]+)", done.stdout)
    assert found is not None, done.stderr
    assert float(found[1]) <= EXPOSURE


def test_the_unit_plays_the_file_with_this_program(show: Path) -> None:
    text = unit_text(show, system=False)
    assert f'ExecStart={PROGRAM} run "{show}"\n' in text
    assert "Type=notify\n" in text


def test_the_system_unit_runs_as_whoever_asked_for_it(
    show: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    me = pwd.getpwuid(os.getuid())
    monkeypatch.setenv("SUDO_USER", me.pw_name)
    text = unit_text(show, system=True)
    assert f"User={me.pw_name}\n" in text
    assert f'ReadWritePaths=-{me.pw_dir}/.local/state/matbridge -"{show.parent}"\n' in text


def test_a_wrong_performance_is_not_installed(show: Path) -> None:
    show.write_text("performance: [")
    with pytest.raises(DocumentError):
        unit_text(show, system=False)


@pytest.mark.parametrize(
    ("word", "expected"),
    [
        ("/home/x/show.yaml", "/home/x/show.yaml"),
        ("my show", '"my show"'),
        ('a"b', '"a\\"b"'),
        ("100%", '"100%%"'),
        ("$HOME", '"$$HOME"'),
        ("a;b", '"a;b"'),
        ("", '""'),
    ],
)
def test_words_are_quoted_as_systemd_reads_them(word: str, expected: str) -> None:
    assert quoted(word) == expected


def test_only_the_settings_named_are_replaced() -> None:
    text = "# User=x\n[Service]\nUser=mat\nUserland=1\n"
    assert filled_in(text, {"User": "me"}) == "# User=x\n[Service]\nUser=me\nUserland=1\n"


class Manager:
    """A systemctl that only notes what it was asked."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self._log = folder / "asked"
        self._log.touch()
        programs = folder / "bin"
        programs.mkdir()
        for name in ("systemctl", "udevadm"):
            program = programs / name
            program.write_text(f'#!/bin/sh\necho "{name} $*" >> "{self._log}"\n')
            program.chmod(0o755)
        monkeypatch.setenv("PATH", f"{programs}:/usr/bin:/bin")
        monkeypatch.setenv("XDG_CONFIG_HOME", str(folder / "config"))
        monkeypatch.setattr(service, "SYSTEM_UNITS", folder / "units")
        monkeypatch.setattr(service, "SYSTEM_RULES", folder / "rules")

    def asked(self) -> list[str]:
        return self._log.read_text().splitlines()


@pytest.fixture
def manager(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Manager:
    return Manager(tmp_path, monkeypatch)


def test_install_and_remove_for_a_user(
    tmp_path: Path, show: Path, manager: Manager, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "config" / "systemd" / "user" / "matbridge.service"
    assert service.main(["install", str(show)]) == 0
    assert path.read_text() == unit_text(show, system=False)
    assert manager.asked() == [
        "systemctl --user daemon-reload",
        "systemctl --user enable matbridge.service",
        "systemctl --user restart matbridge.service",
    ]
    assert "enable-linger" in capsys.readouterr().out
    assert service.main(["remove"]) == 0
    assert not path.exists()
    assert "systemctl --user disable --now matbridge.service" in manager.asked()
    with pytest.raises(MatbridgeError, match="nothing is installed"):
        service.main(["remove"])


def test_install_and_remove_for_the_machine(
    tmp_path: Path, show: Path, manager: Manager, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    assert service.main(["install", "--system", str(show)]) == 0
    assert (tmp_path / "units" / "matbridge.service").exists()
    assert (tmp_path / "rules" / "70-matbridge.rules").read_text() == unit(
        "70-matbridge.rules"
    ).read_text()
    assert "udevadm control --reload" in manager.asked()
    assert service.main(["remove", "--system"]) == 0
    assert not list((tmp_path / "units").iterdir())
    assert not list((tmp_path / "rules").iterdir())


def test_only_root_installs_for_the_machine(
    show: Path, manager: Manager, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    with pytest.raises(MatbridgeError, match="use sudo"):
        service.main(["install", "--system", str(show)])
    assert manager.asked() == []


def test_a_machine_without_systemd_is_told(
    show: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    with pytest.raises(MatbridgeError, match="is this a systemd machine"):
        service.main(["install", str(show)])


def test_print_changes_nothing(
    show: Path, manager: Manager, capsys: pytest.CaptureFixture[str]
) -> None:
    assert service.main(["print", str(show)]) == 0
    assert capsys.readouterr().out == unit_text(show, system=False)
    assert manager.asked() == []


# One key of a udev rule: udev(7).
_KEY = re.compile(r'[A-Z_]+(\{[\w$./]+\})?(==|!=|\+=|:=|=)"[^"]*"')


def test_the_rules_read_as_udev_reads_them() -> None:
    path = unit("70-matbridge.rules")
    lines = [line for line in path.read_text().splitlines() if line and line[0] != "#"]
    labels, jumps = set(), set()
    for line in lines:
        for key in line.split(", "):
            assert _KEY.fullmatch(key), key
            name, _, value = key.partition("=")
            if name == "LABEL":
                labels.add(value)
            elif name == "GOTO":
                jumps.add(value)
    assert jumps == labels
    udevadm = shutil.which("udevadm")
    assert udevadm is not None
    # Since systemd 254 udev has a judge of its own.
    help_text = subprocess.run(
        [udevadm, "--help"], capture_output=True, text=True, check=True
    ).stdout
    if re.search(r"^ +verify", help_text, re.MULTILINE):
        done = subprocess.run(
            [udevadm, "verify", str(path)], capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr + done.stdout
