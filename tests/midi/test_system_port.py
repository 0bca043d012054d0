"""Ports of a MIDI system, against a real JACK server and a receiver that is not ours.

ALSA's sequencer needs a kernel that has it; the tests of the booted machine play through it.
"""

from __future__ import annotations

import errno
import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from matbridge.errors import OutputAmbiguous, OutputClosed, OutputUnavailable
from matbridge.midi import messages as m
from matbridge.midi import port_client
from matbridge.midi.output import Output
from matbridge.midi.outputs import make_output
from tests.midi.conftest import Turning, use
from tests.support.jack import JackReader, JackServer

OURS = "harbour"


@pytest.fixture
def own_server(monkeypatch: pytest.MonkeyPatch) -> Iterator[JackServer]:
    """A server that the test may mistreat."""
    with JackServer() as server:
        use(server, monkeypatch)
        yield server


def notes(count: int, first: int = 0) -> list[bytes]:
    return [m.note_on(1, 60 + n % 12, 1 + n) for n in range(first, first + count)]


def listen(reader: JackReader, output: Output) -> None:
    reader.connect(f"{OURS}:{OURS}", lambda message: output.send([message]))


def process_of(output: Output) -> int:
    """The process that holds the port."""
    client: object = output._client  # type: ignore[attr-defined]
    return int(client._process.pid)  # type: ignore[attr-defined]


def test_another_program_hears_what_is_sent_in_order(turning: Turning, jack: JackServer) -> None:
    output = make_output("synth", "virtual", OURS)
    output.open(turning.loop)
    assert output.up
    assert output.status()["driver"] == "JACK"
    with JackReader(jack) as reader:
        listen(reader, output)
        sent = [
            m.program_change(1, 5),
            m.note_on(16, 127, 1),
            m.poly_pressure(1, 60, 3),
            m.control_change(2, 74, 4),
            m.channel_pressure(3, 5),
            m.pitch_bend(4, 8193),
            m.note_off(16, 127, 6),
        ]
        output.send(sent)
        reader.wait_for(sent[-1])
        assert reader.messages() == sent
    output.close()


def test_what_was_sent_last_is_heard_before_the_port_closes(
    turning: Turning, jack: JackServer
) -> None:
    output = make_output("synth", "virtual", OURS)
    output.open(turning.loop)
    with JackReader(jack) as reader:
        listen(reader, output)
        output.send(notes(100))
        output.close()
        reader.wait_for(notes(100)[-1])
        assert reader.messages() == notes(100)


def test_a_port_is_found_by_pattern_and_played(turning: Turning, jack: JackServer) -> None:
    with JackReader(jack) as reader:
        output = make_output("desk", "port", reader.port.upper())
        output.open(turning.loop)
        assert output.status()["port"] == reader.port
        output.send(notes(3))
        reader.wait_for(notes(3)[-1])
        output.close()


def test_a_pattern_for_two_ports_is_refused_with_both_names(
    turning: Turning, jack: JackServer
) -> None:
    with JackReader(jack) as one, JackReader(jack) as two:
        output = make_output("desk", "port", "reader*")
        with pytest.raises(OutputAmbiguous) as caught:
            output.open(turning.loop)
        assert set(caught.value.names) == {one.port, two.port}
        assert not output.up
        second = make_output("desk", "port", "reader* #2")
        second.open(turning.loop)
        assert second.status()["port"] == caught.value.names[1]
        second.close()


def test_a_pattern_that_becomes_ambiguous_is_told_and_the_show_goes_on(
    turning: Turning, jack: JackServer
) -> None:
    output = make_output("desk", "port", "reader*")
    output.open(turning.loop)
    assert not output.up
    assert "no MIDI port fits 'reader*'; JACK has none" in str(output.status()["why"])
    with JackReader(jack), JackReader(jack):
        turning.until(lambda: "fits 2 MIDI ports" in str(output.status().get("why")), "the reason")
    output.close()


