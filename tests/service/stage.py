"""A bridge in the test's own process: real files and pipeline; boards, outputs and time of ours."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest

from matbridge.board.link import BoardLink
from matbridge.loop import Loop
from matbridge.mapping.plan import BoardPlan, MatPlan
from matbridge.midi.memory_port import MemoryPort
from matbridge.service import bridge, outlets
from matbridge.service.bridge import Bridge
from matbridge.service.loading import Loaded, load
from matbridge.service.log import Format, Log
from matbridge.service.owed import OwedNotes
from tests.support.loop import ManualLoop

ZONES = 6
RATE_HZ = 500
REST, PRESSED = 20, 800


class FakeLink(BoardLink):
    """A board that sends what a test says, as text."""

    def __init__(self, plan: BoardPlan) -> None:
        self.plan = plan
        self.opened = 0
        self.found = False
        self.why = "not there"
        self.written = b""

    def open(self, loop: Loop) -> None:
        self.opened += 1

    def write(self, data: bytes) -> None:
        self.written += data

    def close(self) -> None:
        self.opened = 0

    def status(self) -> Mapping[str, object]:
        facts: dict[str, object] = {"port": self.plan.port, "found": self.found}
        return facts if self.found else {**facts, "why": self.why}

    def plug(self) -> None:
        if not self.found and self.opened:
            self.found = True
            self.on_found()

    def unplug(self) -> None:
        if self.found:
            self.found = False
            self.on_lost()


class Stage:
    """One bridge after another on one clock, with the boards and outputs that it asks for."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.folder = folder
        self._live = folder / "mat.sounding"
        self.loop = ManualLoop()
        self.lines: list[str] = []
        self.links: dict[str, FakeLink] = {}
        self.ports: dict[str, MemoryPort] = {}
        self.gone: set[str] = set()
        self.channels = ZONES
        self.readings = [REST] * ZONES
        self._log: Log | None = None
        self._bridge: Bridge | None = None
        monkeypatch.setattr(bridge, "make_link", self._make_link)
        monkeypatch.setattr(outlets, "make_output", self.make_output)
        monkeypatch.setenv("XDG_STATE_HOME", str(folder / "state"))

    def _make_link(self, plan: BoardPlan, mat: MatPlan, **_: object) -> FakeLink:
        self.links[plan.port] = FakeLink(plan)
        return self.links[plan.port]

    def make_output(self, name: str, kind: str, target: str, options: object) -> MemoryPort:
        # The same target is the same port, whatever process opens it: what it heard, it heard.
        port = MemoryPort(name, target)
        if target in self.ports:
            port.sent = self.ports[target].sent
        if target in self.gone:
            port._why = "unplugged"
        self.ports[target] = port
        return port

    def pull(self, target: str) -> None:
        """The cable of an output, also for processes and shows to come."""
        self.gone.add(target)
        if target in self.ports:
            self.ports[target].lose()

    def put_back(self, target: str) -> None:
        self.gone.discard(target)
        if target in self.ports:
            self.ports[target].find()

    def start(self, loaded: Loaded, preset: int | None = None) -> Bridge:
        """A new process, as it were."""
        self._end_threads()
        self._log = Log(self.lines.append, Format.JOURNAL)
        self._bridge = made = Bridge(
            self.loop,
            self._log,
            loaded.show,
            loaded.calibration,
            owed=OwedNotes(self._live, self.folder / "state" / "mat.owed"),
        )
        made.open(preset)
        return made

    def kill(self) -> None:
        """The process is no more: nothing is sent, and no timer of it fires."""
        self.loop = ManualLoop(self.loop.now_s())
        self.links.clear()
        left = self._live.read_bytes() if self._live.exists() else None
        self._end_threads()
        if left is not None:
            self._live.write_bytes(left)

    def _end_threads(self) -> None:
        """What the system would do with a process."""
        if self._log is not None:
            self._log.close()
        if self._bridge is not None and self._bridge.outlets._owed is not None:
            self._bridge.outlets._owed.close()

    def logged(self) -> list[str]:
        """What was logged so far; the log ends with it."""
        assert self._log is not None
        self._log.close()
        return self.lines

    @property
    def link(self) -> FakeLink:
        return self.links["/dev/mat"]

    def scan(self, seconds: float, **pressed: int) -> None:
        """Let the board scan for a while; `z1=800` is the reading of a zone from now on."""
        for zone, reading in pressed.items():
            self.readings[int(zone[1:])] = reading
        line = (",".join(map(str, self.readings[: self.channels])) + "\n").encode()
        for _ in range(round(seconds * RATE_HZ)):
            self.loop.advance(1 / RATE_HZ)
            if self.link.found:
                self.link.on_data(line, self.loop.now_s())

    def press(self, zone: int) -> None:
        """As a hand does: up within some scans."""
        for reading in (200, 500, PRESSED):
            self.scan(0.004, **{f"z{zone}": reading})
        self.scan(0.05)

    def lift(self, zone: int) -> None:
        self.scan(0.1, **{f"z{zone}": REST})


def write_show(folder: Path, text: str = "", *, zones: int = ZONES, port: str = "/dev/mat") -> Path:
    """The files of a show with `zones` zones; `text` replaces its outputs and presets."""
    lines = [f"  - {{name: z{zone}, at: [{zone * 40}, 0]}}" for zone in range(zones)]
    mat = [
        "mat: quay",
        f"board: {{port: {port}, format: text}}",
        "sensor: {type: level, bits: 10}",
        "zones:",
        *lines,
    ]
    (folder / "quay.mat.yaml").write_text("\n".join(mat) + "\n")
    show = folder / "quay.yaml"
    show.write_text("performance: quay\nmat: quay.mat.yaml\n" + (text or PLAIN))
    return show


def notes(first: int, zones: int = ZONES, more: str = "") -> str:
    """A preset's `zones`: each plays its own note."""
    return "".join(f"      z{zone}: {{note: {first + zone}{more}}}\n" for zone in range(zones))


PLAIN = f"""\
outputs:
  synth: {{virtual: quay}}
presets:
  ebb:
    output: synth
    channel: 1
    zones:
{notes(60)}
  flood:
    output: synth
    channel: 2
    zones:
{notes(72)}
"""


def loaded(show: Path) -> Loaded:
    return load(str(show))


def pairs(messages: list[bytes]) -> tuple[list[tuple[int, int]], set[tuple[int, int]]]:
    """The keys struck (status channel, note), in order, and those still sounding.

    Fails where a key is struck again before its note-off, or ended without having sounded.
    """
    struck: list[tuple[int, int]] = []
    sounding: set[tuple[int, int]] = set()
    for message in messages:
        kind, key = message[0] & 0xF0, (message[0] & 15, message[1])
        if kind == 0x90 and message[2]:
            assert key not in sounding, f"struck again without a note-off: {key}"
            sounding.add(key)
            struck.append(key)
        elif kind in (0x80, 0x90):
            assert key in sounding, f"a note-off for what does not sound: {key}"
            sounding.remove(key)
    return struck, sounding
