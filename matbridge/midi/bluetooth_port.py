"""A Bluetooth LE MIDI peripheral: a phone or tablet finds it by name, connects, and is played to.

The way is held by a process of its own (bluetooth_process.py), watched as those of other ports.
"""

from __future__ import annotations

from matbridge.midi.port_names import valid_name
from matbridge.midi.system_port import SystemPort


class BluetoothPort(SystemPort):
    """target: the name that phones show. adapter: such as "hci0"; empty for the first there is.

    Up while somebody is connected and listens.
    """

    kind = "bluetooth"

    def __init__(self, name: str, target: str, *, adapter: str = "") -> None:
        super().__init__(name, valid_name(target))
        self._adapter = adapter

    def command(self) -> tuple[str, ...]:
        return "matbridge.midi.bluetooth_process", self._target, self._adapter
