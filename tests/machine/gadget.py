"""A USB MIDI device that the machine offers to itself: device on one side, host on the other."""

from __future__ import annotations

from tests.machine.machine import Machine


class Gadget:
    """`name` is what its host calls it. `pull` and `plug` as a cable would."""

    def __init__(self, machine: Machine, folder: str, name: str) -> None:
        self._machine, self.name = machine, name
        self._path = f"/sys/kernel/config/usb_gadget/{folder}"
        machine.run(
            "modprobe -a libcomposite dummy_hcd usb_f_midi snd-usb-audio &&"
            " { mountpoint -q /sys/kernel/config || mount -t configfs none /sys/kernel/config; } &&"
            f" mkdir {self._path} && cd {self._path} &&"
            " echo 0x1d6b > idVendor && echo 0x0104 > idProduct &&"
            " mkdir strings/0x409 configs/c.1 functions/midi.usb0 &&"
            f" echo '{name}' > strings/0x409/product && ln -s functions/midi.usb0 configs/c.1/"
        )
        self.plug()

    def plug(self) -> None:
        self._machine.run(f"cd {self._path} && ls /sys/class/udc | head -1 > UDC")
        self._machine.until(f"aconnect -l | grep '{self.name}'")

    def pull(self) -> None:
        self._machine.run(f"cd {self._path} && echo > UDC", check=False)
        self._machine.until(f"! aconnect -l | grep '{self.name}'")

    def device(self) -> str:
        """The device side's raw MIDI port, for amidi."""
        return self._machine.run("amidi -l | awk '/f_midi/{print $2; exit}'").strip()

    def remove(self) -> None:
        """Take it apart, so that another may use the one controller there is."""
        self.pull()
        self._machine.run(
            f"cd {self._path} && rm configs/c.1/midi.usb0 && rmdir configs/c.1 functions/midi.usb0"
            f" strings/0x409 && cd .. && rmdir {self._path}"
        )