def test_a_port_that_goes_is_found_again_when_it_is_back(
    turning: Turning, jack: JackServer
) -> None:
    events: list[str] = []
    output = make_output("desk", "port", "reader*")
    output.on_up = lambda: events.append("up")
    output.on_down = events.append
    with JackReader(jack) as reader:
        output.open(turning.loop)
        assert output.up
        assert events == []
        port = reader.port
    turning.until(lambda: not output.up, "the loss")
    assert events == [f"MIDI port '{port}' is gone"]
    output.send(notes(1))
    with JackReader(jack) as reader:
        turning.until(lambda: output.up, "the return")
        output.send(notes(2, first=50))
        reader.wait_for(notes(2, first=50)[-1])
        assert reader.messages() == notes(2, first=50)
    assert events[1:] == ["up"]
    output.close()
    assert output.status()["dropped"] == 1


def test_with_no_midi_system_one_line_says_what_is_missing_and_how_to_get_it(
    turning: Turning, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "nobody")
    output = make_output("synth", "virtual", OURS)
    output.open(turning.loop)
    why = str(output.status()["why"])
    assert why.startswith("no MIDI system: ")
    assert "no JACK server answers (start one)" in why
    assert ("modprobe snd-seq" in why) != Path("/dev/snd/seq").exists()
    assert "\n" not in why
    output.close()


def test_a_server_that_comes_later_is_found(
    turning: Turning, monkeypatch: pytest.MonkeyPatch
) -> None:
    server = JackServer()
    use(server, monkeypatch)
    output = make_output("synth", "virtual", OURS)
    came_up: list[float] = []
    output.on_up = lambda: came_up.append(turning.loop.now_s())
    output.open(turning.loop)
    with server:
        turning.until(lambda: came_up, "the port")
    output.close()


def test_a_system_that_has_no_process_to_spare_is_asked_again(
    turning: Turning, jack: JackServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise OSError(errno.EAGAIN, "Resource temporarily unavailable")

    output = make_output("synth", "virtual", OURS)
    with monkeypatch.context() as patched:
        patched.setattr(port_client, "Popen", refuse)
        output.open(turning.loop)
        assert output.status()["why"] == "no process to hold it: Resource temporarily unavailable"
        output.close()
        assert turning.loop.pending == 0
        output.open(turning.loop)
    turning.until(lambda: output.up, "the port")
    output.close()


def test_a_driver_that_cannot_be_is_refused(turning: Turning, jack: JackServer) -> None:
    for driver, why in (
        ("windows", "built without Windows MIDI"),
        ("bluff", "there are auto, alsa, jack, coremidi, windows"),
    ):
        output = make_output("synth", "virtual", OURS, {"driver": driver})
        with pytest.raises(OutputUnavailable, match=why):
            output.open(turning.loop)
        assert not output.up


def test_a_name_that_is_taken_is_not_offered_twice(turning: Turning, jack: JackServer) -> None:
    first = make_output("synth", "virtual", OURS)
    first.open(turning.loop)
    second = make_output("again", "virtual", OURS)
    second.open(turning.loop)
    assert not second.up
    assert f"another program offers a MIDI port '{OURS}'" in str(second.status()["why"])
    first.close()
    turning.until(lambda: second.up, "the second, once the name is free")
    second.close()


def test_a_killed_server_is_noticed_and_played_again_within_three_seconds_of_its_return(
    turning: Turning, own_server: JackServer
) -> None:
    events: list[str] = []
    output = make_output("synth", "virtual", OURS)
    output.on_up = lambda: events.append("up")
    output.on_down = events.append
    output.open(turning.loop)
    own_server.kill()
    _play_until(turning, output, lambda: not output.up)
    assert events == ["the JACK server does not answer"]
    own_server.start()
    turning.until(lambda: output.up, "the port", patience_s=3.0)
    with JackReader(own_server) as reader:
        listen(reader, output)
        output.send(notes(5))
        reader.wait_for(notes(5)[-1])
        assert reader.messages() == notes(5)
    assert events[1:] == ["up"]
    output.close()


def test_a_frozen_server_holds_nobody_up_and_plays_again_within_three_seconds(
    turning: Turning, own_server: JackServer
) -> None:
    output = make_output("synth", "virtual", OURS)
    output.open(turning.loop)
    own_server.freeze()
    longest_s = _play_until(turning, output, lambda: not output.up)
    assert longest_s < 0.5
    _play_until(turning, output, _after(turning, 1.5))
    own_server.thaw()
    turning.until(lambda: output.up, "the port", patience_s=3.0)
    assert f"{OURS}:{OURS}" in own_server.ports()
    with JackReader(own_server) as reader:
        listen(reader, output)
        output.send(notes(5))
        reader.wait_for(notes(5)[-1])
        assert reader.messages() == notes(5)
    output.close()


def test_a_flood_into_a_frozen_server_does_not_freeze_the_sender(
    turning: Turning, own_server: JackServer
) -> None:
    output = make_output("synth", "virtual", OURS)
    output.open(turning.loop)
    own_server.freeze()
    started_s = time.monotonic()
    for _ in range(100):
        output.send(notes(100))
    assert time.monotonic() - started_s < 0.5
    turning.until(lambda: not output.up, "the loss")
    own_server.thaw()
    turning.until(lambda: output.up, "the port", patience_s=3.0)
    output.close()


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP])
def test_the_process_that_holds_the_port_is_replaced(
    turning: Turning, jack: JackServer, number: signal.Signals
) -> None:
    output = make_output("synth", "virtual", OURS)
    output.open(turning.loop)
    first = process_of(output)
    os.kill(first, number)
    turning.until(lambda: not output.up, "the loss")
    turning.until(lambda: output.up, "a new process")
    assert process_of(output) != first
    with pytest.raises(ProcessLookupError):
        os.kill(first, 0)
    output.close()


