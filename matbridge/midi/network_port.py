"""MIDI over a network: RTP-MIDI sessions with several peers at once (RFC 6295).

Two UDP ports, control and data, on every address of one interface and on no other: an address that
comes later is taken up, and one that goes is given up once there is another. Peers named in
`invite` are invited and invited again whenever a session with them has ended; others may invite us
if `allow` has their address. The output is up while any session is open. Where `advertise` is on,
the session is found by name (advertising.py).

Packets and journals are rtp_packet.py's and rtp_journal.py's; one session is rtp_session.py's.
"""

from __future__ import annotations

import contextlib
import ipaddress
import os
import socket
from collections.abc import Mapping, Sequence, Set
from functools import partial
from typing import NamedTuple

from matbridge.errors import OutputClosed, OutputUnavailable
from matbridge.loop import Loop, Timer
from matbridge.midi.addresses import PORT, Address, addresses_of, network_of, peer_of
from matbridge.midi.advertising import Advertisement, can_advertise
from matbridge.midi.output import START_WAIT_S, Output
from matbridge.midi.rtp_packet import Invitation, Verb, decode_session, encode_invitation
from matbridge.midi.rtp_session import Datagram, Session, State

ANY = "any"

# Sessions with peers that invited us: more than any stage has, and a bound on what strangers cost.
MAX_GUESTS = 16

# After a session has ended, its peer is invited again so long after.
AGAIN_S = 2.0

# How often the addresses of the interface are looked at: at boot they come one after the other, and
# a lease may run out.
LOOK_S = 2.0

_READ = 2048


class Door(NamedTuple):
    """A bound socket: on which of our addresses, and whether on the data port."""

    socket: socket.socket
    address: str
    data: bool


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
            self._invited = [peer_of(text) for text in invite]
            self._allowed = [network_of(text) for text in allow if text != ANY]
        except ValueError as error:
            raise OutputUnavailable(f"output '{name}': {error}") from error
        self._anyone = ANY in allow
        self._advertise = advertise
        self._ssrc = int.from_bytes(os.urandom(4), "big")
        self._doors: dict[int, Door] = {}  # by descriptor
        self._sessions: dict[Address, Session] = {}
        self._again: dict[Address, float] = {}
        self._timer: Timer | None = None
        self._timer_s = float("inf")
        self._looking: Timer | None = None
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
                " in the clone of matbridge, .venv/bin/pip install '.[network]';"
                " or write 'advertise: false'"
            )
        self._loop = loop
        self._closed = False
        self._look()

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
        for timer in (self._timer, self._looking):
            if timer is not None:
                timer.cancel()
        if self._advertised is not None:
            self._advertised.close()
        self._leave({door.address for door in self._doors.values()})

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

    def _look(self) -> None:
        """Be on every address that the interface has now, and look again in a while."""
        now_s = self._loop.now_s()
        self._looking = self._loop.call_at(now_s + LOOK_S, self._look)
        bound = {door.address for door in self._doors.values()}
        addresses: Sequence[str] = ()
        why = ""
        try:
            addresses = addresses_of(self._interface)
        except OSError as error:
            why = error.strerror or str(error)
        fresh = False
        for address in addresses:
            if address not in bound:
                try:
                    self._enter(address)
                except OSError as error:
                    why = error.strerror or str(error)
                else:
                    fresh = True
        if fresh:
            self._why = ""
            self._arrive(now_s)
        elif not bound:
            self._why = f"cannot use {self._interface}: {why}"
        # With a cable pulled all addresses go, and mostly come back as they were.
        if addresses and (gone := bound.difference(addresses)):
            self._move(gone, now_s)

    def _arrive(self, now_s: float) -> None:
        """On a new address: ask at once for all who have not answered yet."""
        if self._advertise:
            if self._advertised is not None:
                self._advertised.close(0.0)
            addresses = dict.fromkeys(door.address for door in self._doors.values())
            self._advertised = Advertisement(self._target, list(addresses), self._port)
        for peer in self._invited:
            session = self._sessions.get(peer)
            if session is None or session.state is State.INVITING:
                self._again.pop(peer, None)
                self._invite(peer, now_s)
        self._schedule()

    def _enter(self, address: str) -> None:
        """Bind both ports on an address, or neither. Raises OSError."""
        family = socket.AF_INET6 if ":" in address else socket.AF_INET
        try:
            for data in (False, True):
                made = socket.socket(family, socket.SOCK_DGRAM)
                fd = made.fileno()
                self._doors[fd] = Door(made, address, data)
                self._loop.add_reader(fd, partial(self._read, fd))
                made.setblocking(False)
                info = socket.getaddrinfo(address, self._port + data, family, socket.SOCK_DGRAM)
                made.bind(info[0][4])
        except OSError:
            self._leave({address})
            raise

    def _leave(self, addresses: Set[str]) -> None:
        for fd, door in list(self._doors.items()):
            if door.address in addresses:
                self._loop.remove_reader(fd)
                door.socket.close()
                del self._doors[fd]

    def _move(self, gone: Set[str], now_s: float) -> None:
        """Part from the peers that knew us by an address that is gone; we invite them anew."""
        for address, session in self._sessions.items():
            door = self._door(address, to_data=True)
            if door is not None and door.address in gone:
                self._emit(address, session.end("our address has changed"))
        self._leave(gone)
        self._settle(now_s)

    def _read(self, fd: int) -> None:
        door = self._doors[fd]
        on_data = door.data
        try:
            data, sender = door.socket.recvfrom(_READ)
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
        for to_data, data in datagrams:
            door = self._door(address, to_data=to_data)
            if door is not None:
                # Full buffers and unreachable peers lose datagrams as the network does.
                with contextlib.suppress(OSError):
                    door.socket.sendto(data, (address[0], address[1] + to_data))

    def _door(self, address: Address, *, to_data: bool) -> Door | None:
        """The socket by which a peer is spoken to: the first of its family."""
        six = ":" in address[0]
        for door in self._doors.values():
            if door.data is to_data and (":" in door.address) is six:
                return door
        return None

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
