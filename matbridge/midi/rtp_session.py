"""One session with one peer: invitation, clock, feedback, and the stream of packets to it. Pure.

    state       comes from                        what it does
    INVITING    we invite: control, then data     asks again each INVITE_S; gives up never
    INVITED     the peer invited on control       waits for it on data
    OPEN        both ports agreed                 sends; clock exchange; guards
    ENDED       BY, refusal, or silence           nothing more

The peer has two ports: control, and data, the next one. A peer is known by its address and the
invitation's token, not by its SSRC: there are peers with one for each port. Datagrams to send come
back from every call as (to the data port?, bytes).
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum, auto

from matbridge.midi import rtp_packet as rtp
from matbridge.midi.rtp_journal import Journal
from matbridge.midi.rtp_packet import Feedback, Invitation, Sync, Verb

# The published note asks once a second; a peer that is not there yet is worth a longer patience.
INVITE_S = 1.0
INVITE_LATER_S = 5.0
INVITES_SOON = 12

# The one who invited starts a clock exchange: a few at once, then each so often.
SYNC_SOON_S = 1.5
SYNC_S = 10.0
SYNCS_SOON = 3

# A peer that has said nothing for so long is gone: six of its clock exchanges.
SILENCE_S = 60.0

# The last packet may be lost with nobody to notice: an empty one with the journal follows, after so
# long, and again twice as late each time while the peer has not said that it got it (RFC 4696,
# "guard packets").
GUARD_S = 0.05
GUARDS = 8

Datagram = tuple[bool, bytes]
"""(whether it is for the data port, bytes)."""


class State(Enum):
    INVITING = auto()
    INVITED = auto()
    OPEN = auto()
    ENDED = auto()


class Session:
    """One peer. token: of the invitation; ssrc: ours.

    why: why it ended. next_due_s: when `tick` is wanted.
    """

    def __init__(self, ssrc: int, name: str, token: int, now_s: float, *, inviting: bool) -> None:
        self.state = State.INVITING if inviting else State.INVITED
        self.peer_name = ""
        self.why = ""
        self.next_due_s = now_s
        self.latency_s = 0.0
        self.token = token
        self._ssrc, self._name = ssrc, name
        self._inviting = inviting
        self._data_asked = False
        self._invites = 0
        self._syncs = 0
        self._heard_s = now_s
        self._ask_s = now_s
        self._sync_s = now_s
        self._guard_s = float("inf")
        self._guards = 0
        self._packet = 0
        self._journal = Journal()

    def tick(self, now_s: float) -> list[Datagram]:
        """What is due by now."""
        out: list[Datagram] = []
        if self.state is State.INVITING and now_s >= self._ask_s:
            out.append((self._data_asked, self._invitation(Verb.INVITE)))
            self._invites += 1
            later = INVITE_S if self._invites < INVITES_SOON else INVITE_LATER_S
            self._ask_s = now_s + later
        elif self.state is State.INVITED and now_s - self._heard_s > INVITE_LATER_S:
            self._end("it invited us on one port only")
        elif self.state is State.OPEN:
            if now_s - self._heard_s > SILENCE_S:
                out += self.end("it fell silent")
            elif self._inviting and now_s >= self._sync_s:
                out.append((True, self._sync(0, (rtp.ticks(now_s), 0, 0))))
                self._syncs += 1
                self._sync_s = now_s + (SYNC_SOON_S if self._syncs < SYNCS_SOON else SYNC_S)
            if self.state is State.OPEN and now_s >= self._guard_s:
                out.append((True, self._packet_of((), now_s)))
                self._guards += 1
                later_s = GUARD_S * 2**self._guards
                self._guard_s = now_s + later_s if self._guards < GUARDS else float("inf")
        self._reckon(now_s)
        return out

    def take(self, data: bytes, on_data: bool, now_s: float) -> list[Datagram]:
        """What a datagram from the peer causes."""
        packet = rtp.decode_session(data)
        if packet is None or self.state is State.ENDED:
            if self.state is State.OPEN and data[:1] == bytes((rtp.VERSION,)):
                self._heard_s = now_s  # its own music: we do not play it, but it is there
            return []
        self._heard_s = now_s
        out: list[Datagram] = []
        if isinstance(packet, Invitation):
            out = self._invited(packet, on_data, now_s)
        elif isinstance(packet, Sync):
            out = self._synced(packet, now_s)
        elif isinstance(packet, Feedback):
            self._acknowledged(packet.sequence)
        self._reckon(now_s)
        return out

    def send(self, messages: Sequence[bytes], now_s: float) -> list[Datagram]:
        """One batch of messages; nothing while the session is not open."""
        if self.state is not State.OPEN:
            return []
        out: list[Datagram] = []
        batch: list[bytes] = []
        size = 0
        for message in messages:
            if size + len(message) + 1 > rtp.MAX_COMMANDS:
                out.append((True, self._packet_of(batch, now_s)))
                batch, size = [], 0
            batch.append(message)
            size += len(message) + 1
        if batch:
            out.append((True, self._packet_of(batch, now_s)))
        self._guards = 0
        self._guard_s = now_s + GUARD_S
        self._reckon(now_s)
        return out

    def end(self, why: str) -> list[Datagram]:
        """Say goodbye, if there was more than a question."""
        was = self.state
        self._end(why)
        return [(False, self._invitation(Verb.END))] if was is not State.ENDED else []

    def _end(self, why: str) -> None:
        self.state = State.ENDED
        self.why = why
        self.next_due_s = float("inf")

    def _invited(self, packet: Invitation, on_data: bool, now_s: float) -> list[Datagram]:
        if packet.token != self.token:
            return []
        if packet.verb is Verb.INVITE:
            # Again or for the first time: an answer may have been lost.
            self.peer_name = packet.name or self.peer_name
            if on_data and self.state is State.INVITED:
                self._open(now_s)
            return [(on_data, self._invitation(Verb.ACCEPT))]
        if packet.verb is Verb.ACCEPT and self.state is State.INVITING:
            self.peer_name = packet.name or self.peer_name
            if on_data:
                self._open(now_s)
            elif not self._data_asked:
                self._data_asked = True
                self._ask_s = now_s
                return self.tick(now_s)
        elif packet.verb is Verb.REFUSE:
            self._end("it refused the invitation")
        elif packet.verb is Verb.END:
            self._end("it ended the session")
        return []

    def _open(self, now_s: float) -> None:
        self.state = State.OPEN
        self._sync_s = now_s

    def _synced(self, packet: Sync, now_s: float) -> list[Datagram]:
        now = rtp.ticks(now_s)
        first, second, _ = packet.stamps
        if packet.step == 0:
            return [(True, self._sync(1, (first, now, 0)))]
        if packet.step == 1:
            self.latency_s = max(now - first, 0) / 2 / rtp.CLOCK_HZ
            return [(True, self._sync(2, (first, second, now)))]
        return []

    def _acknowledged(self, sequence: int) -> None:
        """Sixteen bits of a packet number that is at most half the circle behind."""
        last = self._packet - 1
        behind = (last - sequence) & 0xFFFF
        if behind < 0x8000 and last - behind >= 0:
            self._journal.received(last - behind)
            if behind == 0:
                self._guard_s = float("inf")

    def _packet_of(self, messages: Sequence[bytes], now_s: float) -> bytes:
        journal = self._journal.encode(self._packet, now_s)
        data = rtp.encode(self._packet, rtp.ticks(now_s), self._ssrc, messages, journal)
        for message in messages:
            self._journal.take(self._packet, message, now_s)
        self._packet += 1
        return data

    def _invitation(self, verb: Verb) -> bytes:
        name = self._name if verb in (Verb.INVITE, Verb.ACCEPT) else ""
        return rtp.encode_invitation(Invitation(verb, self.token, self._ssrc, name))

    def _sync(self, step: int, stamps: tuple[int, int, int]) -> bytes:
        return rtp.encode_sync(Sync(self._ssrc, step, stamps))

    def _reckon(self, now_s: float) -> None:
        if self.state is State.INVITING:
            self.next_due_s = self._ask_s
        elif self.state is State.INVITED:
            self.next_due_s = self._heard_s + INVITE_LATER_S
        elif self.state is State.OPEN:
            due_s = min(self._guard_s, self._heard_s + SILENCE_S)
            self.next_due_s = min(due_s, self._sync_s) if self._inviting else due_s
        self.next_due_s = max(self.next_due_s, now_s)