def test_interrupt_and_terminate_do_not_end_the_process_that_owes_note_offs(
    turning: Turning, jack: JackServer
) -> None:
    output = make_output("synth", "virtual", OURS)
    output.open(turning.loop)
    with JackReader(jack) as reader:
        listen(reader, output)
        for number in (signal.SIGINT, signal.SIGTERM):
            os.kill(process_of(output), number)
        output.send(notes(1))
        reader.wait_for(notes(1)[0])
    output.close()


def test_closing_leaves_no_process(turning: Turning, jack: JackServer) -> None:
    output = make_output("synth", "virtual", OURS)
    output.open(turning.loop)
    process = process_of(output)
    output.close()
    with pytest.raises(ProcessLookupError):
        os.kill(process, 0)
    assert turning.loop.pending == 0
    with pytest.raises(OutputClosed):
        output.send(notes(1))


def _after(turning: Turning, seconds: float) -> object:
    end_s = turning.loop.now_s() + seconds
    return lambda: turning.loop.now_s() > end_s


def _play_until(turning: Turning, output: Output, met: object) -> float:
    """Play until `met`; the longest that a turn with its sends took."""
    assert callable(met)
    longest_s = 0.0
    end_s = time.monotonic() + 20
    while not met():
        assert time.monotonic() < end_s
        started_s = time.monotonic()
        output.send(notes(4))
        turning.turn(0.005)
        longest_s = max(longest_s, time.monotonic() - started_s)
    return longest_s


def test_the_server_of_these_tests_waits_for_a_late_receiver(
    turning: Turning, own_server: JackServer
) -> None:
    output = make_output("synth", "virtual", OURS)
    output.open(turning.loop)
    with JackReader(own_server) as reader:
        listen(reader, output)
        sent = notes(20)
        for message in sent:
            reader.freeze()
            output.send([message])
            turning.turn(0.004)  # Three periods.
            reader.thaw()
            reader.wait_for(message)
        assert reader.messages() == sent
    output.close()
