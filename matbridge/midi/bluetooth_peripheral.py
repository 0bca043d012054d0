"""A Bluetooth LE MIDI peripheral as BlueZ sees it: the service, and whoever listens to it.

    nobody ──socket──▶ heard ──all devices away──▶ unheard ──a device is back, a while──▶ heard
       ▲                 └─────────────────┬────────────┘
       └────────── socket closed ──────────┘

When the first device wants to be notified, BlueZ asks for a socket: each datagram on it becomes a
notification to all that want them. BlueZ closes it when the last has had enough or has left; but a
paired device counts as one that wants them while it is away. So somebody hears us while the socket
is open and any device is connected, which BlueZ tells as well. A second device that wants to be
notified beside a first is not told of.
"""

from __future__ import annotations

import asyncio
import socket
import time
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from matbridge.midi.ble_packet import CHARACTERISTIC, MIN_MTU, OVERHEAD, SERVICE, packets
from matbridge.midi.bluez import ADAPTER, DEVICE
from matbridge.midi.port_process import Bridge, Word
from matbridge.midi.thinning import thinned

if TYPE_CHECKING:
    from dbus_fast import Message

# Beyond so many messages that the radio has not taken, only the latest of what moves is kept.
CROWDED = 64

# A device that is back drops what it is sent until it listens again. Nobody tells when it does, for
# to BlueZ it never ceased to: apps do so once they have looked at the service anew.
BACK_S = 2.0

ROOT = "/matbridge"
ADVERTISEMENT_PATH = f"{ROOT}/advertisement"
AGENT_PATH = f"{ROOT}/agent"
_SERVICE_PATH = f"{ROOT}/service"
_CHARACTERISTIC_PATH = f"{_SERVICE_PATH}/midi"

_CHARACTERISTIC_1 = "org.bluez.GattCharacteristic1"
_ADVERTISEMENT_1 = "org.bluez.LEAdvertisement1"


