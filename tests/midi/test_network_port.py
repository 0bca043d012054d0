"""RTP-MIDI between processes and with implementations that are not ours.

Judges: tshark reads every field of a session and its journals; pymidi (PyPI) and rtpmidi (npm) are
peers; a receiver of its own making repairs what a lossy door takes away.
"""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from matbridge.errors import OutputClosed, OutputUnavailable
from matbridge.midi import messages as midi
from matbridge.midi import network_port
from matbridge.midi import rtp_packet as rtp
from matbridge.midi.addresses import addresses_of
from matbridge.midi.network_port import NetworkPort
from matbridge.midi.rtp_packet import Feedback, Invitation, Sync, Verb
from matbridge.midi.rtp_session import Session, State
from tests.support import npm, tshark
from tests.support.loop import ManualLoop
from tests.support.rtp_peer import RtpPeer
from tests.support.tshark import Datagram

HOME = "127.0.0.1"
ROOT = Path(__file__).parents[2]


def free_port() -> int:
    """The lower of two neighbouring free UDP ports."""
    while True:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as first:
            first.bind((HOME, 0))
            port: int = first.getsockname()[1]
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as second:
                try:
                    second.bind((HOME, port + 1))
                except OSError:
                    continue
                # Even, as usual: the npm library takes an odd port for one of data.
                if port < 65534 and port % 2 == 0:
                    return port


class Clocked:
    """A manual loop that keeps up with the real clock."""

    def __init__(self) -> None:
        self.loop = ManualLoop(time.monotonic())

    def turn(self) -> None:
        self.loop.poll(0.005)
        self.loop.advance(max(0.0, time.monotonic() - self.loop.now_s()))

    def until(self, met: Callable[[], bool], what: str, limit_s: float = 20.0) -> None:
        end_s = time.monotonic() + limit_s
        while not met():
            assert time.monotonic() < end_s, f"waited in vain for {what}"
            self.turn()


@pytest.fixture
def clocked() -> Clocked:
    return Clocked()


@pytest.fixture
def opened(clocked: Clocked) -> Iterator[Callable[..., NetworkPort]]:
    ports: list[NetworkPort] = []

    def make(**options: Any) -> NetworkPort:
        options.setdefault("interface", HOME)
        options.setdefault("port", free_port())
        port = NetworkPort("tablet", "mat", **options)
        ports.append(port)
        port.open(clocked.loop)
        return port

    yield make
    for port in ports:
        port.close()
        port.close()
    assert not clocked.loop.readers
    assert clocked.loop.pending == 0


# ---- sessions ----------------------------------------------------------------------------------


def test_two_of_our_ports_find_each_other_and_part(
    clocked: Clocked, opened: Callable[..., NetworkPort]
) -> None:
    host_port = free_port()
    host = opened(port=host_port, allow=["127.0.0.0/8"])
    states: list[str] = []
    host.on_up = lambda: states.append("up")
    host.on_down = states.append
    guest = opened(invite=[f"{HOME}:{host_port}"])
    clocked.until(lambda: host.up and guest.up, "a session")
    assert states == ["up"]
    guest.close()
    clocked.until(lambda: not host.up, "the end of the session")
    assert states == ["up", "mat: it ended the session"]


def test_a_peer_that_joins_others_is_greeted_alone(
    clocked: Clocked, opened: Callable[..., NetworkPort]
) -> None:
    greeting = [midi.program_change(2, 12), midi.control_change(2, 7, 90)]
    note_on, note_off = midi.note_on(2, 60, 100), midi.note_off(2, 60)
    ups: list[str] = []
    with RtpPeer() as first, RtpPeer() as second:
        second.leave()
        host = opened(invite=[f"{HOME}:{peer.port}" for peer in (first, second)])
        host.on_up = lambda: ups.append("up")
        host.on_join = lambda: greeting
        clocked.until(lambda: host.up, "the first peer")
        host.send([note_on])
        second.come_back()
        clocked.until(lambda: len(second.heard) == len(greeting), "the second peer")
        host.send([note_off])
        clocked.until(lambda: note_off in first.heard and note_off in second.heard, "the end")
    assert first.heard == [note_on, note_off]
    assert second.heard == [*greeting, note_off]
    assert ups == ["up"]


