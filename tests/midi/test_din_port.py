"""A MIDI cable through a serial device: a pseudo-terminal that is read at the wire's pace."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from select import select

import pytest

from matbridge.errors import OutputClosed, OutputUnavailable
from matbridge.midi import din_port
from matbridge.midi import messages as m
from matbridge.midi.din_port import DinPort
from matbridge.midi.din_queue import AHEAD_S
from tests.midi.conftest import Turning
from tests.support.din import BYTE_S, DinPeer


@pytest.fixture
def peer(tmp_path: Path) -> Iterator[DinPeer]:
    with DinPeer(tmp_path / "jack") as peer:
        yield peer


@pytest.fixture
def port(turning: Turning, peer: DinPeer) -> Iterator[DinPort]:
    port = DinPort("rack", str(peer.path))
    port.open(turning.loop)
    assert port.up
    yield port
    port.close()


def storm(presses: int) -> list[bytes]:
    return [m.note_on(1 + n % 2, n % 128, 1 + n % 127) for n in range(presses)]


def test_a_lone_note_needs_no_turn_of_the_loop(port: DinPort, peer: DinPeer) -> None:
    port.send([m.note_on(1, 60, 100)])
    peer.wait_for(m.note_on(1, 60, 100))
    assert peer.data == bytes((0x90, 60, 100))
    assert port.status()["delay_ms"] == 0.0


def test_every_value_of_a_byte_passes(turning: Turning, port: DinPort, peer: DinPeer) -> None:
    # Among them those that a terminal would keep: 3 interrupts, 17 and 19 stop and start, 10, 13.
    sent = [m.note_on(1, note, 1) for note in range(128)] + [bytes((s,)) for s in b"\xf8\xfa\xff"]
    for message in sent:
        port.send([message])
        turning.turn(0.001)
    peer.wait_for(m.note_on(1, 127, 1))
    assert sorted(peer.messages()) == sorted(sent)


def test_no_more_leaves_than_the_wire_carries(
    turning: Turning, port: DinPort, peer: DinPeer
) -> None:
    sent = storm(100)
    start_s = turning.loop.now_s()
    port.send(sent)
    turning.until(lambda: port.status()["waiting"] == 0, "the queue")
    peer.wait_for(sent[-1])
    assert peer.messages() == sent
    for arrived_s, count in peer.arrivals:
        assert count * BYTE_S <= arrived_s - start_s + AHEAD_S + BYTE_S
    worst_ms = port.status()["worst_delay_ms"]
    assert isinstance(worst_ms, float)
    assert worst_ms >= len(peer.data) * BYTE_S * 1000 - 10


def test_what_waits_leaves_before_the_port_closes(
    turning: Turning, port: DinPort, peer: DinPeer
) -> None:
    sent = storm(60)
    port.send(sent)
    port.close()
    peer.wait_for(sent[-1])
    assert peer.messages() == sent
    with pytest.raises(OutputClosed):
        port.send(sent)
    assert turning.loop.pending == 0


def test_a_cable_that_is_pulled_is_noticed_without_play_and_found_again(
    turning: Turning, port: DinPort, peer: DinPeer
) -> None:
    events: list[str] = []
    port.on_up = lambda: events.append("up")
    port.on_down = events.append
    peer.unplug()
    turning.until(lambda: not port.up, "the loss")
    assert events == [f"{peer.path} went away"]
    port.send([m.note_on(1, 60, 100)])
    peer.plug()
    turning.until(lambda: port.up, "the return")
    port.send([m.note_off(1, 60)])
    peer.wait_for(m.note_off(1, 60))
    assert peer.messages() == [m.note_off(1, 60)]
    assert events[1:] == ["up"]
    assert port.status()["dropped"] == 1


def test_a_device_that_is_not_there_yet_is_waited_for(turning: Turning, tmp_path: Path) -> None:
    port = DinPort("rack", str(tmp_path / "jack"))
    port.open(turning.loop)
    assert port.status()["why"] == f"{tmp_path}/jack is not there"
    with DinPeer(tmp_path / "jack"):
        turning.until(lambda: port.up, "the device")
        assert port.status()["baud"] == 31_250
        port.close()


def test_a_device_that_another_program_holds_is_not_shared(
    turning: Turning, port: DinPort, peer: DinPeer
) -> None:
    second = DinPort("again", str(peer.path))
    second.open(turning.loop)
    assert second.status()["why"] == f"{peer.path} is in use by another program"
    port.close()
    turning.until(lambda: second.up, "the device")
    second.close()


def test_a_device_that_takes_nothing_is_given_up(
    turning: Turning, port: DinPort, peer: DinPeer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(din_port, "STALL_S", 0.1)
    peer.hold()
    port.send(storm(100))
    turning.until(lambda: not port.up, "the loss")
    assert port.status()["why"] == f"{peer.path} takes nothing any more"
    peer.let_go()
    turning.until(lambda: port.up, "the return")


def test_a_device_that_takes_nothing_does_not_keep_the_program_from_ending(
    port: DinPort, peer: DinPeer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(din_port, "CLOSE_WAIT_S", 0.2)
    waits: list[float] = []

    def wait(_: object, writing: tuple[int, ...], __: object, wait_s: float) -> object:
        waits.append(wait_s)
        assert len(waits) < 100, "it waits without end"
        return select((), writing, (), wait_s)

    monkeypatch.setattr(din_port, "select", wait)
    peer.hold()
    port.send(storm(100))
    port.close()
    assert waits


def test_a_device_that_pauses_loses_nothing(turning: Turning, port: DinPort, peer: DinPeer) -> None:
    peer.hold()
    sent = storm(50)
    port.send(sent)
    turning.turn(0.1)
    assert peer.data == b""
    peer.let_go()
    turning.until(lambda: port.status()["waiting"] == 0, "the queue")
    peer.wait_for(sent[-1])
    assert peer.messages() == sent


def test_a_device_whose_rate_is_off_by_more_than_a_hundredth_is_refused(
    turning: Turning, peer: DinPeer, monkeypatch: pytest.MonkeyPatch
) -> None:
    for rate_hz, fits in ((30_900, False), (30_938, True), (31_562, True), (31_600, False)):
        monkeypatch.setattr(din_port, "_set_raw", lambda fd, rate, got=rate_hz: got)
        port = DinPort("rack", str(peer.path))
        if fits:
            port.open(turning.loop)
            assert port.up
        else:
            with pytest.raises(OutputUnavailable, match=f"offers {rate_hz} baud where 31250 are"):
                port.open(turning.loop)
        port.close()


def test_the_console_of_the_system_is_refused(
    turning: Turning, peer: DinPeer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    consoles = tmp_path / "active"
    consoles.write_text(f"tty0 {Path(os.path.realpath(peer.path)).name}\n")
    monkeypatch.setattr(din_port, "_CONSOLES", consoles)
    port = DinPort("rack", str(peer.path))
    with pytest.raises(OutputUnavailable, match="the system's console is on"):
        port.open(turning.loop)


@pytest.mark.parametrize("path", ["/dev/null", __file__])
def test_what_is_no_serial_device_is_refused(turning: Turning, path: str) -> None:
    port = DinPort("rack", path)
    with pytest.raises(OutputUnavailable, match="is not a serial device"):
        port.open(turning.loop)
    assert not port.up


@pytest.mark.parametrize("baud", [31_250, 38_400, 250_000])
def test_the_system_agrees_that_the_line_is_raw(turning: Turning, peer: DinPeer, baud: int) -> None:
    port = DinPort("rack", str(peer.path), baud=baud)
    port.open(turning.loop)
    assert port.status()["baud"] == baud
    told = subprocess.run(
        ("stty", "-a", "-F", str(peer.path)), capture_output=True, text=True, check=True
    ).stdout
    for setting in ("cs8", "-parenb", "-cstopb", "-crtscts", "-icanon", "-echo", "-opost", "-ixon"):
        assert setting in told.replace(";", " ").split()
    port.close()


def test_the_port_needs_nothing_but_python() -> None:
    loaded = subprocess.run(
        (sys.executable, "-c", "import sys, matbridge.midi.din_port; print(*sys.modules)"),
        capture_output=True,
        text=True,
        check=True,
    )
    assert not {"serial", "rtmidi", "mido"} & set(loaded.stdout.split())
