"""The system's Bluetooth service, BlueZ, reached over D-Bus (library dbus-fast).

    reach() ──▶ connected ──offer()──▶ offered ──▶ gone (the service, the adapter or the bus left)

What is offered is BlueZ's to keep: it ends with our connection to the bus, or with the adapter. An
adapter that is switched off and on again, by whomever, keeps it but no longer advertises it (seen
with Linux 6.1 and BlueZ 5.66), so the advertisement is then made anew.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Self

if TYPE_CHECKING:
    from dbus_fast import Message
    from dbus_fast.aio import MessageBus

ADAPTER = "org.bluez.Adapter1"
DEVICE = "org.bluez.Device1"

_BUS = "org.freedesktop.DBus"
_BLUEZ = "org.bluez"
_GATT_MANAGER = "org.bluez.GattManager1"
_ADVERTISING_MANAGER = "org.bluez.LEAdvertisingManager1"
_AGENT_MANAGER = "org.bluez.AgentManager1"
_OBJECT_MANAGER = "org.freedesktop.DBus.ObjectManager"
_PROPERTIES = "org.freedesktop.DBus.Properties"

# What BlueZ says by itself that we want to hear.
_NEWS = (
    f"sender='{_BUS}',member='NameOwnerChanged',arg0='{_BLUEZ}'",
    f"sender='{_BLUEZ}',interface='{_OBJECT_MANAGER}',member='InterfacesRemoved'",
    f"sender='{_BLUEZ}',member='PropertiesChanged',arg0='{ADAPTER}'",
    f"sender='{_BLUEZ}',member='PropertiesChanged',arg0='{DEVICE}'",
)

OnChange = Callable[[str, str, Mapping[str, Any]], None]
"""Called with the path of the adapter or of a device at it, the interface, and what has changed."""


class NotThere(Exception):
    """Why there is no Bluetooth yet."""


class Bluez:
    """A connection to BlueZ.

    adapter: the path of the adapter that was offered something. gone: set when nothing that was
    offered is offered any more; why: what has left.
    """

    def __init__(self, bus: MessageBus) -> None:
        self._bus = bus
        self.adapter = ""
        self.gone = asyncio.Event()
        self.why = ""
        self._on_change: OnChange = lambda *_: None
        self._advertisement = ""  # its path, once it was made
        self._renewal: asyncio.Task[None] | None = None
        self._outliving = asyncio.ensure_future(self._outlive())

    @classmethod
    async def reach(cls) -> Self:
        """Raises NotThere where there is no system bus."""
        from dbus_fast import BusType
        from dbus_fast.aio import MessageBus

        try:
            bus = await MessageBus(bus_type=BusType.SYSTEM, negotiate_unix_fd=True).connect()
        except (OSError, EOFError) as error:
            raise NotThere("there is no system bus (D-Bus)") from error
        return cls(bus)

    def leave(self) -> None:
        """Take back what is offered."""
        self._outliving.cancel()
        self._bus.disconnect()

    async def offer(
        self,
        wanted: str,
        root: str,
        advertisement: str,
        agent: str,
        answer: Callable[[Message], Message | None],
        on_change: OnChange,
    ) -> None:
        """Switch an adapter on, offer the services below `root` and advertise them.

        wanted: the adapter's name, or nothing for the first. advertisement, agent: paths of ours.
        answer: asked whenever BlueZ asks us. Raises NotThere.
        """
        from dbus_fast import Variant

        self._on_change = on_change
        self._bus.add_message_handler(self._hear)
        for rule in _NEWS:
            await self._call(_BUS, "/org/freedesktop/DBus", _BUS, "AddMatch", "s", rule)
        objects = (await self._ask("/", _OBJECT_MANAGER, "GetManagedObjects"))[0]
        adapters = (
            path
            for path, interfaces in objects.items()
            if {_GATT_MANAGER, _ADVERTISING_MANAGER} <= set(interfaces)
        )
        path = next((one for one in adapters if one.endswith(wanted)), None)
        if path is None:
            raise NotThere(f"there is no Bluetooth adapter {wanted}".rstrip())
        self.adapter = str(path)
        await self._ask(path, _PROPERTIES, "Set", "ssv", ADAPTER, "Powered", Variant("b", True))
        self._bus.add_message_handler(answer)
        await self._ask(path, _GATT_MANAGER, "RegisterApplication", "oa{sv}", root, {})
        await self._advertise(advertisement)
        # A phone that wants to be remembered is, without a question: there is no screen to ask on.
        await self._ask(
            "/org/bluez", _AGENT_MANAGER, "RegisterAgent", "os", agent, "NoInputNoOutput"
        )

    async def _advertise(self, advertisement: str) -> None:
        register = "RegisterAdvertisement"
        await self._ask(self.adapter, _ADVERTISING_MANAGER, register, "oa{sv}", advertisement, {})
        self._advertisement = advertisement

    async def _advertise_again(self) -> None:
        ours = self._advertisement
        try:
            await self._ask(
                self.adapter, _ADVERTISING_MANAGER, "UnregisterAdvertisement", "o", ours
            )
            await self._advertise(ours)
        except NotThere as error:
            self._go(str(error))

    async def _ask(
        self, path: str, interface: str, member: str, signature: str = "", *body: object
    ) -> list[Any]:
        return await self._call(_BLUEZ, path, interface, member, signature, *body)

    async def _call(
        self, whom: str, path: str, interface: str, member: str, signature: str, *body: object
    ) -> list[Any]:
        from dbus_fast import Message, MessageType

        call = Message(
            destination=whom,
            path=path,
            interface=interface,
            member=member,
            signature=signature,
            body=list(body),
        )
        try:
            reply = await self._bus.call(call)
        except (OSError, EOFError) as error:
            raise NotThere("there is no system bus (D-Bus)") from error
        if reply is None or reply.message_type is MessageType.ERROR:
            said = reply.body[0] if reply is not None and reply.body else "no answer"
            raise NotThere(
                f"the Bluetooth service refuses {member}: {said} (is bluetoothd running?)"
            )
        return list(reply.body)

    def _hear(self, message: Message) -> None:
        """A signal. What is not one of ours passes by."""
        match message.member, message.body:
            case "NameOwnerChanged", [name, before, _] if name == _BLUEZ and before:
                self._go("the Bluetooth service went away")
            case "InterfacesRemoved", [path, interfaces]:
                if path == self.adapter and ADAPTER in interfaces:
                    self._go("the Bluetooth adapter went away")
            case "PropertiesChanged", [str(interface), dict(changed), *_]:
                path = message.path or ""
                if self.adapter and f"{path}/".startswith(f"{self.adapter}/"):
                    facts = {name: value.value for name, value in changed.items()}
                    if interface == ADAPTER and facts.get("Powered") and self._advertisement:
                        self._renewal = asyncio.ensure_future(self._advertise_again())
                    self._on_change(path, interface, facts)

    def _go(self, why: str) -> None:
        self.why = self.why or why
        self.gone.set()

    async def _outlive(self) -> None:
        try:
            await self._bus.wait_for_disconnect()  # type: ignore[no-untyped-call]
        finally:
            self._go("the system bus went away")
