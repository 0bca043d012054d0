"""What python-rtmidi leaves to its user: choice of driver, closed ports, its exceptions."""

from __future__ import annotations

import inspect
from pathlib import Path

import pytest
import rtmidi

from matbridge.errors import OutputClosed, OutputError, OutputLost, OutputUnavailable
from matbridge.midi import rtmidi_port
from matbridge.midi.rtmidi_port import (
    DRIVERS,
    MAX_UNPROVEN,
    TRANSLATION,
    Port,
    candidates,
    compiled,
    connect,
    input_names,
    output_names,
    translated,
)
from tests.support.jack import JackReader, JackServer

JACK = next(driver for driver in DRIVERS if driver.name == "jack")


def exceptions_of_the_library() -> list[type[Exception]]:
    kinds = (getattr(rtmidi, name) for name in dir(rtmidi))
    return [kind for kind in kinds if inspect.isclass(kind) and issubclass(kind, Exception)]


def test_every_exception_of_the_library_has_a_row_of_its_own() -> None:
    assert len(exceptions_of_the_library()) >= 7
    assert {theirs for theirs, _ in TRANSLATION} >= set(exceptions_of_the_library())


@pytest.mark.parametrize(("theirs", "ours"), TRANSLATION)
def test_each_is_raised_as_the_one_of_its_row(
    theirs: type[Exception], ours: type[OutputError]
) -> None:
    with pytest.raises(ours, match=r"port 'x': broke$") as caught, translated("port 'x'"):
        raise theirs("Api::call: broke")
    assert type(caught.value) is ours


def test_a_mistake_of_ours_is_not_taken_for_one_of_the_library() -> None:
    with pytest.raises(ZeroDivisionError), translated("port 'x'"):
        raise ZeroDivisionError


def test_alsa_comes_first_where_it_is_there_then_jack() -> None:
    assert [driver.name for driver in candidates("auto")] == [driver.name for driver in compiled()]
    assert [driver.name for driver in DRIVERS][:2] == ["alsa", "jack"]
    assert candidates("jack") == (JACK,)


def test_the_first_driver_that_opens_is_taken(jack: JackServer) -> None:
    absent = JACK._replace(name="absent", missing=lambda: "no such thing")
    refuses = JACK._replace(name="refuses", api=rtmidi.API_WINDOWS_MM)
    driver, instance = connect((absent, refuses, JACK), "one")
    del instance  # its client closes
    assert driver is JACK
    with pytest.raises(OutputUnavailable, match="no MIDI system: no such thing; no JACK server"):
        connect((absent, refuses), "one")


def test_alsa_without_its_node_is_not_even_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rtmidi_port, "_ALSA_NODE", Path("/nonexistent/snd/seq"))
    assert "modprobe snd-seq" in DRIVERS[0].missing()


def test_ports_are_listed_without_those_that_only_watch(jack: JackServer) -> None:
    with JackReader(jack) as reader:
        port = Port("virtual", "quay", "quay", (JACK,))
        try:
            assert reader.port in output_names(JACK)
            assert "quay:quay" in input_names(JACK)
            listed = output_names(JACK) + input_names(JACK)
            assert not [name for name in listed if "pulse" in name]
        finally:
            port.close()


def test_a_closed_port_refuses_and_does_not_crash(jack: JackServer) -> None:
    port = Port("virtual", "quay", "quay", (JACK,))
    port.send(b"\x90\x3c\x40")
    port.close()
    port.close()
    with pytest.raises(OutputClosed, match="MIDI port 'quay' is closed"):
        port.send(b"\x90\x3c\x40")
    with pytest.raises(OutputClosed, match="MIDI port 'quay' is closed"):
        port.check()


def test_a_message_that_the_library_refuses_is_a_loss_not_a_crash(jack: JackServer) -> None:
    port = Port("virtual", "quay", "quay", (JACK,))
    try:
        with pytest.raises((OutputLost, ValueError)):
            port.send(b"")
    finally:
        port.close()


def test_no_more_is_sent_than_the_driver_holds_for_a_server_that_stopped() -> None:
    with JackServer() as server, pytest.MonkeyPatch.context() as patch:
        for name, value in server.env.items():
            patch.setenv(name, value)
        port = Port("virtual", "quay", "quay", (JACK,))
        server.freeze()
        sent = 0
        while port.ready():
            port.send(b"\x90\x3c\x40")
            sent += 1
        assert MAX_UNPROVEN <= sent < 2 * MAX_UNPROVEN + 1
        server.thaw()
        port.close()
