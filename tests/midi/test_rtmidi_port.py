"""What python-rtmidi leaves to its user: choice of driver, closed ports, its exceptions."""

from __future__ import annotations

import inspect
import os
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest
import rtmidi

from matbridge.errors import OutputError
from matbridge.midi import rtmidi_port
from matbridge.midi.rtmidi_port import (
    DRIVERS,
    MAX_UNPROVEN,
    TRANSLATION,
    candidates,
    compiled,
    translated,
)
from tests.midi.conftest import use
from tests.support.jack import JackReader, JackServer, listed_ports, wait_until

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


def test_alsa_without_its_node_is_not_even_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rtmidi_port, "_ALSA_NODE", Path("/nonexistent/snd/seq"))
    assert "modprobe snd-seq" in DRIVERS[0].missing()


# What follows talks to real servers, each time from an interpreter of its own: the JACK library
# does not outlive its server, and an interpreter that crashes must be seen to.


def apart(script: str, *arguments: str) -> list[str]:
    """The lines that the script prints. Its clients have left their server by then: one that takes
    the name of one that has not is given another.
    """
    done = subprocess.run(
        (sys.executable, "-c", textwrap.dedent(SETTING) + textwrap.dedent(script), *arguments),
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(rtmidi_port.__file__).parents[2],
    )
    assert done.returncode == 0, done.stderr
    wait_until(
        lambda: "quay" not in "".join(listed_ports(os.environ)), "the script's clients to leave"
    )
    return done.stdout.splitlines()


SETTING = """
    import os, signal, sys, time
    import rtmidi
    from matbridge.errors import *
    from matbridge.midi.rtmidi_port import *
    JACK = next(driver for driver in DRIVERS if driver.name == "jack")
"""


def test_the_first_driver_that_opens_is_taken(jack: JackServer) -> None:
    assert apart("""
        absent = JACK._replace(name="absent", missing=lambda: "no such thing")
        refuses = JACK._replace(name="refuses", api=4)
        print(connect((absent, refuses, JACK), "one")[0].name)
        try:
            connect((absent, refuses), "one")
        except OutputUnavailable as error:
            print(error)
    """) == ["jack", "no MIDI system: no such thing; no JACK server answers (start one)"]


def test_ports_are_listed_without_those_that_only_watch(jack: JackServer) -> None:
    with JackReader(jack) as reader:
        listed = apart("""
            port = Port("virtual", "quay", "quay", (JACK,))
            print(*output_names(JACK), *input_names(JACK), sep="\\n")
            port.close()
        """)
    assert sorted(listed) == sorted((reader.port, "quay:quay"))


def test_a_closed_port_refuses_and_does_not_crash(jack: JackServer) -> None:
    said = apart("""
        port = Port("virtual", "quay", "quay", (JACK,))
        port.send(bytes((0x90, 60, 64)))
        port.close()
        port.close()
        for use in (lambda: port.send(bytes((0x90, 60, 64))), port.check):
            try:
                use()
            except OutputClosed as error:
                print(error)
    """)
    assert said == 2 * ["MIDI port 'quay' is closed"]


def test_a_port_whose_pulse_jack_leaves_deaf_is_not_taken_for_open(jack: JackServer) -> None:
    assert apart("""
        class Deaf(rtmidi.MidiIn):
            def get_message(self):
                return None

        sound, rtmidi.MidiIn = rtmidi.MidiIn, Deaf
        try:
            Port("virtual", "quay", "quay", (JACK,))
        except OutputUnavailable as error:
            print(error)
        rtmidi.MidiIn = sound
        print(input_names(JACK))
        port = Port("virtual", "quay", "quay", (JACK,))
        print(port.proven())
        port.close()
    """) == ["JACK does not serve us", "[]", "True"]


@pytest.mark.parametrize(
    ("ours", "theirs", "make"),
    [
        ("MidiOut", "MidiIn", 'Port("port", "quay*", "one", (JACK,))'),
        ("MidiIn", "MidiOut", 'Listener("quay*", "one", (JACK,))'),
    ],
)
def test_a_port_that_moved_in_the_list_is_not_mistaken_for_its_neighbour(
    jack: JackServer, ours: str, theirs: str, make: str
) -> None:
    assert apart(
        """
        ours, theirs, make = sys.argv[1:]
        others = []
        for name in ("aft", "quay", "wrong"):
            others.append(getattr(rtmidi, theirs)(rtapi=JACK.api, name=name))
            others[-1].open_virtual_port(name)

        class Moving(getattr(rtmidi, ours)):
            def get_ports(self):
                listed = super().get_ports()
                others[0].close_port()
                return listed

        setattr(rtmidi, ours, Moving)
        try:
            eval(make)
        except OutputUnavailable as error:
            print(error)
        """,
        *(ours, theirs, make),
    ) == ["'quay:quay' moved in the list of ports while it was opened"]


def test_an_input_is_lost_once_it_no_longer_hears_itself(jack: JackServer) -> None:
    said = apart("""
        import subprocess

        source = rtmidi.MidiOut(rtapi=JACK.api, name="quay")
        source.open_virtual_port("quay")
        listener = Listener("quay*", "one", (JACK,))
        note = bytes((0x90, 60, 64))
        heard = set()
        for _ in range(3 * Listener.MISSES):
            listener.check()
            source.send_message(note)
            while note not in (came := listener.messages()):
                heard.update(came)
                source.send_message(note)
                time.sleep(0.01)
            heard.update(came)
        print(heard == {note})
        ours = f"{PULSE_CLIENT}-{os.getpid()}-ask:out"
        subprocess.run(("jack_disconnect", ours, "one:in"), check=True)
        try:
            for _ in range(3 * Listener.MISSES):
                listener.messages()
                listener.check()
        except OutputLost as error:
            print(error)
    """)
    assert said == ["True", "MIDI input 'quay:quay': JACK does not serve us"]


def test_no_more_is_sent_than_the_driver_holds_for_a_server_that_stopped(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with JackServer() as server:
        use(server, monkeypatch)
        said = apart(
            """
            port = Port("virtual", "quay", "quay", (JACK,))
            os.kill(int(sys.argv[1]), signal.SIGSTOP)
            sent = 0
            while port.ready():
                port.send(bytes((0x90, 60, 64)))
                sent += 1
            print(sent)
            os.kill(int(sys.argv[1]), signal.SIGCONT)
            port.close()
            """,
            str(server.process_id),
        )
    # Twice, for the server may have answered one beat on the way.
    assert MAX_UNPROVEN <= int(said[0]) <= 2 * MAX_UNPROVEN
