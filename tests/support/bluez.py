"""A stand-in for BlueZ on a D-Bus of its own, and for the phone behind it.

It asks what bluetoothd asks of a peripheral (its documents of the GATT and advertising interfaces),
through a real dbus-daemon; there is no radio.
"""

from __future__ import annotations

import asyncio
import os
import socket
import subprocess
import threading
from collections.abc import Coroutine
from types import TracebackType
from typing import Any, Self, TypeVar

from dbus_fast import BusType, Message, MessageType, Variant
from dbus_fast.aio import MessageBus

from tests.support.ble_reader import BleReader
from tests.support.jack import wait_until

MTU = 103
ADAPTER = "/org/bluez/hci0"
PHONE = f"{ADAPTER}/dev_F1_F1"
_T = TypeVar("_T")


class Bluez:
    """As a context manager: a bus at `address`, with the service on it once `start` was called."""

    def __init__(self) -> None:
        self.reader = BleReader()
        self.packets: list[bytes] = []
        self.registered: dict[str, str] = {}  # method: path
        self._sender = ""
        self._plugged = True
        self._daemon: subprocess.Popen[str] | None = None
        self.address = ""
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever)
        self._bus: MessageBus | None = None
        self._phone: socket.socket | None = None

    def __enter__(self) -> Self:
        self._daemon = subprocess.Popen(
            ("dbus-daemon", "--session", "--nofork", "--print-address"),
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        assert self._daemon.stdout is not None
        self.address = self._daemon.stdout.readline().strip()
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.leave()
        self.stop()
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()
        assert self._daemon is not None
        assert self._daemon.stdout is not None
        self._daemon.terminate()
        self._daemon.wait()
        self._daemon.stdout.close()

    def start(self) -> None:
        """Be there, with one adapter."""
        self._run(self._start())

    def stop(self) -> None:
        """Go away, as a service that crashed."""
        if self._bus is not None:
            bus, self._bus = self._bus, None
            self._loop.call_soon_threadsafe(bus.disconnect)
            self._run(bus.wait_for_disconnect())  # type: ignore[no-untyped-call]
        self.registered.clear()

    def ask(self, path: str, interface: str, member: str, signature: str, *body: object) -> Message:
        """A call to whoever registered."""
        return self._run(self._ask(path, interface, member, signature, list(body)))

    def say_changed(self, path: str, interface: str, **changed: bool) -> None:
        """Tell whoever wants to know that properties have changed."""
        facts = {name: Variant("b", value) for name, value in changed.items()}
        member = ("org.freedesktop.DBus.Properties", "PropertiesChanged")
        self._run(self._say(path, *member, "sa{sv}as", interface, facts, []))

    def pull_adapter(self) -> None:
        """The adapter goes, and all that was registered with it."""
        self._plugged = False
        self.registered.clear()
        self.leave()
        member = ("org.freedesktop.DBus.ObjectManager", "InterfacesRemoved")
        self._run(self._say("/", *member, "oas", ADAPTER, ["org.bluez.Adapter1"]))

    def plug_adapter(self) -> None:
        self._plugged = True

    def connections(self) -> int:
        """How many connections the bus has, with the one that asks."""
        listed = subprocess.run(
            ("dbus-send", f"--bus={self.address}", "--print-reply", "--dest=org.freedesktop.DBus",
             "/org/freedesktop/DBus", "org.freedesktop.DBus.ListNames"),
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        return listed.stdout.count('string ":')

    async def _say(
        self, path: str, interface: str, member: str, signature: str, *body: object
    ) -> None:
        assert self._bus is not None
        signal = Message.new_signal(path, interface, member, signature, list(body))
        await self._bus.send(signal)

    def listen(self) -> None:
        """A phone connects and wants to be notified."""
        wait_until(lambda: "RegisterAdvertisement" in self.registered, "the advertisement")
        self._run(self._listen())

    def leave(self) -> None:
        """The phone goes."""
        if self._phone is not None:
            phone, self._phone = self._phone, None
            self._loop.call_soon_threadsafe(self._hang_up, phone)

    def _hang_up(self, phone: socket.socket) -> None:
        self._loop.remove_reader(phone)
        phone.close()

    def hold(self) -> None:
        """The radio takes nothing."""
        phone = self._phone
        assert phone is not None
        self._loop.call_soon_threadsafe(lambda: self._loop.remove_reader(phone))

    def let_go(self) -> None:
        """It does again."""
        phone = self._phone
        assert phone is not None
        self._loop.call_soon_threadsafe(lambda: self._loop.add_reader(phone, self._read))

    async def _start(self) -> None:
        os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = self.address
        self._bus = await MessageBus(bus_type=BusType.SYSTEM, negotiate_unix_fd=True).connect()
        self._bus.add_message_handler(self._answer)
        await self._bus.request_name("org.bluez")

    def _answer(self, message: Message) -> Message | None:
        if message.message_type is not MessageType.METHOD_CALL:
            return None
        if message.member == "GetManagedObjects":
            managers: dict[str, dict[str, Any]] = {
                "org.bluez.GattManager1": {},
                "org.bluez.LEAdvertisingManager1": {},
            }
            objects = {ADAPTER: managers} if self._plugged else {}
            return Message.new_method_return(message, "a{oa{sa{sv}}}", [objects])
        if message.member == "UnregisterAdvertisement":
            self.registered.pop("RegisterAdvertisement", None)
        else:
            self.registered[message.member or ""] = str(message.body[0])
        self._sender = message.sender or ""
        return Message.new_method_return(message)

    async def _ask(
        self, path: str, interface: str, member: str, signature: str, body: list[object]
    ) -> Message:
        assert self._bus is not None
        reply = await self._bus.call(
            Message(
                destination=self._sender,
                path=path,
                interface=interface,
                member=member,
                signature=signature,
                body=body,
            )
        )
        assert reply is not None
        return reply

    async def _listen(self) -> None:
        objects = await self._ask(
            self.registered["RegisterApplication"],
            "org.freedesktop.DBus.ObjectManager",
            "GetManagedObjects",
            "",
            [],
        )
        (path,) = (
            path
            for path, interfaces in objects.body[0].items()
            if "org.bluez.GattCharacteristic1" in interfaces
        )
        options = {
            "device": Variant("o", PHONE),
            "mtu": Variant("q", MTU),
        }
        reply = await self._ask(
            path, "org.bluez.GattCharacteristic1", "AcquireNotify", "a{sv}", [options]
        )
        assert reply.message_type is MessageType.METHOD_RETURN, reply.body
        self._phone = socket.socket(fileno=reply.unix_fds[reply.body[0]])
        self._phone.setblocking(False)
        self._loop.add_reader(self._phone, self._read)

    def _read(self) -> None:
        assert self._phone is not None
        packet = self._phone.recv(1024)
        if packet:
            self.packets.append(packet)
            self.reader.feed(packet)
        else:
            self._loop.remove_reader(self._phone)

    def _run(self, work: Coroutine[Any, Any, _T]) -> _T:
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(10)
