"""The computer's MIDI systems through python-rtmidi; the only module that imports it.

Which system is a decision of ours, not of the library's silent default: the first of DRIVERS that
is there and opens, or the one asked for.

What the library leaves to its user is done here: an instance is used for one port and thrown away,
a closed port refuses instead of crashing the interpreter, and its exceptions become ours. What it
cannot do is done by port_process.py: when a JACK server stops, a send spins for ever without
letting any other thread run.
"""

from __future__ import annotations

import os
import sys
import time
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import rtmidi

from matbridge.errors import OutputClosed, OutputError, OutputLost, OutputUnavailable
from matbridge.midi import port_names

AUTO = "auto"

_ALSA_NODE = Path("/dev/snd/seq")

# Clients that only watch whether the JACK server answers begin with this, and stay out of lists.
PULSE_CLIENT = "matbridge-pulse"

# JACK's driver holds about 2 340 short messages for a server that does not fetch them, and freezes
# its caller at the next. So no more than this are sent without a sign that the server does.
MAX_UNPROVEN = 1000

# What the pulse needs at most to come back once a stopped server goes on.
_ANSWER_S = 0.5

# Song position pointers: a message that no receiver of the pulse minds, with room for a number.
_PULSE_STATUS = 0xF2
_PULSE_NUMBERS = 1 << 14


def _alsa_missing() -> str:
    if not _ALSA_NODE.exists():
        return f"ALSA's sequencer is not there ({_ALSA_NODE}; 'modprobe snd-seq' loads it)"
    if not os.access(_ALSA_NODE, os.R_OK | os.W_OK):
        return f"{_ALSA_NODE} may not be opened by this user (join the group 'audio')"
    return ""


class Driver(NamedTuple):
    """One MIDI system. missing: why it cannot open here, or an empty text; takes no time."""

    name: str
    title: str
    api: int
    missing: Callable[[], str]
    refused: str


DRIVERS: tuple[Driver, ...] = (
    Driver("alsa", "ALSA sequencer", rtmidi.API_LINUX_ALSA, _alsa_missing, "ALSA refused"),
    Driver("jack", "JACK", rtmidi.API_UNIX_JACK, str, "no JACK server answers (start one)"),
    Driver("coremidi", "CoreMIDI", rtmidi.API_MACOSX_CORE, str, "CoreMIDI refused"),
    Driver("windows", "Windows MIDI", rtmidi.API_WINDOWS_MM, str, "Windows MIDI refused"),
)

# What the library raises, and what it is to us; the most special first. Its SystemError is its
# own, not Python's; NotImplementedError is what a virtual port on Windows raises.
TRANSLATION: tuple[tuple[type[Exception], type[OutputError]], ...] = (
    (rtmidi.InvalidPortError, OutputUnavailable),
    (rtmidi.InvalidUseError, OutputClosed),
    (rtmidi.MemoryAllocationError, OutputUnavailable),
    (rtmidi.NoDevicesError, OutputUnavailable),
    (rtmidi.SystemError, OutputUnavailable),
    (rtmidi.UnsupportedOperationError, OutputUnavailable),
    (rtmidi.RtMidiError, OutputLost),
    (NotImplementedError, OutputUnavailable),
    (OSError, OutputLost),
)


class ServerSilent(OutputLost):
    """The MIDI system's server does not answer; it may only have been stopped for a while."""