class Peripheral:
    """Our side of the service: what BlueZ asks, and the socket of whoever listens."""

    def __init__(self, bridge: Bridge, name: str) -> None:
        self._bridge = bridge
        self._name = name
        self._listener: socket.socket | None = None
        self._connected: set[str] = set()  # paths of devices
        self._heard = False  # as the bridge was told
        self._back: asyncio.TimerHandle | None = None
        self._size = MIN_MTU - OVERHEAD
        self._pending: list[bytes] = []

    # ---- what BlueZ asks -------------------------------------------------------------------

    def answer(self, message: Message) -> Message | None:
        """The reply to a call of a method of ours; None for what is not for us."""
        from dbus_fast import Message, MessageType

        if message.message_type is not MessageType.METHOD_CALL or message.path is None:
            return None
        if not message.path.startswith(ROOT):
            return None
        match message.member:
            case "GetManagedObjects":
                return Message.new_method_return(message, "a{oa{sa{sv}}}", [self._objects()])
            case "GetAll":
                facts = self._interfaces(message.path).get(message.body[0], {})
                return Message.new_method_return(message, "a{sv}", [facts])
            case "ReadValue":
                # A read answers with nothing, says the specification.
                return Message.new_method_return(message, "ay", [b""])
            case "AcquireNotify":
                return self._listen(message)
            case "RequestPasskey":
                return Message.new_error(message, "org.bluez.Error.Rejected", "no keys here")
            case _:
                # Written values, pairing that needs no answer, releases.
                return Message.new_method_return(message)

    def _listen(self, message: Message) -> Message:
        from dbus_fast import Message

        self._let_go("somebody else listens now")
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        ours.setblocking(False)
        options = message.body[0]
        device = options["device"].value if "device" in options else ""
        self._connected.add(device)
        mtu = options["mtu"].value if "mtu" in options else MIN_MTU
        self._size = max(mtu, MIN_MTU) - OVERHEAD
        self._listener = ours
        loop = asyncio.get_running_loop()
        loop.add_reader(ours, self._on_readable)
        # BlueZ has its own copy of the descriptor once the reply is written.
        loop.call_later(1.0, theirs.close)
        self._say_up(device)
        return Message.new_method_return(message, "hq", [0, mtu], unix_fds=[theirs.fileno()])

    def _objects(self) -> dict[str, dict[str, dict[str, Any]]]:
        return {path: self._interfaces(path) for path in (_SERVICE_PATH, _CHARACTERISTIC_PATH)}

    def _interfaces(self, path: str) -> dict[str, dict[str, Any]]:
        from dbus_fast import Variant

        if path == _SERVICE_PATH:
            facts = {"UUID": Variant("s", SERVICE), "Primary": Variant("b", True)}
            return {"org.bluez.GattService1": facts}
        if path == _CHARACTERISTIC_PATH:
            return {
                _CHARACTERISTIC_1: {
                    "UUID": Variant("s", CHARACTERISTIC),
                    "Service": Variant("o", _SERVICE_PATH),
                    "Flags": Variant("as", ["read", "write-without-response", "notify"]),
                    # That it is there makes BlueZ ask for a socket.
                    "NotifyAcquired": Variant("b", self._listener is not None),
                }
            }
        if path == ADVERTISEMENT_PATH:
            return {
                _ADVERTISEMENT_1: {
                    "Type": Variant("s", "peripheral"),
                    "ServiceUUIDs": Variant("as", [SERVICE]),
                    "LocalName": Variant("s", self._name),
                    # Many apps show nothing else, however long the adapter itself stays hidden.
                    "Discoverable": Variant("b", True),
                }
            }
        return {}

    # ---- what BlueZ tells ------------------------------------------------------------------

    def on_change(self, path: str, interface: str, changed: Mapping[str, Any]) -> None:
        """Properties of the adapter, or of a device at it, are others now."""
        if interface == ADAPTER:
            match changed:
                case {"Powered": False}:
                    self._bridge.say(Word.WAITING, "Bluetooth has been switched off")
                case {"Powered": True}:
                    self.wait_for_somebody()
        elif interface == DEVICE:
            # A connection takes notifications once BlueZ has looked at the other end.
            match changed:
                case {"Connected": False}:
                    self._on_departure(path)
                case {"ServicesResolved": True}:
                    self._on_arrival(path)

    def _on_departure(self, device: str) -> None:
        self._connected.discard(device)
        if not self._connected:
            self._pending.clear()
            self._say_silent("whoever listened has left")

    def _on_arrival(self, device: str) -> None:
        self._connected.add(device)
        if self._back is not None:
            self._back.cancel()
        self._back = asyncio.get_running_loop().call_later(BACK_S, self._say_back)

    def _say_back(self) -> None:
        if self._connected and self._listener is not None and not self._heard:
            self._say_up(next(iter(self._connected)))

    def wait_for_somebody(self) -> None:
        """Say what a person can do."""
        self._bridge.say(Word.WAITING, f"nobody is connected; look for '{self._name}'")

    def _say_up(self, device: str) -> None:
        self._heard = True
        self._bridge.say(Word.UP, "Bluetooth", device.rpartition("/")[2] or self._name)

    def _say_silent(self, why: str) -> None:
        if self._heard:
            self._heard = False
            self._bridge.say(Word.SILENT, f"{why}; '{self._name}' can be found again")

    # ---- what is played --------------------------------------------------------------------

    def play(self, messages: list[bytes]) -> None:
        """Send, or keep until the radio takes more; nothing while nobody hears it."""
        if self._listener is None or not self._heard:
            return
        waiting = bool(self._pending)
        self._pending += messages
        if len(self._pending) > CROWDED:
            self._pending = thinned(self._pending)
        if not waiting:
            self._write()

    @property
    def idle(self) -> bool:
        """Whether all has been handed to the radio."""
        return not self._pending

    def _write(self) -> None:
        listener = self._listener
        if listener is None:
            return
        asyncio.get_running_loop().remove_writer(listener)
        now_s = time.monotonic()
        while self._pending:
            count = self._fitting()
            try:
                for packet in packets(self._pending[:count], now_s, self._size):
                    listener.send(packet)
            except BlockingIOError:
                asyncio.get_running_loop().add_writer(listener, self._write)
                return
            except OSError:
                self._let_go("whoever listened has left")
                return
            del self._pending[:count]

    def _fitting(self) -> int:
        """How many of the messages that wait go into one packet; a long one goes alone."""
        room, count = self._size - 1, 0
        for message in self._pending:
            room -= len(message) + 2
            if room < 0 and count:
                break
            count += 1
        return count

    def _on_readable(self) -> None:
        """Nothing comes this way but its end."""
        try:
            ended = self._listener is None or not self._listener.recv(64)
        except BlockingIOError:
            return
        except OSError:
            ended = True
        if ended:
            self._let_go("whoever listened has left")

    def _let_go(self, why: str) -> None:
        listener, self._listener = self._listener, None
        self._pending.clear()
        if listener is None:
            return
        loop = asyncio.get_running_loop()
        loop.remove_reader(listener)
        loop.remove_writer(listener)
        listener.close()
        self._say_silent(why)
