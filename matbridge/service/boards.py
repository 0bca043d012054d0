"""The boards of a mat: each one's way in, its decoder and its detector, and whether it is heard.

    away ──found──▶ heard ──lost──▶ away
                    │   ▲
      no scan for   │   │ a scan
      SILENCE_S     ▼   │
                    silent ──lost──▶ away

When a board is no longer heard, for either reason, whatever was touched on it is no more.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from matbridge.board.formats import DECODERS
from matbridge.board.link import BoardLink
from matbridge.board.scan import Decoder, Misfit
from matbridge.loop import Loop, Timer
from matbridge.mapping.plan import MIDI_BOARD, BoardPlan, MatPlan
from matbridge.sensing.calibration import Calibration
from matbridge.sensing.detector import Detector

SIMULATED = "simulated"

# Ways in that are read by a process of our own; see matbridge.board.readers.
READERS = ("spi", "iio", "i2c")

# What a MIDI board's options are called by the process that listens to it.
LISTENING = {"pattern": "port", "channel": "midi_channel", "notes": "note", "controls": "control"}

# The reason why a board is not heard that is still there.
SILENT = "silent"

# A board that has sent no scan for so long has stopped: four scans of the slowest worth playing,
# twenty a second.
SILENCE_S = 0.2

# How often that is looked at. A note is lifted at most SILENCE_S + 2 * LOOK_S after the last scan.
LOOK_S = 0.04


class Board:
    """One board while the bridge runs.

    heard: whether scans come. rate_hz: how many a second, None until that is known. is_open:
    whether its link is.
    """

    __slots__ = ("_look", "_loop", "_on_change", "_on_found", "_rated", "_rated_s", "_scan_s",
                 "_scans", "decoder", "heard", "is_open", "link", "plan", "rate_hz")  # fmt: skip

    def __init__(self, plan: BoardPlan, link: BoardLink, decoder: Decoder, is_open: bool) -> None:
        """is_open: whether the link is open already, for another Board."""
        self.plan = plan
        self.link = link
        self.decoder = decoder
        self.heard = False
        self.is_open = is_open
        self._loop: Loop | None = None
        self._on_found: Callable[[], None] = _ignore
        self._on_change: Callable[[str], None] = _ignore
        self._look: Timer | None = None
        self._scans = 0
        self._scan_s = 0.0
        self.rate_hz: float | None = None
        self._rated = 0
        self._rated_s = 0.0

    def open(
        self,
        loop: Loop,
        take: Callable[[bytes, float], None],
        on_found: Callable[[], None],
        on_change: Callable[[str], None],
    ) -> None:
        """Look for it from now on, or take it over where its link is open already.

        take: gets its bytes. on_found: called each time the link was opened, before any bytes.
        on_change: called each time `heard` changes, with the reason.
        """
        self._loop = loop
        self._on_found = on_found
        self._on_change = on_change
        self.link.on_data = take
        self.link.on_found = self._found
        self.link.on_lost = self._lost
        if not self.is_open:
            self.link.open(loop)
            self.is_open = True
        elif self.link.status().get("found"):
            self._found()

    def leave(self) -> BoardLink:
        """Stop listening, for another Board to take the link over."""
        if self._look is not None:
            self._look.cancel()
            self._look = None
        return self.link

    def close(self) -> None:
        """Let it go. Twice is harmless."""
        self.is_open = False
        self.leave().close()

    def trouble(self) -> str:
        """Why it is not heard; empty while it is."""
        if self.heard:
            return ""
        facts = self.link.status()
        if not facts.get("found"):
            return str(facts.get("why", "not there"))
        if self.decoder.misfit is not None:
            return _unfit(self.decoder.misfit, self.plan)
        if self.decoder.counts.damaged:
            return f"what it sends is no scan of format {self.plan.format}: is the baud right?"
        return "it sends nothing"

    def measure(self, now_s: float) -> None:
        """Take the scan rate, since it was taken last."""
        scans = self.decoder.counts.scans
        if self._rated_s:
            self.rate_hz = (scans - self._rated) / max(now_s - self._rated_s, 1e-3)
        self._rated, self._rated_s = scans, now_s

    def _found(self) -> None:
        self._on_found()
        self._scans = self.decoder.counts.scans  # those of before it was lost say nothing now
        self._watch()

    def _lost(self) -> None:
        self.leave()
        self._change(False, str(self.link.status().get("why", "gone")))

    def _watch(self) -> None:
        """Look whether scans have come since the last look."""
        loop = self._loop
        if loop is None:
            return
        now_s, scans = loop.now_s(), self.decoder.counts.scans
        if scans != self._scans:
            self._scans = scans
            self._scan_s = now_s
            self._change(True, "")
        elif self.heard and now_s - self._scan_s > SILENCE_S:
            self._change(False, SILENT)
        self._look = loop.call_at(now_s + LOOK_S, self._watch)

    def _change(self, heard: bool, reason: str) -> None:
        if heard is not self.heard:
            self.heard = heard
            self._on_change(reason)


def _unfit(misfit: Misfit, plan: BoardPlan) -> str:
    if misfit.channels != plan.channels:
        said = f"its scans have {misfit.channels} readings, and the mat file says {plan.channels}"
    else:
        said = f"its readings go to {misfit.bits} bits, and the mat file says another number"
    return f"{said}; 'matbridge doctor' finds out what to write"


def _ignore(*_: object) -> None:
    """For a board that is not open yet."""


def make_link(
    board: BoardPlan, mat: MatPlan, *, piece: str = "tide", seconds: float | None = None
) -> BoardLink:
    """The way to a board, not yet open.

    piece, seconds: what the simulated mat plays, and for how long; of no meaning to a real board.
    """
    if board.port == SIMULATED:
        return _simulated(board, mat, piece, seconds)
    if board.port in READERS:
        from matbridge.board.reader_link import ReaderLink

        return ReaderLink(board.port, ["--channels", str(board.channels), *_arguments(board)])
    if board.port == MIDI_BOARD:
        from matbridge.board.reader_link import ReaderLink

        return ReaderLink("board", list(_arguments(board)), "matbridge.midi.listening")
    from matbridge.board.serial_link import SerialLink

    options: dict[str, Any] = dict(board.options)
    return SerialLink(board.port, board.baud, **options)


def _arguments(board: BoardPlan) -> Iterator[str]:
    """A reader's options as its command line has them."""
    for option, value in board.options:
        name = f"--{LISTENING.get(option, option).replace('_', '-')}"
        if isinstance(value, bool):
            yield from [name] if value else []
        else:
            for each in value if isinstance(value, tuple) else (value,):
                # In one word: a value may begin with a dash.
                yield f"{name}={each}"


