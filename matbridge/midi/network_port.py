"""MIDI over a network: RTP-MIDI sessions with several peers at once (RFC 6295).

Two UDP ports, control and data, on one interface and no other. Peers named in `invite` are invited
and invited again whenever a session with them has ended; others may invite us if `allow` has their
address. The output is up while any session is open. Where `advertise` is on, the session is found
by name (advertising.py).

Packets and journals are rtp_packet.py's and rtp_journal.py's; one session is rtp_session.py's.
"""

from __future__ import annotations

import contextlib
import ipaddress
import os
import socket
from collections.abc import Mapping, Sequence

from matbridge.errors import OutputClosed, OutputUnavailable
from matbridge.loop import Loop, Timer
from matbridge.midi.advertising import Advertisement, can_advertise
from matbridge.midi.output import START_WAIT_S, Output
from matbridge.midi.rtp_packet import Invitation, Verb, decode_session, encode_invitation
from matbridge.midi.rtp_session import Datagram, Session, State

PORT = 5004  # and the next one for data: the usual pair
ANY = "any"

# Sessions with peers that invited us: more than any stage has, and a bound on what strangers cost.
MAX_GUESTS = 16

# After a session has ended, its peer is invited again so long after.
AGAIN_S = 2.0

# Pause between two tries to bind, while the interface or its address is not there.
RETRY_S = 2.0

_READ = 2048

Address = tuple[str, int]
"""A peer: its numeric address and its control port."""


