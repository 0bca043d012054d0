"""The process that plays to a phone over Bluetooth LE, through the system's Bluetooth service.

    looking for an adapter ──▶ advertised ──somebody listens──▶ up ──▶ silent ──▶ up ...

BlueZ keeps the adapter, shared with everything else; we give it a service with one characteristic
and an advertisement, over D-Bus (library dbus-fast). When a phone wants to be notified, BlueZ asks
for a socket: each datagram on it becomes one notification, and its end means that the phone left.
What the process and the bridge say to each other is port_process.py's.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
import sys
import time
from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING, Any

from matbridge.midi.ble_packet import CHARACTERISTIC, MIN_MTU, OVERHEAD, SERVICE, packets
from matbridge.midi.port_process import BEAT_S, LOOK_S, QUIT, Bridge, Word
from matbridge.midi.thinning import thinned

if TYPE_CHECKING:
    from dbus_fast import Message
    from dbus_fast.aio import MessageBus

# Beyond so many messages that the radio has not taken, only the latest of what moves is kept.
CROWDED = 64

# How long the radio is given for what was sent last.
LINGER_S = 0.5

_ROOT = "/matbridge"
_SERVICE_PATH = f"{_ROOT}/service"
_CHARACTERISTIC_PATH = f"{_SERVICE_PATH}/midi"
_ADVERTISEMENT_PATH = f"{_ROOT}/advertisement"
_AGENT_PATH = f"{_ROOT}/agent"

_BUS = "org.freedesktop.DBus"
_BLUEZ = "org.bluez"
_GATT_MANAGER = "org.bluez.GattManager1"
_ADVERTISING_MANAGER = "org.bluez.LEAdvertisingManager1"
_ADAPTER = "org.bluez.Adapter1"
_CHARACTERISTIC_1 = "org.bluez.GattCharacteristic1"
_ADVERTISEMENT_1 = "org.bluez.LEAdvertisement1"
_OBJECT_MANAGER = "org.freedesktop.DBus.ObjectManager"
_PROPERTIES = "org.freedesktop.DBus.Properties"


_tasks: set[asyncio.Future[None]] = set()


class NotThere(Exception):
    """Why nobody can be played to yet."""


class Peripheral:
    """Our side of the service: what BlueZ asks, and the socket of whoever listens."""

    def __init__(self, bridge: Bridge, name: str) -> None:
        self._bridge = bridge
        self._name = name
        self._listener: socket.socket | None = None
        self._size = MIN_MTU - OVERHEAD
        self._pending: list[bytes] = []

    # ---- what BlueZ asks -------------------------------------------------------------------

    def answer(self, message: Message) -> Message | None:
        """The reply to a call of a method of ours; None for what is not for us."""
        from dbus_fast import Message, MessageType

        if message.message_type is not MessageType.METHOD_CALL or message.path is None:
            return None
        if not message.path.startswith(_ROOT):
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
        mtu = options["mtu"].value if "mtu" in options else MIN_MTU
        self._size = max(mtu, MIN_MTU) - OVERHEAD
        self._listener = ours
        loop = asyncio.get_running_loop()
        loop.add_reader(ours, self._on_readable)
        # BlueZ has its own copy of the descriptor once the reply is written.
        loop.call_later(1.0, theirs.close)
        device = options["device"].value if "device" in options else ""
        self._bridge.say(Word.UP, "Bluetooth", device.rpartition("/")[2] or self._name)
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
        if path == _ADVERTISEMENT_PATH:
            return {
                _ADVERTISEMENT_1: {
                    "Type": Variant("s", "peripheral"),
                    "ServiceUUIDs": Variant("as", [SERVICE]),
                    "LocalName": Variant("s", self._name),
                }
            }
        return {}

    # ---- what is played --------------------------------------------------------------------

    def play(self, messages: list[bytes]) -> None:
        """Send, or keep until the radio takes more; nothing while nobody listens."""
        if self._listener is None:
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
        self._bridge.say(Word.SILENT, f"{why}; '{self._name}' can be found again")


class Frames:
    """What comes from the bridge: whole messages, until QUIT or until the bridge has gone."""

    def __init__(self, play: Callable[[list[bytes]], None]) -> None:
        self._play = play
        self._buffer = bytearray()
        self.ended = asyncio.Event()
        self.asked = False

    def on_readable(self) -> None:
        data = os.read(0, 4096)
        if not data:
            self.ended.set()
            return
        self._buffer += data
        messages = []
        while self._buffer and len(self._buffer) > self._buffer[0]:
            end = 1 + self._buffer[0]
            message = bytes(self._buffer[1:end])
            del self._buffer[:end]
            if message == QUIT:
                self.asked = True
                self.ended.set()
                break
            messages.append(message)
        if messages:
            self._play(messages)


async def _departure(bus: MessageBus) -> asyncio.Event:
    """Set when the Bluetooth service, or the bus itself, goes away."""
    from dbus_fast import Message

    left = asyncio.Event()

    def watch(message: Message) -> None:
        if message.member == "NameOwnerChanged" and message.body[0] == _BLUEZ:
            left.set()

    async def outlive() -> None:
        await bus.wait_for_disconnect()  # type: ignore[no-untyped-call]
        left.set()

    bus.add_message_handler(watch)
    rule = f"type='signal',sender='{_BUS}',member='NameOwnerChanged',arg0='{_BLUEZ}'"
    await bus.call(
        Message(
            destination=_BUS,
            path="/org/freedesktop/DBus",
            interface=_BUS,
            member="AddMatch",
            signature="s",
            body=[rule],
        )
    )
    task = asyncio.ensure_future(outlive())
    _tasks.add(task)  # the loop itself keeps tasks only weakly
    task.add_done_callback(_tasks.discard)
    return left


async def _offer(bus: MessageBus, wanted: str, peripheral: Peripheral) -> str:
    """Have BlueZ offer our service and advertise it; the adapter's name. Raises NotThere."""
    from dbus_fast import Variant

    objects = (await _call(bus, "/", _OBJECT_MANAGER, "GetManagedObjects"))[0]
    adapters = {
        path: interfaces
        for path, interfaces in objects.items()
        if {_GATT_MANAGER, _ADVERTISING_MANAGER} <= set(interfaces)
    }
    path = next((one for one in adapters if one.endswith(wanted)), None)
    if path is None:
        raise NotThere(f"there is no Bluetooth adapter {wanted}".rstrip())
    on = [_ADAPTER, "Powered", Variant("b", True)]
    await _call(bus, path, _PROPERTIES, "Set", "ssv", on)
    bus.add_message_handler(peripheral.answer)
    application: list[Any] = [_ROOT, {}]
    await _call(bus, path, _GATT_MANAGER, "RegisterApplication", "oa{sv}", application)
    advertisement: list[Any] = [_ADVERTISEMENT_PATH, {}]
    await _call(bus, path, _ADVERTISING_MANAGER, "RegisterAdvertisement", "oa{sv}", advertisement)
    # A phone that wants to be remembered is, without a question: there is no screen to ask on.
    manager = "org.bluez.AgentManager1"
    agent = [_AGENT_PATH, "NoInputNoOutput"]
    await _call(bus, "/org/bluez", manager, "RegisterAgent", "os", agent)
    return str(path).rpartition("/")[2]


