"""Makes the outputs that a performance names. A driver's module is imported when one needs it."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module

from matbridge.errors import OutputUnavailable
from matbridge.midi.output import Output

# Kind, as the performance file writes it: the module and class, made as
# `Class(name, target, **options)`; the class says what its options are.
KINDS: dict[str, tuple[str, str]] = {
    "virtual": ("matbridge.midi.system_port", "VirtualPort"),
    "port": ("matbridge.midi.system_port", "ExistingPort"),
    "serial": ("matbridge.midi.din_port", "DinPort"),
    "file": ("matbridge.midi.file_port", "FilePort"),
    "network": ("matbridge.midi.network_port", "NetworkPort"),
    "bluetooth": ("matbridge.midi.bluetooth_port", "BluetoothPort"),
    "memory": ("matbridge.midi.memory_port", "MemoryPort"),
}


def make_output(
    name: str, kind: str, target: str, options: Mapping[str, object] | None = None
) -> Output:
    """An output, not yet open.

    Raises OutputUnavailable where a library that the kind needs is not installed, or the target or
    an option can never be right.
    """
    if kind not in KINDS:
        raise OutputUnavailable(
            f"output '{name}': there is no kind '{kind}'; there are {', '.join(KINDS)}"
        )
    module, attribute = KINDS[kind]
    made: Output = getattr(import_module(module), attribute)(name, target, **(options or {}))
    return made