@contextmanager
def translated(what: str) -> Iterator[None]:
    """Raise the library's exceptions as ours, with `what` was being done."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    except Exception as error:
        for theirs, ours in TRANSLATION:
            if isinstance(error, theirs):
                reason = str(error).partition(": ")[2] or str(error) or type(error).__name__
                raise ours(f"{what}: {reason}") from error
        raise


def compiled() -> tuple[Driver, ...]:
    """The drivers that are built into the installed python-rtmidi, in the order they are tried."""
    apis = rtmidi.get_compiled_api()
    return tuple(driver for driver in DRIVERS if driver.api in apis)


def candidates(name: str) -> tuple[Driver, ...]:
    """The drivers to try for `name`: all in order for "auto". Raises OutputUnavailable for none."""
    there = compiled()
    if name == AUTO:
        if not there:
            raise OutputUnavailable("the installed python-rtmidi was built without any MIDI system")
        return there
    for driver in DRIVERS:
        if driver.name == name:
            if driver in there:
                return (driver,)
            raise OutputUnavailable(f"the installed python-rtmidi was built without {driver.title}")
    names = ", ".join((AUTO, *(driver.name for driver in DRIVERS)))
    raise OutputUnavailable(f"there is no MIDI driver '{name}'; there are {names}")


def connect(drivers: tuple[Driver, ...], client: str) -> tuple[Driver, rtmidi.MidiOut]:
    """An instance of the first driver that opens. Raises OutputUnavailable with each one's why."""
    reasons = []
    for driver in drivers:
        reason = driver.missing()
        if not reason:
            try:
                with translated(driver.title):
                    return driver, rtmidi.MidiOut(rtapi=driver.api, name=client)
            except OutputError:
                reason = driver.refused
        reasons.append(reason)
    raise OutputUnavailable(f"no MIDI system: {'; '.join(reasons)}")


def output_names(driver: Driver) -> list[str]:
    """The ports that MIDI can be sent to, as the system lists them."""
    return _listed(driver, rtmidi.MidiOut)


def input_names(driver: Driver) -> list[str]:
    """The ports that MIDI can be received from, as the system lists them."""
    return _listed(driver, rtmidi.MidiIn)


def _listed(driver: Driver, kind: type[rtmidi.MidiIn] | type[rtmidi.MidiOut]) -> list[str]:
    reason = driver.missing()
    if reason:
        raise OutputUnavailable(reason)
    try:
        with translated(driver.title):
            lister = kind(rtapi=driver.api, name=f"{PULSE_CLIENT}-{os.getpid()}-list")
    except OutputError as error:
        raise OutputUnavailable(driver.refused) from error
    try:
        return [name for name in lister.get_ports() if not name.startswith(PULSE_CLIENT)]
    finally:
        lister.delete()


def _join(end: rtmidi.MidiIn | rtmidi.MidiOut, listed: list[str], index: int, own: str) -> None:
    """Connect a port of ours, named `own`, to the one that `listed` has at `index`.

    The library finds it by its place in a list made anew, and another port has that place when one
    before it went or came meanwhile. Raises OutputUnavailable then, and `end` is to be closed.
    """
    end.open_port(index, own)
    if end.get_ports()[: index + 1] != listed[: index + 1]:
        raise OutputUnavailable(f"'{listed[index]}' moved in the list of ports while it was opened")