class NetworkPort(Output):
    """target: the name of the session, as peers show it.

    interface: a network interface ("eth0") or one of this machine's addresses; nothing else is
    bound. invite: peers as "ADDRESS" or "ADDRESS:PORT" ("[ADDRESS]:PORT" in IPv6), port of control.
    allow: addresses or networks that may invite us, or "any". advertise: whether to be found by
    name; needs the package zeroconf.
    """

    _loop: Loop

    def __init__(
        self,
        name: str,
        target: str,
        interface: str = "",
        port: int = PORT,
        invite: Sequence[str] = (),
        allow: Sequence[str] = (),
        advertise: bool = False,
    ) -> None:
        self.name = name
        self._target, self._interface, self._port = target, interface, port
        try:
            self._invited = [_peer(text) for text in invite]
            self._allowed = [_network(text) for text in allow if text != ANY]
        except ValueError as error:
            raise OutputUnavailable(f"output '{name}': {error}") from error
        self._anyone = ANY in allow
        self._advertise = advertise
        self._ssrc = int.from_bytes(os.urandom(4), "big")
        self._sockets: dict[int, tuple[socket.socket, bool]] = {}  # by descriptor: is it data?
        self._sessions: dict[Address, Session] = {}
        self._again: dict[Address, float] = {}
        self._timer: Timer | None = None
        self._timer_s = float("inf")
        self._advertised: Advertisement | None = None
        self._closed = True
        self._joined: set[Session] = set()
        self._was_up = False
        self._why = ""
        self._dropped = self._refused = 0

    def open(
        self,
        loop: Loop,
        wait_s: float = START_WAIT_S,  # noqa: ARG002 - peers come when they come
    ) -> None:
        if not self._closed:
            return
        if self._advertise and not can_advertise():
            raise OutputUnavailable(
                f"output '{self.name}': advertise needs the package zeroconf:"
                " pip install 'matbridge[network]', or write 'advertise: false'"
            )
        self._loop = loop
        self._closed = False
        self._bind()

    def send(self, messages: Sequence[bytes]) -> None:
        if self._closed:
            raise OutputClosed(f"output '{self.name}' is not open")
        now_s = self._loop.now_s()
        heard = False
        for address, session in self._sessions.items():
            if session.state is State.OPEN:
                heard = True
                self._emit(address, session.send(messages, now_s))
        if not heard:
            self._dropped += len(messages)
        self._schedule()

    def close(self) -> None:
        if self._closed:
            return
        self._closed = True
        for address, session in self._sessions.items():
            self._emit(address, session.end("we closed"))
        self._sessions.clear()
        self._unbind()

    @property
    def up(self) -> bool:
        return any(session.state is State.OPEN for session in self._sessions.values())

    def status(self) -> Mapping[str, object]:
        facts: dict[str, object] = {"kind": "network", "up": self.up, "target": self._target}
        if not self.up:
            unseen = "" if self._advertised is None else self._advertised.why
            facts["why"] = self._why or unseen or "no peer"
        return facts | {
            "interface": self._interface,
            "port": self._port,
            "peers": [
                {
                    "address": address[0],
                    "name": session.peer_name,
                    "state": session.state.name.lower(),
                    "latency_ms": round(session.latency_s * 1000, 1),
                }
                for address, session in self._sessions.items()
            ],
            "dropped": self._dropped,
            "refused": self._refused,
        }

    # ---- sockets ---------------------------------------------------------------------------

    def _bind(self) -> None:
        """Bind both ports on every address of the interface, or try again later."""
        self._timer = None
        try:
            addresses = _addresses(self._interface)
            for address in addresses:
                for data in (False, True):
                    self._open_socket(address, data)
        except OSError as error:
            self._unbind()
            self._why = f"cannot use {self._interface}: {error.strerror or error}"
            self._timer = self._loop.call_at(self._loop.now_s() + RETRY_S, self._bind)
            return
        self._why = ""
        if self._advertise:
            self._advertised = Advertisement(self._target, addresses, self._port)
        now_s = self._loop.now_s()
        for peer in self._invited:
            self._invite(peer, now_s)
        self._schedule()

    def _open_socket(self, address: str, data: bool) -> None:
        family = socket.AF_INET6 if ":" in address else socket.AF_INET
        made = socket.socket(family, socket.SOCK_DGRAM)
        try:
            made.setblocking(False)
            info = socket.getaddrinfo(address, self._port + data, family, socket.SOCK_DGRAM)
            made.bind(info[0][4])
        except OSError:
            made.close()
            raise
        fd = made.fileno()
        self._sockets[fd] = (made, data)
        self._loop.add_reader(fd, lambda: self._read(fd))

    def _unbind(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if self._advertised is not None:
            self._advertised.close()
            self._advertised = None
        for fd, (made, _) in self._sockets.items():
            self._loop.remove_reader(fd)
            made.close()
        self._sockets.clear()

    def _read(self, fd: int) -> None:
        made, on_data = self._sockets[fd]
        try:
            data, sender = made.recvfrom(_READ)
        except OSError:
            return  # a peer that is not there answers by an error; its session will fall silent
        address = (sender[0].partition("%")[0], sender[1] - on_data)
        now_s = self._loop.now_s()
        session = self._sessions.get(address)
        packet = decode_session(data)
        if isinstance(packet, Invitation) and packet.verb is Verb.INVITE:
            session = self._welcome(address, session, packet, on_data, now_s)
        if session is not None:
            self._emit(address, session.take(data, on_data, now_s))
            self._settle(now_s)

    def _welcome(
        self,
        address: Address,
        session: Session | None,
        packet: Invitation,
        on_data: bool,
        now_s: float,
    ) -> Session | None:
        """The session for an invitation, or a refusal."""
        if not self._may(address[0]):
            self._refused += 1
            refusal = encode_invitation(Invitation(Verb.REFUSE, packet.token, self._ssrc, ""))
            self._emit(address, [(on_data, refusal)])
            return None
        if session is not None and session.token == packet.token:
            return session
        guests = sum(peer not in self._invited for peer in self._sessions)
        if on_data or (session is None and guests >= MAX_GUESTS):
            return None
        made = Session(self._ssrc, self._target, packet.token, now_s, inviting=False)
        self._sessions[address] = made
        return made

    def _may(self, address: str) -> bool:
        if self._anyone or any(address == peer[0] for peer in self._invited):
            return True
        return any(ipaddress.ip_address(address) in network for network in self._allowed)

    def _invite(self, peer: Address, now_s: float) -> None:
        token = int.from_bytes(os.urandom(4), "big")
        self._sessions[peer] = Session(self._ssrc, self._target, token, now_s, inviting=True)
        self._emit(peer, self._sessions[peer].tick(now_s))

    def _emit(self, address: Address, datagrams: Sequence[Datagram]) -> None:
        six = ":" in address[0]
        for to_data, data in datagrams:
            for made, is_data in self._sockets.values():
                if is_data is to_data and (made.family is socket.AF_INET6) is six:
                    # Full buffers and unreachable peers lose datagrams as the network does.
                    with contextlib.suppress(OSError):
                        made.sendto(data, (address[0], address[1] + to_data))
                    break

    # ---- time ------------------------------------------------------------------------------

    def _settle(self, now_s: float) -> None:
        """Drop what has ended, invite again, tell whether the output is up, greet newcomers."""
        for address, session in list(self._sessions.items()):
            if session.state is State.ENDED:
                del self._sessions[address]
                self._why = f"{session.peer_name or address[0]}: {session.why}"
                if address in self._invited:
                    self._again[address] = now_s + AGAIN_S
        opened = {one: at for at, one in self._sessions.items() if one.state is State.OPEN}
        newcomers = opened.keys() - self._joined
        self._joined = set(opened)
        up = bool(opened)
        if up is not self._was_up:
            self._was_up = up
            if up and self.on_up is not None:
                self.on_up()
            elif not up and self.on_down is not None:
                self.on_down(self._why or "no peer")
        elif newcomers and self.on_join is not None:
            messages = self.on_join()
            for session in newcomers:
                self._emit(opened[session], session.send(messages, now_s))
        self._schedule()

    def _schedule(self) -> None:
        due_s = min(
            min((session.next_due_s for session in self._sessions.values()), default=float("inf")),
            min(self._again.values(), default=float("inf")),
        )
        if self._closed or (self._timer is not None and self._timer_s <= due_s):
            return
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if due_s < float("inf"):
            self._timer_s = due_s
            self._timer = self._loop.call_at(due_s, self._tick)

    def _tick(self) -> None:
        self._timer = None
        now_s = self._loop.now_s()
        for peer, due_s in list(self._again.items()):
            if due_s <= now_s:
                del self._again[peer]
                self._invite(peer, now_s)
        for address, session in self._sessions.items():
            if session.next_due_s <= now_s:
                self._emit(address, session.tick(now_s))
        self._settle(now_s)


def _addresses(interface: str) -> list[str]:
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
    import fcntl
    from pathlib import Path

    found = []
    get_address = 0x8915  # SIOCGIFADDR, linux/sockios.h
    with (
        contextlib.suppress(OSError),
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked,
    ):
        answer = fcntl.ioctl(asked, get_address, interface.encode()[:15].ljust(40, b"\0"))
        found.append(socket.inet_ntoa(answer[20:24]))
    with contextlib.suppress(OSError):
        for line in Path("/proc/net/if_inet6").read_text().splitlines():
            digits, *_, name = line.split()
            if name == interface:
                address = str(ipaddress.IPv6Address(int(digits, 16)))
                local = address.startswith("fe80")
                found.append(f"{address}%{interface}" if local else address)
    return found


def _peer(text: str) -> Address:
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


def _network(text: str) -> ipaddress.IPv4Network | ipaddress.IPv6Network:
    return ipaddress.ip_network(text, strict=False)