def make_decoder(board: BoardPlan, mat: MatPlan) -> Decoder:
    """What turns the board's bytes into scans."""
    return DECODERS[board.format](board.channels, mat.sensor.bits)


def make_detector(board: BoardPlan, mat: MatPlan, calibration: Calibration | None) -> Detector:
    """What turns the board's scans into touches of the mat's zones."""
    places = tuple((zone.x_cm, zone.y_cm) for zone in mat.zones)
    return Detector(mat.sensor, mat.sensing, board.zones, places, calibration)


def _simulated(board: BoardPlan, mat: MatPlan, piece: str, seconds: float | None) -> BoardLink:
    from matbridge.board.simulated import SimulatedLink, SimulatedMat

    # A mat of several boards is simulated board by board: each plays on the zones it has.
    zones = [zone for zone in board.zones if zone >= 0]
    own = {zone: index for index, zone in enumerate(zones)}
    simulated = SimulatedMat(
        places_cm=tuple((mat.zones[zone].x_cm, mat.zones[zone].y_cm) for zone in zones),
        channels=tuple(own.get(zone, -1) for zone in board.zones),
        sensor=mat.sensor.type.value,
        bits=mat.sensor.bits,
        fixed_resistor_ohm=mat.sensor.fixed_resistor_ohm,
    )
    return SimulatedLink(simulated, format=board.format, piece=piece, seconds=seconds)
