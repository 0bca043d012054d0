"""A network session that is found by name: its announcement through multicast DNS (zeroconf).

The library takes more than a second to announce, for it asks first whether the name is taken, and
a quarter of one to withdraw. Nobody who plays may wait for that, so a thread of its own does.
"""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Sequence
from importlib.util import find_spec
from threading import Event, Thread

SERVICE = "_apple-midi._udp.local."

# How long `close` waits for the withdrawal to leave: four times what it takes.
LEAVE_S = 1.0


def can_advertise() -> bool:
    """Whether the package that it needs is installed."""
    return find_spec("zeroconf") is not None


class Advertisement:
    """Announces a session from its making until `close`. why: what keeps it from that, or empty."""

    def __init__(self, session: str, addresses: Sequence[str], port: int) -> None:
        """addresses: numeric, of the interface it is announced on. port: of control."""
        self.why = ""
        self._closing = Event()
        self._thread = Thread(
            target=self._announce,
            args=(session, addresses, port),
            name="advertising",
            daemon=True,
        )
        self._thread.start()

    def close(self, wait_s: float = LEAVE_S) -> None:
        """Withdraw it, waiting `wait_s` at most for that to be told. Twice is harmless."""
        self._closing.set()
        self._thread.join(wait_s)

    # On the thread

    def _announce(self, session: str, addresses: Sequence[str], port: int) -> None:
        import zeroconf

        info = zeroconf.ServiceInfo(
            SERVICE,
            f"{session}.{SERVICE}",
            addresses=[ipaddress.ip_address(one.partition("%")[0]).packed for one in addresses],
            port=port,
            server=f"{socket.gethostname()}.local.",
        )
        try:
            with zeroconf.Zeroconf(interfaces=list(addresses)) as announcer:
                announcer.register_service(info, allow_name_change=True)
                self._closing.wait()
        except (OSError, zeroconf.Error) as error:
            self.why = f"not advertised: {error}"
