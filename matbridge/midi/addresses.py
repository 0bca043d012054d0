"""Addresses on a network: those of an interface of this machine, and a peer's as it is written."""

from __future__ import annotations

import contextlib
import fcntl
import ipaddress
import socket
from pathlib import Path

PORT = 5004  # of control, and the next one for data: the usual pair

# linux/sockios.h
_SIOCGIFADDR = 0x8915

Address = tuple[str, int]
"""A peer: its numeric address and its control port."""


def addresses_of(interface: str) -> list[str]:
    """The addresses to bind: the one that was written, or those of the interface.

    Raises OSError when there is no such interface or it has no address yet.
    """
    try:
        return [str(ipaddress.ip_address(interface))]
    except ValueError:
        pass
    if interface not in (name for _, name in socket.if_nameindex()):
        raise OSError(None, f"there is no interface '{interface}'")
    found = _interface_addresses(interface)
    if not found:
        raise OSError(None, f"interface '{interface}' has no address yet")
    return found


def _interface_addresses(interface: str) -> list[str]:
    """IPv4 by the kernel's own question; IPv6 from its table (link-local ones carry their zone)."""
    found = []
    with (
        contextlib.suppress(OSError),
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked,
    ):
        answer = fcntl.ioctl(asked, _SIOCGIFADDR, interface.encode()[:15].ljust(40, b"\0"))
        found.append(socket.inet_ntoa(answer[20:24]))
    with contextlib.suppress(OSError):
        for line in Path("/proc/net/if_inet6").read_text().splitlines():
            digits, *_, name = line.split()
            if name == interface:
                address = str(ipaddress.IPv6Address(int(digits, 16)))
                local = address.startswith("fe80")
                found.append(f"{address}%{interface}" if local else address)
    return found


def peer_of(text: str) -> Address:
    """ "ADDRESS", "ADDRESS:PORT" or "[ADDRESS]:PORT". Raises ValueError."""
    host, port = text, ""
    if text.startswith("["):
        host, _, rest = text[1:].partition("]")
        port = rest.removeprefix(":")
    elif text.count(":") == 1:
        host, _, port = text.partition(":")
    number = int(port) if port else PORT
    if not 1 <= number <= 65534:
        raise ValueError(f"port {number} of peer '{text}' is not within 1-65534")
    return str(ipaddress.ip_address(host)), number


def network_of(text: str) -> ipaddress.IPv4Network | ipaddress.IPv6Network:
    """One address, or a network as ADDRESS/PREFIX. Raises ValueError."""
    return ipaddress.ip_network(text, strict=False)