class Port:
    """An open port. `kind` "virtual" offers `target` to others; "port" goes to one that fits it.

    Opening raises OutputUnavailable while it cannot be, OutputAmbiguous for a pattern that fits
    several.
    """

    def __init__(self, kind: str, target: str, client: str, drivers: tuple[Driver, ...]) -> None:
        self.driver, instance = connect(drivers, client)
        self._out: rtmidi.MidiOut | None = instance
        self._pulse: Pulse | None = None
        self.name = target
        self._watched = ""
        self._unproven = 0
        self._since_beat = 0
        try:
            if kind == "virtual":
                self._open_virtual(instance, target)
            else:
                self._open_existing(instance, target)
            if self.driver.api == rtmidi.API_UNIX_JACK:
                self._pulse = Pulse()
        except BaseException:
            self.close()
            raise

    def _open_virtual(self, out: rtmidi.MidiOut, name: str) -> None:
        if sys.platform == "win32":
            raise OutputUnavailable(
                f"Windows cannot offer a new MIDI port '{name}'; send to an existing one (port:)"
            )
        taken = (f"{name}:{name}", name)
        if any(port_names.plain(other) in taken for other in input_names(self.driver)):
            raise OutputUnavailable(f"another program offers a MIDI port '{name}'; choose another")
        with translated(f"MIDI port '{name}'"):
            out.open_virtual_port(name)

    def _open_existing(self, out: rtmidi.MidiOut, pattern: str) -> None:
        every = out.get_ports()
        places = [place for place, name in enumerate(every) if not name.startswith(PULSE_CLIENT)]
        listed = [every[place] for place in places]
        index = port_names.find(pattern, listed)
        if index is None:
            known = ", ".join(f"'{port_names.plain(name)}'" for name in listed) or "none"
            raise OutputUnavailable(
                f"no MIDI port fits '{pattern}'; {self.driver.title} has {known}"
            )
        self._watched = listed[index]
        self.name = port_names.plain(self._watched)
        with translated(f"MIDI port '{self.name}'"):
            _join(out, every, places[index], "out")

    def send(self, message: bytes) -> None:
        """Send one message. Raises OutputClosed, and OutputLost where the driver refuses it."""
        if self._out is None:
            raise OutputClosed(f"MIDI port '{self.name}' is closed")
        with translated(f"MIDI port '{self.name}'"):
            self._out.send_message(message)
        self._since_beat += 1
        self._unproven += 1

    def ready(self) -> bool:
        """Whether the next `send` will return at once; if not, ask again a little later."""
        if self._unproven < MAX_UNPROVEN or self._pulse is None:
            return True
        if self._pulse.answered():
            self._beat(self._pulse)
        return self._unproven < MAX_UNPROVEN

    def check(self) -> None:
        """Raise OutputLost when the port has gone, which no send would tell; at every beat."""
        if self._out is None:
            raise OutputClosed(f"MIDI port '{self.name}' is closed")
        if self._pulse is not None:
            self._beat(self._pulse)
        if self._watched:
            with translated(f"MIDI port '{self.name}'"):
                listed = self._out.get_ports()
            if self._watched not in listed:
                raise OutputLost(f"MIDI port '{self.name}' is gone")

    def outlasts_silence(self) -> bool:
        """After ServerSilent: wait, for as long as it takes, until the server answers again (true),
        or until it is known to be dead.
        """
        return self._pulse is not None and self._pulse.outlasts_silence()

    def _beat(self, pulse: Pulse) -> None:
        if pulse.answered():
            self._unproven = self._since_beat
        pulse.beat()
        self._since_beat = 0

    def proven(self) -> bool:
        """Whether the system is known to have taken everything sent before the last `check`."""
        return self._pulse is None or self._pulse.answered()

    def close(self) -> None:
        """Close. Twice is harmless. On a dead JACK server this takes a second."""
        out, self._out = self._out, None
        if out is not None:
            out.close_port()
            out.delete()
        if self._pulse is not None:
            self._pulse.close()
            self._pulse = None


class Listener:
    """An open input: the one port of the system that fits `pattern`.

    Opening raises OutputUnavailable while it cannot be, OutputAmbiguous for a pattern that fits
    several. Messages are polled, never called back: a callback would run in JACK's audio thread.

    A client that comes while others go may be left out of JACK's rounds (seen with jackd2): it is
    connected, and deaf for ever. So under JACK it sends itself a message between two checks. Song
    position pointers are therefore heard by nobody else there.
    """

    # Checks without a message of our own until it counts as deaf.
    MISSES = 2

    def __init__(self, pattern: str, client: str, drivers: tuple[Driver, ...]) -> None:
        driver, out = connect(drivers, f"{PULSE_CLIENT}-{os.getpid()}-ask")
        self._to_self: rtmidi.MidiOut | None = None
        self._missed = 0
        if driver.api == rtmidi.API_UNIX_JACK:
            self._to_self = out
        else:
            out.delete()
        with translated(driver.title):
            self._in = rtmidi.MidiIn(rtapi=driver.api, name=client)
        try:
            listed = self._in.get_ports()
            index = self._place(pattern, listed, driver)
            self._watched = listed[index]
            with translated(f"MIDI input '{self._watched}'"):
                # Clock is wanted; system exclusive and active sensing are not.
                self._in.ignore_types(sysex=True, timing=False, active_sense=True)
                _join(self._in, listed, index, "in")
                if self._to_self is not None:
                    others = self._to_self.get_ports()
                    _join(self._to_self, others, others.index(f"{client}:in"), "out")
        except BaseException:
            self._in.delete()
            if self._to_self is not None:
                self._to_self.delete()
            raise

    @staticmethod
    def _place(pattern: str, listed: list[str], driver: Driver) -> int:
        index = port_names.find(pattern, listed)
        if index is None:
            known = ", ".join(f"'{port_names.plain(name)}'" for name in listed) or "none"
            raise OutputUnavailable(f"no MIDI input fits '{pattern}'; {driver.title} has {known}")
        return index

    def messages(self) -> list[bytes]:
        """What has come since the last call."""
        found = []
        while (event := self._in.get_message()) is not None:
            message = bytes(event[0])
            if message[0] == _PULSE_STATUS and self._to_self is not None:
                self._missed = 0
            else:
                found.append(message)
        return found

    def check(self) -> None:
        """Raise OutputLost when the port has gone, or we are deaf: nothing else would tell."""
        with translated(f"MIDI input '{self._watched}'"):
            if self._watched not in self._in.get_ports():
                raise OutputLost(f"MIDI input '{self._watched}' is gone")
            if self._to_self is None:
                return
            if self._missed >= self.MISSES:
                raise OutputLost(f"MIDI input '{self._watched}': JACK does not serve us")
            self._missed += 1
            self._to_self.send_message((_PULSE_STATUS, 0, 0))


