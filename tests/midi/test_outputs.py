"""Outputs are made by kind, and a kind's driver is loaded when one is made."""

from __future__ import annotations

import subprocess
import sys

import pytest

from matbridge.errors import OutputUnavailable
from matbridge.mapping.plan import OutputKind
from matbridge.midi.outputs import KINDS, make_output


def test_every_kind_that_a_performance_can_name_is_there() -> None:
    assert set(KINDS) == {kind.value for kind in OutputKind} | {"memory"}


def test_an_unknown_kind_is_refused_with_those_there_are() -> None:
    with pytest.raises(OutputUnavailable, match="output 'x': there is no kind 'carrier pigeon'"):
        make_output("x", "carrier pigeon", "home")


@pytest.mark.parametrize(
    ("kind", "target"),
    [
        ("virtual", "quay"),
        ("port", "quay*"),
        ("serial", "/dev/ttyS9"),
        ("file", "set.mid"),
        ("network", "quay"),
        ("bluetooth", "quay"),
    ],
)
def test_making_one_loads_no_driver_and_no_other_kind(kind: str, target: str) -> None:
    script = (
        "import sys; from matbridge.midi.outputs import make_output; "
        f"make_output('x', {kind!r}, {target!r}); print(*sys.modules)"
    )
    loaded = set(
        subprocess.run(
            (sys.executable, "-c", script), capture_output=True, text=True, check=True
        ).stdout.split()
    )
    assert not loaded & {"rtmidi", "serial", "mido", "zeroconf", "dbus_fast", "asyncio"}
    # The two kinds of a system's port share a module, which the Bluetooth port builds upon.
    own = {KINDS[kind][0]} | ({KINDS["port"][0]} if kind == "bluetooth" else set())
    assert loaded & {module for module, _ in KINDS.values()} == own


@pytest.mark.parametrize("kind", ["virtual", "bluetooth"])
def test_a_name_that_some_system_garbles_is_refused_at_once(kind: str) -> None:
    with pytest.raises(OutputUnavailable, match="cannot name a MIDI port"):
        make_output("x", kind, "a:b")
