"""The running bridge: the boards and the outputs of a show around one pipeline, on one loop.

Whatever ends it, in this order: the boards are let go, every note-off that is owed goes out, the
outputs let it leave and close.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from itertools import chain
from math import inf
from time import monotonic

from matbridge.board.link import BoardLink
from matbridge.board.take import on_grid
from matbridge.errors import TakeError
from matbridge.loop import Loop, Timer
from matbridge.mapping.plan import Act, ActionPart, BoardPlan, MatPlan, Show
from matbridge.midi.messages import KEYS
from matbridge.midi.output import Output
from matbridge.playing.player import Player
from matbridge.sensing.calibration import Calibration
from matbridge.sensing.faults import ADVICE, FaultKind, FaultReport
from matbridge.service.boards import (
    SILENT,
    SIMULATED,
    Board,
    make_decoder,
    make_detector,
    make_link,
)
from matbridge.service.inlet import Inlet
from matbridge.service.log import Log
from matbridge.service.outlets import Outlets
from matbridge.service.owed import OwedNotes
from matbridge.service.pipeline import Pipeline, Sent
from matbridge.service.recorder import Recorder, takes_folder

# How often what changes slowly is looked at: faults of zones, boards that are not heard.
SLOW_S = 1.0

# Latencies that percentiles are drawn from: minutes of play, 64 KiB.
LATENCIES = 2000


class Bridge:
    """Plays a show until it is closed.

    on_preset: called with the name of each preset that is entered. latencies_s: the latest, each
        from the read that brought a touch to the hand-over of its messages. faults: of zones, by
        their index.
    """

    def __init__(
        self,
        loop: Loop,
        log: Log,
        show: Show,
        calibration: Calibration | None,
        *,
        owed: OwedNotes | None = None,
        piece: str = "tide",
        seconds: float | None = None,
    ) -> None:
        """owed: see Outlets. piece, seconds: what a simulated board plays; see make_link.

        Raises OutputUnavailable where an output can never be made.
        """
        self._loop = loop
        self._log = log
        self._piece = piece
        self._seconds = seconds
        self.show = show
        self.calibration = calibration
        self.on_preset: Callable[[str], None] | None = None
        self.outlets = Outlets(loop, log, show.performance.outputs, owed)
        self.outlets.on_down = self._output_down
        self.outlets.on_up = self._output_up
        self.boards = self._make_boards(show.mat)
        self.pipeline = Pipeline(
            [board.decoder for board in self.boards],
            [make_detector(plan, show.mat, calibration) for plan in show.mat.boards],
            Player(show.performance, self.outlets.image),
        )
        self.outlets.on_join = self.pipeline.greeting
        self.inlet = Inlet(loop, log, self._midi_in)
        self.recorder = Recorder(loop, takes_folder())
        self.recorder.on_end = self._take_ended
        self.latencies_s: deque[float] = deque(maxlen=LATENCIES)
        self.faults: dict[int, FaultReport] = {}
        self._preset = -1
        self._armed_s = inf
        self._timer: Timer | None = None
        self._slow: Timer | None = None
        self._closed = False

    def open(self, preset: int | None = None) -> None:
        """Open the outputs, send them what an earlier process owes, and look for the boards.

        preset: to start with, or None for the show's first. Raises OutputError where an output can
        never come; nothing is open then.
        """
        self.outlets.open()
        self._take_on(self.outlets.take_owed())
        self._play(self.pipeline.start(self._loop.now_s(), preset))
        for index, board in enumerate(self.boards):
            self._open_board(index, board)
        self.inlet.use(self.show.performance.input)
        self._slow = self._loop.call_at(self._loop.now_s() + SLOW_S, self._look)

    def close(self) -> None:
        """The end, in the order above. Twice is harmless."""
        if self._closed:
            return
        self._closed = True
        for timer in (self._timer, self._slow):
            if timer is not None:
                timer.cancel()
        try:
            for board in self.boards:
                board.close()
            self.inlet.close()
        finally:
            # Whatever mistake is made there, nothing goes on sounding.
            self.outlets.send(self.pipeline.finish(self._loop.now_s()))
            self.outlets.close()
            self.recorder.end("the bridge stopped")

    def act(self, act: Act, argument: int = 0) -> None:
        """Do at once what a command asks for."""
        now_s = self._loop.now_s()
        preset = self._name_of(argument) if act is Act.PRESET else ""
        self.recorder.act(act, argument, preset, now_s)
        self._play(self.pipeline.act(ActionPart(act, argument), now_s))

    def amend(self) -> None:
        """After a mistake of our own, whose messages may never have been sent: silence, and on."""
        self.outlets.amend()
        self.act(Act.PANIC)

    def record(self, wanted: bool) -> None:
        """Begin or end a take. Raises TakeError where none can be begun."""
        if wanted and self.recorder.path is None:
            player = self.pipeline.player
            path = self.recorder.begin(self.show, self.calibration, preset=self.preset,
                                       transpose=player.transpose, muted=player.muted)  # fmt: skip
            self._log.info("take begun", path=path)
        elif not wanted and self.recorder.path is not None:
            path = self.recorder.path
            self.recorder.end(wait=False)
            self._log.info("take ended", path=path)

    @property
    def preset(self) -> str:
        """The name of the preset that plays."""
        return self._name_of(self.pipeline.player.preset)

    def swap(self, show: Show, calibration: Calibration | None) -> None:
        """Another show in the place of this one, in the preset of the same name if it has one.

        Boards and outputs that are in both stay open. Raises OutputError where a new output can
        never come. Whatever is raised, the old show goes on; what had begun to give way to the new
        one begins anew, with nothing sounding.
        """
        before, preset = (self.show, self.calibration), self.preset
        recording = self.recorder.path is not None
        outputs = self.outlets.prepare(show.performance.outputs)
        try:
            self._turn_to(show, calibration, outputs, preset)
        except Exception:
            self._turn_to(*before, self.outlets.prepare(before[0].performance.outputs), preset)
            raise
        finally:
            if recording:
                self._turn_take(True)

    def _turn_to(
        self,
        show: Show,
        calibration: Calibration | None,
        outputs: list[Output],
        preset: str,
    ) -> None:
        """Play this show from now on, to prepared outputs. preset: by name, if it has one so."""
        outlets, pipeline, plan = self.outlets, self.pipeline, show.performance
        now_s = self._loop.now_s()
        self.recorder.end("the performance was changed", wait=False)
        mat, same = self.show.mat, (show.mat, calibration) == (self.show.mat, self.calibration)
        self.show = show
        self.calibration = calibration
        self._preset = -1
        if not same:
            self._swap_boards(mat, show.mat, calibration)
        names = [each.name for each in plan.presets]
        first = names.index(preset) if preset in names else plan.first
        image = bytearray(len(plan.outputs) * KEYS)
        outlets.send(pipeline.swap(plan, image, now_s, first))
        if pipeline.player.ledger.image is image:
            self._take_on(outlets.use(plan.outputs, outputs, image))
        self._play(pipeline.start(now_s))
        self.inlet.use(plan.input)

    # Boards

    def _name_of(self, preset: int) -> str:
        return self.pipeline.player.performance.presets[preset].name

    def _make_boards(self, mat: MatPlan) -> list[Board]:
        return [
            Board(plan, self._make_link(plan, mat), make_decoder(plan, mat), is_open=False)
            for plan in mat.boards
        ]

    def _make_link(self, plan: BoardPlan, mat: MatPlan) -> BoardLink:
        return make_link(plan, mat, piece=self._piece, seconds=self._seconds)

    def _open_board(self, index: int, board: Board) -> None:
        board.open(
            self._loop,
            self._taker(index),
            lambda: self._found(index),
            lambda reason: self._heard(index, reason),
        )

    def _taker(self, index: int) -> Callable[[bytes, float], None]:
        """What takes the bytes of a board: here the way of the data begins."""
        record = self.recorder.data
        requests = self.pipeline.player.requests

        def take(data: bytes, now_s: float) -> None:
            now_s = on_grid(now_s)
            record(index, data, now_s)
            pipeline = self.pipeline
            sent = pipeline.feed(index, data, now_s)
            if sent:
                self.outlets.send(sent)
                self.latencies_s.append(monotonic() - now_s)
            if pipeline.next_due_s < self._armed_s:
                self._arm()
            if pipeline.preset != self._preset:
                self._entered()
            if requests:
                self._requested()

        return take

    def _found(self, index: int) -> None:
        self.recorder.found(index, self._loop.now_s())
        self.pipeline.board_found(index)

    def _heard(self, index: int, reason: str) -> None:
        board = self.boards[index]
        if board.heard:
            port = board.plan.port
            if not self._log.mended(f"board {index}", "board back", port=port):
                self._log.info("board plays", port=port, channels=board.plan.channels)
        else:
            now_s = self._loop.now_s()
            self._log.failed(f"board {index}", "board lost", port=board.plan.port, reason=reason)
            self.recorder.lost(index, reason, now_s, silent=reason == SILENT)
            self._play(self.pipeline.board_lost(index, now_s))

    def _swap_boards(self, before: MatPlan, mat: MatPlan, calibration: Calibration | None) -> None:
        """New detectors, for what the old ones know is of another mat.

        A link that is the same in both stays open: opening it anew would restart many a board.
        """
        left: dict[tuple[object, ...], list[Board]] = {}  # simulated ones may be alike
        for board in self.boards:
            left.setdefault(_way_in(board.plan, before), []).append(board)
        boards = []
        for plan in mat.boards:
            alike = left.get(_way_in(plan, mat))
            old = alike.pop(0) if alike else None
            link = self._make_link(plan, mat) if old is None else old.link
            is_open = old is not None and old.is_open
            boards.append(Board(plan, link, make_decoder(plan, mat), is_open=is_open))
        detectors = [make_detector(plan, mat, calibration) for plan in mat.boards]
        # All that is new is made: from here on the old give way.
        now_s = self._loop.now_s()
        for index, board in enumerate(self.boards):
            self._play(self.pipeline.board_lost(index, now_s))
            board.leave()
        self.boards = boards
        self.pipeline.decoders = [board.decoder for board in boards]
        self.pipeline.detectors = detectors
        self.faults.clear()
        for board in chain(*left.values()):
            board.close()
        for index, board in enumerate(boards):
            self._open_board(index, board)

    # Input

    def _midi_in(self, message: bytes, now_s: float) -> None:
        self.recorder.midi_in(message, now_s)
        self._play(self.pipeline.midi_in(message, now_s))

    # Outputs

    def _output_down(self, index: int, unseen: bool) -> None:
        self.pipeline.output_lost(index, unseen)

    def _output_up(self, index: int) -> None:
        self._play(self.pipeline.output_back(index))

    def _take_on(self, owed: bytearray) -> None:
        """Outputs have been opened: send those that are up what was left sounding on them."""
        if any(owed):
            self.pipeline.player.owe(owed)
        self.outlets.keep_owed()
        for index, output in enumerate(self.outlets.outputs):
            if not output.up:
                self.pipeline.output_lost(index, unseen=False)
            elif any(owed[index * KEYS : (index + 1) * KEYS]):
                self.outlets.send(self.pipeline.output_back(index))

    # What happens by itself

    def _play(self, sent: Sent) -> None:
        """What anything but the bytes of a board causes."""
        if sent:
            self.outlets.send(sent)
        if self.pipeline.next_due_s < self._armed_s:
            self._arm()
        if self.pipeline.preset != self._preset:
            self._entered()
        if self.pipeline.player.requests:
            self._requested()

    def _arm(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._armed_s = self.pipeline.next_due_s
        self._timer = self._loop.call_at(self._armed_s, self._tick)

    def _tick(self) -> None:
        self._timer = None
        self._armed_s = inf
        self._play(self.pipeline.tick(self._loop.now_s()))

    def _entered(self) -> None:
        self._preset = self.pipeline.preset
        self.recorder.preset(self.preset, self._loop.now_s())
        for output in self.outlets.outputs:
            output.mark(self.preset)
        if self.on_preset is not None:
            self.on_preset(self.preset)

    def _requested(self) -> None:
        """The mat, or the input, asks for what is not MIDI: a take, begun and ended in turns."""
        requests = self.pipeline.player.requests
        while requests:
            if requests.pop(0) is Act.TAKE:
                self._turn_take(self.recorder.path is None)

    def _turn_take(self, wanted: bool) -> None:
        try:
            self.record(wanted)
        except TakeError as error:
            self._log.warning("no take", reason=error)

    def _take_ended(self, reason: str) -> None:
        self._log.warning("take ended", reason=reason)

    def _look(self) -> None:
        now_s = self._loop.now_s()
        for index, board in enumerate(self.boards):
            board.measure(now_s)
            trouble = board.trouble()
            if trouble and not self._log.has_failed(f"board {index}"):
                port = board.plan.port
                self._log.failed(f"board {index}", "board not heard", port=port, reason=trouble)
        self.inlet.look()
        self.outlets.look()
        for detector in self.pipeline.detectors:
            for report in detector.take_reports():
                self._report(report)
        self._slow = self._loop.call_at(now_s + SLOW_S, self._look)

    def _report(self, report: FaultReport) -> None:
        zone = self.show.mat.zones[report.zone].name
        self.recorder.fault(zone, report.kind.value, report.recovered, self._loop.now_s())
        if report.recovered:
            self.faults.pop(report.zone, None)
            self._log.info("zone is well again", zone=zone)
        else:
            self.faults[report.zone] = report
            self._log.warning("zone has a fault", zone=zone, advice=ADVICE[FaultKind(report.kind)])


def _way_in(plan: BoardPlan, mat: MatPlan) -> tuple[object, ...]:
    """What makes it the same link. What a simulated board sends comes from the mat."""
    return plan.port, plan.baud, plan.options, mat if plan.port == SIMULATED else None