class Pulse:
    """A message of our own through the JACK server and back, to know that the server still runs.

    Nothing else tells: ports stay listed and sends are accepted when it has stopped or died.
    """

    # Beats without an answer until the server counts as gone.
    MISSES = 3

    def __init__(self) -> None:
        name = f"{PULSE_CLIENT}-{os.getpid()}"
        with translated("JACK"):
            self._out = rtmidi.MidiOut(rtapi=rtmidi.API_UNIX_JACK, name=name)
            self._in = rtmidi.MidiIn(rtapi=rtmidi.API_UNIX_JACK, name=f"{name}-in")
        self._number = 0
        self._missed = 0
        self._answered = True
        try:
            with translated("JACK"):
                self._out.open_virtual_port("out")
                listed = self._in.get_ports()
                _join(self._in, listed, listed.index(f"{name}:out"), "in")
            self._settle()
        except BaseException:
            self.close()
            raise

    def _settle(self) -> None:
        """Wait until the server has taken up the connections made so far: it does so a little
        later than it says, and what is sent until then is lost.

        A client that comes while others go may be left out of its rounds for ever (seen with
        jackd2). Raises OutputUnavailable when nothing comes back.
        """
        end_s = time.monotonic() + _ANSWER_S
        while time.monotonic() < end_s:
            self._send_next()
            time.sleep(0.005)
            if self.answered():
                return
        raise OutputUnavailable("JACK does not serve us")

    def beat(self) -> None:
        """Look for the answer to the last beat and send the next. Raises ServerSilent."""
        if self.answered():
            self._missed = 0
        else:
            self._missed += 1
            if self._missed >= self.MISSES:
                self._missed = 0
                raise ServerSilent("the JACK server does not answer")
        self._send_next()

    def _send_next(self) -> None:
        self._number = (self._number + 1) % _PULSE_NUMBERS
        self._answered = False
        self._out.send_message((_PULSE_STATUS, self._number & 0x7F, self._number >> 7))

    def outlasts_silence(self) -> bool:
        """Wait until a silent server answers (true) or turns out to be dead."""
        # A request, which a dead server lets fail and a stopped one leaves unanswered. Its outcome
        # is not told, so ask the pulse.
        self._out.set_port_name("out")
        end_s = time.monotonic() + _ANSWER_S
        while not self.answered() and time.monotonic() < end_s:
            time.sleep(0.005)
        return self.answered()

    def answered(self) -> bool:
        """Whether the last beat has come back."""
        while (event := self._in.get_message()) is not None:
            data = event[0]
            self._answered |= data[1] | data[2] << 7 == self._number
        return self._answered

    def close(self) -> None:
        for end in (self._out, self._in):
            end.close_port()
            end.delete()
