"""One bench for each kind of output: how it is made, heard, lost, found again and held up."""

from __future__ import annotations

import errno
import os
import threading
from abc import ABC, abstractmethod
from contextlib import ExitStack
from pathlib import Path

import pytest

from matbridge.midi import file_port, network_port
from matbridge.midi.memory_port import MemoryPort
from matbridge.midi.output import Output
from matbridge.midi.outputs import make_output
from tests.midi.conftest import Turning, use
from tests.support.bluez import Bluez
from tests.support.din import DinPeer
from tests.support.jack import JackReader, JackServer
from tests.support.midi_judges import events_by_mido
from tests.support.rtp_peer import HOME, RtpPeer


class Bench(ABC):
    """Made with the test's own folder and patches; everything ends with `stack`."""

    kind: str

    def __init__(
        self, turning: Turning, folder: Path, patch: pytest.MonkeyPatch, stack: ExitStack
    ) -> None:
        self.turning = turning
        self.folder = folder
        self.patch = patch
        self.stack = stack

    @abstractmethod
    def make(self) -> Output:
        """The output, closed; what it goes to is there."""

    def appear(self) -> None:  # noqa: B027 - most are there before the output is opened
        """Whatever the other end does by itself once the output is open."""

    def listen(self) -> None:  # noqa: B027 - most hear from the beginning
        """Make sure that what is sent from now on is heard; the output is up."""

    @abstractmethod
    def heard(self) -> list[bytes]:
        """What has arrived, as told by something that is not ours."""

    @abstractmethod
    def lose(self) -> None:
        """Take away what it goes to."""

    @abstractmethod
    def find(self) -> None:
        """Bring it back."""

    def hold_up(self) -> None:
        """Let it take nothing, without going away."""
        self.lose()

    def let_go(self) -> None:
        """Undo `hold_up`."""
        self.find()


class MemoryBench(Bench):
    kind = "memory"
    _port: MemoryPort

    def make(self) -> Output:
        self._port = MemoryPort("out")
        return self._port

    def heard(self) -> list[bytes]:
        return self._port.messages

    def lose(self) -> None:
        self._port.lose()

    def find(self) -> None:
        self._port.find()


class FileBench(Bench):
    """The disk fails every write, or does not answer."""

    kind = "file"

    def make(self) -> Output:
        self._full, self._free = threading.Event(), threading.Event()
        self._free.set()
        self.stack.callback(self._free.set)
        self.patch.setattr(file_port, "FLUSH_S", 0.02)
        self.patch.setattr(file_port, "RETRY_S", 0.02)
        self.patch.setattr(file_port, "CLOSE_WAIT_S", 0.2)
        real = os.pwrite

        def write(fd: int, data: bytes, offset: int) -> int:
            self._free.wait()
            if self._full.is_set():
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            return real(fd, data, offset)

        self.patch.setattr("os.pwrite", write)
        return make_output("out", "file", str(self.folder / "set.mid"))

    def heard(self) -> list[bytes]:
        return events_by_mido((self.folder / "set.mid").read_bytes())

    def lose(self) -> None:
        self._full.set()

    def find(self) -> None:
        self._full.clear()

    def hold_up(self) -> None:
        self._free.clear()

    def let_go(self) -> None:
        self._free.set()


class SerialBench(Bench):
    kind = "serial"

    def make(self) -> Output:
        self._peer = self.stack.enter_context(DinPeer(self.folder / "jack"))
        return make_output("out", "serial", str(self._peer.path))

    def heard(self) -> list[bytes]:
        return self._peer.messages()

    def lose(self) -> None:
        self._peer.unplug()

    def find(self) -> None:
        self._peer.plug()

    def hold_up(self) -> None:
        self._peer.hold()

    def let_go(self) -> None:
        self._peer.let_go()


class VirtualBench(Bench):
    """The JACK server is killed, or stands still."""

    kind = "virtual"
    _reader: JackReader

    def make(self) -> Output:
        self._server = self.stack.enter_context(JackServer())
        use(self._server, self.patch)
        self._output = make_output("out", "virtual", "quay")
        return self._output

    def listen(self) -> None:
        self._reader = self.stack.enter_context(JackReader(self._server))
        self._reader.connect("quay:quay", lambda message: self._output.send([message]))

    def heard(self) -> list[bytes]:
        return self._reader.messages()

    def lose(self) -> None:
        self._server.kill()

    def find(self) -> None:
        self._server.start()

    def hold_up(self) -> None:
        self._server.freeze()

    def let_go(self) -> None:
        self._server.thaw()


class PortBench(Bench):
    """The program that offers the port ends, or the JACK server stands still."""

    kind = "port"

    def make(self) -> Output:
        self._server = self.stack.enter_context(JackServer())
        use(self._server, self.patch)
        self.find()
        return make_output("out", "port", "reader*")

    def heard(self) -> list[bytes]:
        return self._reader.messages()

    def lose(self) -> None:
        self._running.close()

    def find(self) -> None:
        self._running = self.stack.enter_context(ExitStack())
        self._reader = self._running.enter_context(JackReader(self._server))

    def hold_up(self) -> None:
        self._server.freeze()

    def let_go(self) -> None:
        self._server.thaw()


class NetworkBench(Bench):
    """The peer leaves, and answers again."""

    kind = "network"

    def make(self) -> Output:
        self.patch.setattr(network_port, "AGAIN_S", 0.1)
        self._peer = self.stack.enter_context(RtpPeer())
        options = {"interface": HOME, "port": _even_port(), "invite": [f"{HOME}:{self._peer.port}"]}
        return make_output("out", "network", "mat", options)

    def heard(self) -> list[bytes]:
        return self._peer.heard

    def lose(self) -> None:
        self._peer.leave()

    def find(self) -> None:
        self._peer.come_back()


class BluetoothBench(Bench):
    """The phone leaves, or its radio takes nothing."""

    kind = "bluetooth"

    def make(self) -> Output:
        self._bluez = self.stack.enter_context(Bluez())
        self.patch.setenv("DBUS_SYSTEM_BUS_ADDRESS", self._bluez.address)
        self._bluez.start()
        self._output = make_output("out", "bluetooth", "stepping stones")
        return self._output

    def appear(self) -> None:
        self._seek()

    def heard(self) -> list[bytes]:
        return self._bluez.reader.messages

    def lose(self) -> None:
        self._bluez.leave()

    def find(self) -> None:
        self._seek()

    def hold_up(self) -> None:
        self._bluez.hold()

    def let_go(self) -> None:
        self._bluez.let_go()

    def _seek(self) -> None:
        offered = self._bluez.registered
        self.turning.until(lambda: "RegisterAdvertisement" in offered, "the advertisement")
        self._bluez.listen()


def _even_port() -> int:
    """A port whose next one is free too; nobody else takes ports of loopback in a test."""
    with RtpPeer() as spare:
        return spare.port


BENCHES: tuple[type[Bench], ...] = (
    MemoryBench,
    FileBench,
    SerialBench,
    VirtualBench,
    PortBench,
    NetworkBench,
    BluetoothBench,
)