def test_a_stranger_is_refused_and_told(
    clocked: Clocked, opened: Callable[..., NetworkPort]
) -> None:
    host_port = free_port()
    host = opened(port=host_port, allow=["192.0.2.7"])
    guest = opened(invite=[f"{HOME}:{host_port}"])
    clocked.until(lambda: host.status()["refused"] == 1, "the refusal")
    clocked.until(lambda: "refused" in str(guest.status()["why"]), "the reason")
    assert not host.up
    assert not host.status()["peers"]


def test_nothing_but_the_interface_is_bound(opened: Callable[..., NetworkPort]) -> None:
    port = free_port()
    opened(port=port)
    for number in (port, port + 1):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
            other.bind(("127.0.0.2", number))  # free: only 127.0.0.1 is taken


def test_an_ipv6_peer(clocked: Clocked, opened: Callable[..., NetworkPort]) -> None:
    host_port = free_port()
    host = opened(interface="::1", port=host_port, allow=["::1"])
    guest = opened(interface="::1", invite=[f"[::1]:{host_port}"])
    clocked.until(lambda: host.up and guest.up, "a session over IPv6")


@pytest.fixture
def addresses(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Those of the interface "wire", for a test to change."""
    found: list[str] = []
    monkeypatch.setattr(
        network_port,
        "addresses_of",
        lambda name: list(found) if name == "wire" else addresses_of(name),
    )
    monkeypatch.setattr(network_port, "LOOK_S", 0.05)
    monkeypatch.setattr(network_port, "AGAIN_S", 0.05)
    return found


def test_an_address_that_comes_later_is_taken_up(
    clocked: Clocked, opened: Callable[..., NetworkPort], addresses: list[str]
) -> None:
    # As at boot: the link-local address of IPv6 is there at once, that of IPv4 takes a while.
    addresses.append("::1")
    host_port = free_port()
    host = opened(port=host_port, allow=["127.0.0.0/8"])
    guest = opened(interface="wire", invite=[f"{HOME}:{host_port}"])
    clocked.turn()
    assert not guest.up
    addresses.append(HOME)
    clocked.until(lambda: host.up and guest.up, "a session")


def test_an_address_that_goes_is_given_up_for_another(
    clocked: Clocked, opened: Callable[..., NetworkPort], addresses: list[str]
) -> None:
    addresses.append(HOME)
    heard: list[str] = []
    host_port = free_port()
    host = opened(port=host_port, allow=["127.0.0.0/8"])
    guest = opened(interface="wire", invite=[f"{HOME}:{host_port}"])
    guest.on_up = lambda: heard.append("up")
    guest.on_down = heard.append
    clocked.until(lambda: host.up and guest.up, "a session")
    addresses.clear()  # the cable is out
    for _ in range(40):
        clocked.turn()
    assert guest.up
    addresses.append("127.0.0.2")
    clocked.until(lambda: len(heard) == 3, "another session")
    assert heard == ["up", "mat: our address has changed", "up"]
    assert {door.address for door in guest._doors.values()} == {"127.0.0.2"}


def test_an_interface_that_is_not_there_is_waited_for(
    clocked: Clocked, opened: Callable[..., NetworkPort]
) -> None:
    port = opened(interface="nowhere0")
    assert "no interface 'nowhere0'" in str(port.status()["why"])
    assert not port.up
    clocked.loop.advance(30)
    assert "no interface 'nowhere0'" in str(port.status()["why"])


def test_a_closed_port_refuses() -> None:
    port = NetworkPort("tablet", "mat", interface=HOME)
    with pytest.raises(OutputClosed):
        port.send([midi.note_on(1, 60, 1)])


def test_a_peer_that_makes_no_sense_is_named() -> None:
    with pytest.raises(OutputUnavailable, match="tablet"):
        NetworkPort("tablet", "mat", interface=HOME, invite=["not an address"])


def test_a_peer_that_falls_silent_is_let_go() -> None:
    session = Session(1, "mat", 5, 0.0, inviting=False)
    hello = rtp.encode_invitation(Invitation(Verb.INVITE, 5, 9, "peer"))
    session.take(hello, False, 0.0)
    session.take(hello, True, 0.1)
    states = [session.state]
    session.tick(59.0)
    states.append(session.state)
    assert session.tick(61.0)[-1][1][:4] == b"\xff\xffBY"
    assert [*states, session.state] == [State.OPEN, State.OPEN, State.ENDED]


def test_guards_follow_until_the_peer_has_the_last_packet() -> None:
    session = Session(1, "mat", 5, 0.0, inviting=False)
    hello = rtp.encode_invitation(Invitation(Verb.INVITE, 5, 9, "peer"))
    session.take(hello, False, 0.0)
    session.take(hello, True, 0.0)
    session.send([midi.note_off(1, 60)], 1.0)
    guards = session.tick(1.06)
    assert len(guards) == 1
    assert guards[0][1][12] == 0x40  # no commands, a journal
    assert not session.tick(1.07)
    session.take(rtp.encode_feedback(Feedback(9, 1)), False, 1.2)
    assert session.next_due_s > 50
    assert not session.tick(3.0)


# ---- judged by tshark --------------------------------------------------------------------------


def a_session_with_everything() -> list[Datagram]:
    """Both sides of a session: every kind of message, a loss in it, feedback, the end."""
    ours, theirs = 5004, 6004
    session = Session(0x0A0B0C0D, "mat", 0x01020304, 10.0, inviting=True)
    seen: list[Datagram] = []

    def out(datagrams: list[tuple[bool, bytes]]) -> None:
        seen.extend(Datagram(ours + data, theirs + data, raw) for data, raw in datagrams)

    def back(raw: bytes, data: bool, now_s: float) -> None:
        seen.append(Datagram(theirs + data, ours + data, raw))
        out(session.take(raw, data, now_s))

    out(session.tick(10.0))
    accept = rtp.encode_invitation(Invitation(Verb.ACCEPT, 0x01020304, 0x77, "peer"))
    back(accept, False, 10.1)
    back(accept, True, 10.2)
    out(session.tick(10.2))
    back(rtp.encode_sync(Sync(0x77, 1, (102_000, 55, 0))), True, 10.3)
    for now_s, batch in enumerate(
        (
            [midi.note_on(1, 60, 100), midi.note_on(1, 64, 99), midi.control_change(1, 74, 12)],
            [midi.poly_pressure(1, 60, 33), midi.channel_pressure(2, 44)],
            [midi.pitch_bend(3, 8193), midi.program_change(4, 5)],
            [midi.control_change(2, 101, 0), midi.control_change(2, 100, 0)],
            [midi.control_change(2, 6, 48), midi.control_change(2, 38, 0)],
            [midi.note_off(1, 60, 64)],
            [midi.note_on(1, note, 70) for note in range(40, 60)],
            [midi.control_change(1, 123, 0)],
            [],
        ),
        11,
    ):
        out(session.send(batch, now_s) if batch else session.tick(now_s + 1.0))
    back(rtp.encode_feedback(Feedback(0x77, 3)), False, 21.0)
    out(session.send([midi.note_on(16, 127, 127)], 22.0))
    out(session.end("done"))
    return seen


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[dict[str, Any]], str]:
    path = tmp_path_factory.mktemp("capture") / "session.pcap"
    tshark.write(path, a_session_with_everything())
    return tshark.read(path), tshark.text(path)


def test_no_packet_is_malformed(judged: tuple[list[dict[str, Any]], str]) -> None:
    layers, text = judged
    assert "Malformed" not in text
    assert all("rtpmidi" in one or "applemidi" in one for one in layers), layers
    assert sum("rtpmidi" in one for one in layers) >= 9


def flat(tree: Any, name: str) -> list[str]:
    """Every value of a field, wherever it stands in what tshark gives."""
    if isinstance(tree, dict):
        found = [value for key, value in tree.items() if key == name and isinstance(value, str)]
        return found + [one for value in tree.values() for one in flat(value, name)]
    if isinstance(tree, list):
        return [one for value in tree for one in flat(value, name)]
    return []


def test_every_message_is_what_was_sent(judged: tuple[list[dict[str, Any]], str]) -> None:
    _, text = judged
    for words in (
        "Note On (c=1, n=C4, v=100)",
        "Note On (c=1, n=E4, v=99)",
        "Control Change (c=1, ctrl=Sound Controller 5 (default: Brightness), v=12)",
        "Polyphonic Key Pressure (c=1, n=C4, p=33)",
        "Channel Pressure (c=2, p=44)",
        "Program Change (c=4, p=5)",
        "Note Off (c=1, n=C4, v=64)",
        "Note On (c=16, n=G9, v=127)",
    ):
        assert words in text, words


def test_the_session_is_understood(judged: tuple[list[dict[str, Any]], str]) -> None:
    layers, _ = judged
    assert flat(layers, "applemidi.command")[:4] == ["0x494e", "0x4f4b", "0x494e", "0x4f4b"]
    assert flat(layers, "applemidi.name")[0] == "mat"
    assert flat(layers, "applemidi.command")[-1] == "0x4259"


def test_the_journal_is_understood(judged: tuple[list[dict[str, Any]], str]) -> None:
    _, text = judged
    for chapter in ("Chapter P", "Chapter C", "Chapter M", "Chapter W", "Chapter N", "Chapter T",
                    "Chapter A"):  # fmt: skip
        assert chapter in text.replace("Delta", ""), chapter


# ---- other peers -------------------------------------------------------------------------------


def play_some(port: NetworkPort, clocked: Clocked) -> None:
    for batch in (
        [midi.note_on(1, 60, 100)],
        [midi.control_change(1, 74, 12), midi.note_on(2, 62, 80)],
        [midi.note_off(1, 60, 0), midi.note_off(2, 62, 0)],
    ):
        port.send(batch)
        for _ in range(4):
            clocked.turn()


def test_the_python_library_pymidi_hears_us(
    clocked: Clocked, opened: Callable[..., NetworkPort]
) -> None:
    from pymidi import server

    heard: list[tuple[str, dict[str, str]]] = []

    class Handler(server.Handler):  # type: ignore[misc]
        def on_midi_commands(self, peer: Any, commands: Any) -> None:
            heard.extend(
                (str(c.command), {k: str(v) for k, v in c.params.items() if k[0] != "_"})
                for c in commands
            )

    number = free_port()
    peer = server.Server([(HOME, number)])
    peer.add_handler(Handler())
    threading.Thread(target=peer.serve_forever, daemon=True).start()
    port = opened(invite=[f"{HOME}:{number}"])
    clocked.until(lambda: port.up, "a session with pymidi")
    play_some(port, clocked)
    clocked.until(lambda: len(heard) == 5, "the notes")
    assert heard[0] == ("note_on", {"key": "C4", "velocity": "100"})
    assert [kind for kind, _ in heard].count("note_off") == 2


PEER_JS = """
const { Session } = require(require.resolve("rtpmidi", { paths: [process.cwd()] }));
const peer = new Session(+process.argv[1], "peer", "peer", undefined, false, 4);
peer.on("message", (delta, message) => console.log(JSON.stringify([...message])));
peer.on("streamAdded", () => console.log('"open"'));
peer.on("ready", () => console.log('"ready"'));
peer.start();
process.stdin.on("end", () => process.exit(0)).resume();
"""


def test_the_node_library_rtpmidi_hears_every_message(
    clocked: Clocked, opened: Callable[..., NetworkPort]
) -> None:
    number = free_port()
    peer = subprocess.Popen(
        ["node", "-e", PEER_JS, str(number)],
        cwd=npm.folder(),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    assert peer.stdin
    assert peer.stdout
    heard: list[Any] = []

    def listen() -> None:
        assert peer.stdout
        heard.extend(json.loads(line) for line in peer.stdout if line[0] in '["')

    thread = threading.Thread(target=listen, daemon=True)
    thread.start()
    try:
        port = opened(invite=[f"{HOME}:{number}"])
        clocked.until(lambda: port.up, "a session with the node library")
        play_some(port, clocked)
        expected = [
            [0x90, 60, 100], [0xB0, 74, 12], [0x91, 62, 80], [0x80, 60, 0], [0x81, 62, 0],
        ]  # fmt: skip
        clocked.until(lambda: [one for one in heard if isinstance(one, list)] == expected, "all")
    finally:
        peer.stdin.close()
        peer.wait(10)
        thread.join()
        peer.stdout.close()


# ---- loss --------------------------------------------------------------------------------------

NOTES = 10_000
LOSS = 0.10

SENDER = """
import sys, time
from matbridge.midi import messages as midi
from matbridge.midi.network_port import NetworkPort
from matbridge.service.loop import ServiceLoop

loop = ServiceLoop(lambda error: None)
port = NetworkPort("tablet", "mat", interface=sys.argv[1], invite=[sys.argv[2]])
notes, sent, held = int(sys.argv[3]), 0, []

def step():
    global sent
    if not port.up:
        loop.call_at(loop.now_s() + 0.02, step)
        return
    batch = [midi.note_off(*key) for key in held]
    held.clear()
    if sent < notes:
        for _ in range(4):
            key = (sent // 128 % 16 + 1, sent % 128)
            held.append(key)
            batch.append(midi.note_on(*key, 1 + sent % 127))
            sent += 1
    port.send(batch)
    if held:
        loop.call_at(loop.now_s() + 0.002, step)
    else:
        loop.call_at(loop.now_s() + 2.0, finish)

def finish():
    port.close()
    loop.stop()

port.open(loop)
loop.call_at(loop.now_s(), step)
loop.run()
"""


@pytest.fixture
def two_hosts() -> Iterator[tuple[str, str]]:
    """Two network namespaces on a wire of their own; their names."""
    names = (f"mb{os.getpid()}a", f"mb{os.getpid()}b")

    def ip(*words: str) -> None:
        subprocess.run(["ip", *words], check=True)

    for name in names:
        ip("netns", "add", name)
    try:
        ip("link", "add", names[0], "type", "veth", "peer", "name", names[1])
        for number, name in enumerate(names, 1):
            ip("link", "set", name, "netns", name)
            ip("-n", name, "addr", "add", f"192.168.91.{number}/24", "dev", name)
            ip("-n", name, "link", "set", name, "up")
        yield names
    finally:
        for name in names:
            ip("netns", "del", name)


def test_ten_thousand_notes_through_a_lossy_network_leave_none_stuck(
    two_hosts: tuple[str, str],
) -> None:
    here, there = two_hosts
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}

    def start(host: str, *arguments: str) -> subprocess.Popen[str]:
        return subprocess.Popen(
            ["ip", "netns", "exec", host, sys.executable, *arguments],
            stdout=subprocess.PIPE,
            text=True,
            env=environment,
        )

    receiver = start(
        there, "-m", "tests.support.rtp_receiver", "192.168.91.2", "5004", str(LOSS), "60"
    )
    sender = start(here, "-c", SENDER, here, "192.168.91.2:5004", str(NOTES))
    assert sender.wait(60) == 0
    out, _ = receiver.communicate(timeout=60)
    found = json.loads(out)
    assert sender.stdout
    sender.stdout.close()
    assert found["lost"] > 100, found  # the door did lose
    assert found["repaired"] > 50, found  # and the journal did mend
    assert found["sounding"] == [], found
    assert found["struck"] > NOTES * (1 - 2.5 * LOSS)


def test_advertised_by_name_and_found_by_another(
    clocked: Clocked, opened: Callable[..., NetworkPort]
) -> None:
    from zeroconf import ServiceBrowser, Zeroconf

    number, service = free_port(), "_apple-midi._udp.local."
    found: list[str] = []
    with Zeroconf(interfaces=[HOME]) as seeker:

        def on_change(zeroconf: Any, service_type: str, name: str, state_change: Any) -> None:
            found.append(name)

        ServiceBrowser(seeker, service, handlers=[on_change])
        opened(port=number, advertise=True)

        def ours() -> list[str]:
            """The names at which our port is to be found: others may announce theirs meanwhile."""
            told = {name: seeker.get_service_info(service, name) for name in found}
            return [name for name, info in told.items() if info and info.port == number]

        clocked.until(lambda: bool(ours()), "the announcement")
        assert ours()[0].startswith("mat")


def test_nobody_waits_for_the_announcement(
    monkeypatch: pytest.MonkeyPatch, opened: Callable[..., NetworkPort]
) -> None:
    import zeroconf

    returned = threading.Event()
    in_time: list[bool] = []

    def register(*_: object, **__: object) -> None:
        in_time.append(returned.wait(5.0))

    monkeypatch.setattr(zeroconf.Zeroconf, "register_service", register)
    port = opened(port=free_port(), advertise=True)
    returned.set()
    port.close()
    assert in_time == [True]


def test_what_keeps_it_from_being_announced_is_told(
    clocked: Clocked, monkeypatch: pytest.MonkeyPatch, opened: Callable[..., NetworkPort]
) -> None:
    import zeroconf

    def refuse(*_: object, **__: object) -> None:
        raise zeroconf.NonUniqueNameException("the name is taken")

    monkeypatch.setattr(zeroconf.Zeroconf, "register_service", refuse)
    port = opened(port=free_port(), advertise=True)
    clocked.until(lambda: port.status()["why"] == "not advertised: the name is taken", "the reason")


def test_without_the_package_to_advertise_is_refused(
    monkeypatch: pytest.MonkeyPatch, opened: Callable[..., NetworkPort]
) -> None:
    monkeypatch.setattr(network_port, "can_advertise", lambda: False)
    with pytest.raises(OutputUnavailable, match="needs the package zeroconf"):
        opened(advertise=True)


def test_with_no_peer_messages_are_dropped_and_counted(opened: Callable[..., NetworkPort]) -> None:
    port = opened()
    port.send([midi.note_on(1, 60, 1)] * 100)
    assert port.status()["dropped"] == 100
