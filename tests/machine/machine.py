"""A booted Debian under qemu (software emulation): commands into it, devices plugged and pulled.

Emulated beside it: an FTDI USB serial adapter whose far end is a pty of ours (the board), and
whatever the guest's own kernel offers (USB gadgets, virtual Bluetooth).
"""

from __future__ import annotations

import json
import os
import select
import socket
import subprocess
import threading
import time
import tty
from pathlib import Path
from queue import Empty, Queue
from typing import Any, NamedTuple

BOOT_LIMIT_S = 240.0  # software emulation on a busy machine; 20 s is usual
SERIAL_NUMBER = "MAT0001"
RADIOS = 2  # ways from Bluetooth adapters of the guest to an air outside

# What is on its way through the emulator has arrived by then.
QUIET_S = 0.1


class Done(NamedTuple):
    """How a command ended: its exit code (-1 when it ran out of time) and all that it printed."""

    code: int
    text: str


class Machine:
    """The guest. `folder` holds what make-image built; `share` becomes /share inside."""

    def __init__(self, image: Path, folder: Path, share: Path) -> None:
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None
        self._answers: dict[int, Queue[Done]] = {0: Queue()}
        self._next = 1
        self._plugged = False
        self._overlay = folder / "disk.qcow2"
        subprocess.run(
            ["qemu-img", "create", "-q", "-f", "qcow2", "-F", "raw", "-b", str(image / "disk.img"),
             str(self._overlay)],
            check=True,
        )  # fmt: skip
        self._command = [
            "qemu-system-x86_64", "-accel", "tcg,thread=multi", "-cpu", "max",
            "-m", "2048", "-smp", "2", "-nographic", "-nodefaults",
            "-serial", f"file:{folder / 'console.log'}",
            "-kernel", str(image / "vmlinuz"), "-initrd", str(image / "initrd"),
            "-append", "root=/dev/vda rw console=ttyS0 quiet",
            "-drive", f"file={self._overlay},if=virtio,format=qcow2",
            "-net", "none",
            "-virtfs", f"local,path={share},mount_tag=share,security_model=none,id=share",
            "-device", "qemu-xhci,id=usb",
            "-chardev", "pty,id=board",
            "-device", "virtio-serial",
            "-chardev", f"socket,id=agent,path={folder / 'agent'},server=on,wait=off",
            "-device", "virtserialport,chardev=agent,name=test-agent",
            *(word for number in range(RADIOS) for word in _radio(folder, number)),
            "-qmp", f"unix:{folder / 'qmp'},server=on,wait=off",
        ]  # fmt: skip

    def boot(self) -> None:
        """Start it and wait until it takes commands."""
        self._process = subprocess.Popen(self._command, stdin=subprocess.DEVNULL)
        self._monitor_link = self._connect("qmp")
        self._qmp = self._monitor_link.makefile("rw")
        self._qmp.readline()
        self._monitor("qmp_capabilities")
        self._agent = self._connect("agent")
        threading.Thread(target=self._listen, args=(self._agent,), daemon=True).start()
        ports = self._monitor("query-chardev")
        (name,) = [port["filename"] for port in ports if port["label"] == "board"]
        self.board_fd = os.open(name.removeprefix("pty:"), os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self.board_fd)
        os.set_blocking(self.board_fd, False)
        self._wait_up()

    def _connect(self, name: str) -> socket.socket:
        link = socket.socket(socket.AF_UNIX)
        end_s = time.monotonic() + 20
        while True:
            try:
                link.connect(str(self._folder / name))
            except OSError:
                if time.monotonic() > end_s:
                    raise
                time.sleep(0.05)
            else:
                return link

    def _listen(self, link: socket.socket) -> None:
        waiting = b""
        while piece := link.recv(65536):
            *lines, waiting = (waiting + piece).split(b"\n")
            for line in filter(None, lines):
                answer = json.loads(line)
                if queue := self._answers.get(answer["id"]):
                    queue.put(Done(answer["code"], answer["text"]))

    def _wait_up(self) -> None:
        try:
            self._answers[0].get(timeout=BOOT_LIMIT_S)
        except Empty:
            log = (self._folder / "console.log").read_text(errors="replace")
            raise TimeoutError(f"the machine did not come up\n{log[-3000:]}") from None

    def _monitor(self, command: str, **arguments: object) -> Any:
        order = {"execute": command, "arguments": arguments}
        self._qmp.write(json.dumps(order) + "\n")
        self._qmp.flush()
        while True:
            answer = json.loads(self._qmp.readline())
            if "error" in answer:
                raise RuntimeError(f"{command}: {answer['error']}")
            if "return" in answer:
                return answer["return"]

    def start(self, command: str, timeout_s: float = 60.0) -> Queue[Done]:
        """Run a command as root inside; its end comes into the queue."""
        number, self._next = self._next, self._next + 1
        queue = self._answers[number] = Queue()
        order = {"id": number, "run": command, "timeout_s": timeout_s}
        self._agent.sendall(json.dumps(order).encode() + b"\n")
        return queue

    def run(self, command: str, timeout_s: float = 60.0, *, check: bool = True) -> str:
        """Run a command as root inside; what it printed. An exit code but 0 is an error."""
        done = self.start(command, timeout_s).get(timeout=timeout_s + 60)
        if check and done.code:
            raise AssertionError(f"{command!r} ended with {done.code}:\n{done.text}")
        return done.text

    def until(self, command: str, limit_s: float = 60.0) -> str:
        """Run a command again and again until it succeeds; what it printed then."""
        end_s = time.monotonic() + limit_s
        while True:
            done = self.start(command, limit_s).get(timeout=limit_s + 60)
            if done.code == 0:
                return done.text
            if time.monotonic() > end_s:
                raise AssertionError(f"{command!r} never succeeded; last:\n{done.text}")
            time.sleep(0.2)

    def radio(self, number: int) -> Path:
        """The socket of a way out for a Bluetooth adapter; inside, a virtio port `radioN`."""
        return self._folder / f"radio{number}"

    def plug_board(self) -> None:
        """Put the USB serial adapter in."""
        self._monitor(
            "device_add",
            driver="usb-serial",
            chardev="board",
            id="board",
            serial=SERIAL_NUMBER,
            bus="usb.0",
        )
        self._plugged = True

    def pull_board(self) -> None:
        """Pull it out. The line is quiet by then: qemu 7.2 crashes on a byte for what is gone."""
        self._plugged = False
        time.sleep(QUIET_S)
        self._monitor("device_del", id="board")

    def send(self, data: bytes) -> None:
        """Bytes from the board; what the adapter does not take is lost, as on a real line."""
        while data and self._plugged:
            try:
                data = data[os.write(self.board_fd, data) :]
            except BlockingIOError:
                if not select.select([], [self.board_fd], [], 0.1)[1]:
                    return

    def cut_power(self) -> None:
        """Off and on again, with nothing said to the guest, and wait until it is up."""
        while not self._answers[0].empty():
            self._answers[0].get()
        self._monitor("system_reset")
        self._wait_up()

    def end(self) -> None:
        """Stop the emulator."""
        if self._process is not None and self._process.poll() is None:
            self._process.terminate()
            self._process.wait(20)
            for link in (self._qmp, self._monitor_link, self._agent):
                link.close()
            os.close(self.board_fd)


def _radio(folder: Path, number: int) -> tuple[str, ...]:
    name = f"radio{number}"
    return (
        "-chardev", f"socket,id={name},path={folder / name},server=on,wait=off",
        "-device", f"virtserialport,chardev={name},name={name}",
    )  # fmt: skip
