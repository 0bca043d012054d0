"""`matbridge demo`: a simulated mat plays, heard on any synth of this machine, or into a file."""

from __future__ import annotations

import argparse
import math
import signal
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

TYPE_CHECKING = False
if TYPE_CHECKING:
    from matbridge.mapping.plan import OutputPlan, Show
    from matbridge.midi.output import Output
    from matbridge.service.bridge import Bridge
    from matbridge.service.loop import ServiceLoop
    from matbridge.service.pipeline import Sent

SECONDS = 45.0

# As long as anybody listens to a demo, and far below what a MIDI file can hold.
MAX_SECONDS = 3600.0

# Where the demo plays when there is nothing else to play to.
FALLBACK = Path("matbridge-demo.mid")

# How often the screen is drawn: as fast as an eye reads.
FRAME_S = 0.1


def parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser(
        prog="matbridge demo",
        description="Play a simulated mat on a MIDI port that any synth of this machine can be"
        " connected to; without a MIDI system, into a file.",
    )
    made.add_argument(
        "--seconds", type=_seconds, default=SECONDS, metavar="N", help="how long (default: 45)"
    )
    made.add_argument("--midi-file", type=Path, metavar="FILE", help="write a MIDI file as well")
    made.add_argument(
        "--output",
        metavar="PORT",
        help="play to this port instead of a new one: part of its name, or the path of a serial"
        " port with a MIDI jack",
    )
    return made


def main(argv: Sequence[str]) -> int:
    given = parser().parse_args(argv)
    from matbridge.cli.shipped import example
    from matbridge.errors import OutputUnavailable
    from matbridge.mapping.load import load_show
    from matbridge.mapping.plan import OutputKind, OutputPlan

    show = load_show(example("harbour-lights.yaml"))
    if given.output is None:
        plan = OutputPlan("synth", OutputKind.VIRTUAL, "matbridge")
    elif given.output.startswith("/"):
        plan = OutputPlan("synth", OutputKind.SERIAL, given.output)
    else:
        plan = OutputPlan("synth", OutputKind.PORT, given.output)
    demo = _Demo(given.seconds)
    try:
        why = demo.open(show, plan)
        if why and given.output is not None:
            raise OutputUnavailable(why)
        if why:
            file = given.midi_file or FALLBACK
            refused = demo.open(show, OutputPlan("file", OutputKind.FILE, str(file)))
            if refused:
                raise OutputUnavailable(refused)
            print(f"playing into {demo.files()[0]}, for there is no port to play to: {why}")
        elif given.midi_file is not None:
            demo.copy_to(given.midi_file)
        return demo.run()
    finally:
        files = demo.files()
        demo.close()
        for file in files:
            print(f"written: {file}")