async def _call(
    bus: MessageBus,
    path: str,
    interface: str,
    member: str,
    signature: str = "",
    body: list[Any] | None = None,
) -> list[Any]:
    from dbus_fast import Message, MessageType

    call = Message(
        destination=_BLUEZ,
        path=path,
        interface=interface,
        member=member,
        signature=signature,
        body=body or [],
    )
    reply = await bus.call(call)
    if reply is None or reply.message_type is MessageType.ERROR:
        said = reply.body[0] if reply is not None and reply.body else "no answer"
        raise NotThere(f"the Bluetooth service refuses {member}: {said} (is bluetoothd running?)")
    return list(reply.body)


async def _serve(bridge: Bridge, name: str, wanted: str) -> None:
    try:
        from dbus_fast import BusType
        from dbus_fast.aio import MessageBus
    except ImportError:
        bridge.say(
            Word.REFUSED,
            "Bluetooth needs the package dbus-fast: pip install 'matbridge[bluetooth]'",
        )
        return
    peripheral = Peripheral(bridge, name)
    frames = Frames(peripheral.play)
    asyncio.get_running_loop().add_reader(0, frames.on_readable)
    while not frames.ended.is_set():
        try:
            bus = await MessageBus(bus_type=BusType.SYSTEM, negotiate_unix_fd=True).connect()
            left = await _departure(bus)
            adapter = await _offer(bus, wanted, peripheral)
        except (NotThere, OSError, EOFError) as error:
            why = str(error) if isinstance(error, NotThere) else "there is no system bus (D-Bus)"
            bridge.say(Word.WAITING, f"no Bluetooth: {why}")
            await _either(frames.ended.wait(), asyncio.sleep(LOOK_S))
            continue
        bridge.say(Word.WAITING, f"nobody has connected yet; look for '{name}' ({adapter})")
        beating = asyncio.create_task(_beat(bridge))
        await _either(frames.ended.wait(), left.wait())
        beating.cancel()
        if not frames.ended.is_set():
            bridge.say(Word.LOST, "the Bluetooth service went away")
            return
    end_s = time.monotonic() + LINGER_S
    while frames.asked and not peripheral.idle and time.monotonic() < end_s:
        await asyncio.sleep(0.005)


async def _beat(bridge: Bridge) -> None:
    while True:
        bridge.say(Word.ALIVE)
        await asyncio.sleep(BEAT_S)


async def _either(*waits: Awaitable[Any]) -> None:
    """Until the first of them is done; the rest are given up."""
    tasks = [asyncio.ensure_future(wait) for wait in waits]
    await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)


def main() -> None:
    """Arguments: the name to be found by, and the adapter or nothing."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    name, wanted = sys.argv[1:]
    # When the bridge has gone there is nobody left to tell.
    with contextlib.suppress(BrokenPipeError):
        asyncio.run(_serve(Bridge(), name, wanted))
    os._exit(0)


if __name__ == "__main__":
    main()