class _Demo:
    """A bridge that plays the demo, and what is shown of it."""

    def __init__(self, seconds: float) -> None:
        from matbridge.service.log import Format, Log
        from matbridge.service.loop import ServiceLoop

        self._seconds = seconds
        self._told: list[str] = []
        self._log = Log(self._tell, Format.JOURNAL)
        self._mistakes: list[Exception] = []
        self._loop: ServiceLoop = ServiceLoop(self._mistake)
        self._bridge: Bridge | None = None
        self._copy: Output | None = None
        self._exit_code = 0

    def open(self, show: Show, plan: OutputPlan) -> str:
        """Play to this output; why it is not there, if it is not."""
        from matbridge.errors import OutputUnavailable
        from matbridge.service.bridge import Bridge

        performance = replace(show.performance, outputs=(plan,))
        show = replace(show, performance=performance)
        try:
            bridge = Bridge(self._loop, self._log, show, None, seconds=self._seconds)
            bridge.open()
        except OutputUnavailable as error:
            return str(error)
        output = bridge.outlets.outputs[0]
        if not output.up:
            bridge.close()
            self._told.clear()
            return str(output.status().get("why") or "it is not there")
        self._bridge = bridge
        return ""

    def copy_to(self, path: Path) -> None:
        """Write all that is played into a MIDI file as well. Raises OutputUnavailable."""
        from matbridge.errors import OutputUnavailable
        from matbridge.midi.outputs import make_output

        self._copy = copy = make_output("file", "file", str(path))
        copy.open(self._loop)
        if not copy.up:
            raise OutputUnavailable(str(copy.status().get("why")))
        self._playing().outlets.taps.append(
            lambda sent: copy.send([message for _, message in sent])
        )

    def files(self) -> list[str]:
        """The MIDI files that are written; an earlier one of a name gives the next a number."""
        outputs = [] if self._bridge is None else [*self._bridge.outlets.outputs]
        outputs += [] if self._copy is None else [self._copy]
        facts = [output.status() for output in outputs if output.up]
        return [str(each["path"]) for each in facts if "path" in each]

    def run(self) -> int:
        """Play to the end, or to a signal; the exit code."""
        from matbridge.board.simulated import SimulatedLink
        from matbridge.service.signals import Signals

        for board in self._playing().boards:
            if isinstance(board.link, SimulatedLink):
                board.link.on_end = self._loop.stop
        signals = Signals(
            self._loop, {signal.SIGINT: self._loop.stop, signal.SIGTERM: self._terminated}
        )
        try:
            if sys.stdout.isatty():
                self._show_screen()
            else:
                self._show_lines()
        finally:
            signals.close()
        if self._mistakes:
            raise self._mistakes[0]
        return self._exit_code

    def close(self) -> None:
        """Every note-off goes out, and the port closes."""
        if self._bridge is not None:
            self._bridge.close()
        if self._copy is not None:
            self._copy.close()
        self._log.close()
        for line in self._told:
            print(line, file=sys.stderr)

    def _show_screen(self) -> None:
        from rich.console import Console, Group
        from rich.live import Live
        from rich.progress_bar import ProgressBar
        from rich.table import Table
        from rich.text import Text

        from matbridge.display.watch import draw
        from matbridge.service.status import frame, scene

        bridge, loop = self._playing(), self._loop
        console = Console()
        start_s = loop.now_s()
        plain = not (console.encoding or "").startswith("utf")

        def screen() -> Group:
            played_s = min(self._seconds, loop.now_s() - start_s)
            line = Table.grid(padding=(0, 1))
            line.add_row(
                ProgressBar(
                    total=self._seconds, completed=played_s, width=max(10, console.width - 30)
                ),
                Text(f"{played_s:.0f} of {self._seconds:.0f} s, Ctrl-C ends it"),
            )
            size = console.size
            return Group(
                draw(scene(bridge), frame(bridge), size.width, size.height - 3, plain=plain), line
            )

        with Live(screen(), console=console, screen=True, auto_refresh=False) as live:

            def show() -> None:
                live.update(screen(), refresh=True)
                loop.call_at(loop.now_s() + FRAME_S, show)

            show()
            loop.run()

    def _show_lines(self) -> None:
        bridge, loop = self._playing(), self._loop
        start_s = loop.now_s()
        bridge.outlets.taps.append(
            lambda sent: _print_notes(sent, loop.now_s() - start_s, self._seconds)
        )
        loop.run()

    def _playing(self) -> Bridge:
        if self._bridge is None:
            raise RuntimeError("the demo is not open")
        return self._bridge

    def _terminated(self) -> None:
        self._exit_code = 128 + signal.SIGTERM
        self._loop.stop()

    def _mistake(self, error: Exception) -> None:
        self._mistakes.append(error)
        self._loop.stop()

    def _tell(self, line: str) -> None:
        if line.startswith(("<3>", "<4>")):
            self._told.append(line[3:].rstrip("\n"))


def _print_notes(sent: Sent, played_s: float, seconds: float) -> None:
    """A line for what begins to sound, where there is no screen to draw on."""
    from matbridge.mapping.notes import note_name
    from matbridge.midi.messages import NOTE_ON

    notes = [note_name(message[1]) for _, message in sent if message[0] & 0xF0 == NOTE_ON]
    if notes:
        print(f"{played_s:6.2f} of {seconds:.0f} s  {' '.join(notes)}", flush=True)


def _seconds(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = math.nan
    if not 0 < seconds <= MAX_SECONDS:
        raise argparse.ArgumentTypeError(f"'{text}' is not within 0 to {MAX_SECONDS:g} seconds")
    return seconds
