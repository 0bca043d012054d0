"""`matbridge replay TAKE`: play what was recorded again, through the same mapping or another."""

from __future__ import annotations

import argparse
import math
import signal
import sys
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from matbridge.cli.take_argument import (
    HELP,
    add_replace,
    calibration_in,
    check_new,
    take_of,
)
from matbridge.display.durations import duration
from matbridge.errors import MatbridgeError

if TYPE_CHECKING:
    from matbridge.board.take_reader import Take
    from matbridge.mapping.plan import MatPlan, Show
    from matbridge.sensing.calibration import Calibration
    from matbridge.service.loop import ServiceLoop
    from matbridge.service.replay_ports import PortReplay
    from matbridge.service.replaying import Replay

# Beyond it nothing is music any more.
SLOWEST, FASTEST = 0.01, 100.0

_ENDING = (signal.SIGINT, signal.SIGTERM)

# How often a terminal is told how far it is.
SHOW_S = 0.5


def parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser(
        prog="matbridge replay",
        description="Play a take again, to the outputs of its performance in real time, or into a "
        "MIDI file as fast as this machine can.",
    )
    made.add_argument("take", metavar="TAKE", help=HELP)
    made.add_argument(
        "--performance", metavar="FILE", help="play it through this performance, not the recorded"
    )
    made.add_argument(
        "--calibration", metavar="FILE", type=Path, help="and this calibration of the mat"
    )
    made.add_argument("--preset", metavar="NAME", help="start with this preset")
    made.add_argument(
        "--speed", metavar="X", type=_speed, default=1.0, help="2 is twice as fast (default: 1)"
    )
    made.add_argument(
        "--midi-file", metavar="OUT", type=Path, help="write a MIDI file, and play to no port"
    )
    add_replace(made)
    return made


def main(argv: Sequence[str]) -> int:
    made = parser()
    given = made.parse_args(argv)
    if given.midi_file is not None:
        check_new(given.midi_file, given.replace)
    elif given.replace:
        made.error("--replace goes with --midi-file")
    from matbridge.mapping.load import load_show
    from matbridge.plain import escaped
    from matbridge.service.replaying import Replay, show_of

    take = take_of(given.take)
    show = load_show(given.performance) if given.performance else show_of(take)
    preset = _preset(show, given.preset)
    replay = Replay(take, show, _calibration(take, show.mat, given.calibration))
    if given.midi_file is None:
        return _to_ports(replay, show, given.speed, preset)
    from matbridge.service.replay_file import write_midi

    notes = write_midi(replay, show.performance, given.midi_file, speed=given.speed, preset=preset)
    length = duration(take.length_s / given.speed)
    print(escaped(f"written: {given.midi_file}, {length}, {notes} notes"))
    _tell_damage(take)
    return 0


def _to_ports(replay: Replay, show: Show, speed: float, preset: int | None) -> int:
    from matbridge.service.log import Format, Log, to_descriptor
    from matbridge.service.loop import ServiceLoop
    from matbridge.service.replay_ports import PortReplay
    from matbridge.service.signals import Signals

    mistakes: list[Exception] = []
    code = 0

    def mistake(error: Exception) -> None:
        mistakes.append(error)
        loop.stop()

    def end(with_code: int) -> None:
        nonlocal code
        code = with_code
        loop.stop()

    loop = ServiceLoop(mistake)
    log = Log(to_descriptor(2), Format.TEXT)
    signals = Signals(loop, {number: partial(end, 128 + number) for number in _ENDING})
    player = PortReplay(loop, log, replay, show.performance, speed)
    player.on_end = loop.stop
    try:
        player.open(preset)
        if sys.stderr.isatty():
            _show(loop, player, replay.take)
        loop.run()
    finally:
        player.close()
        signals.close()
        log.close()
    if mistakes:
        raise mistakes[0]
    print(f"played {duration(player.time_s)} of the take, {player.notes} notes")
    _tell_damage(replay.take)
    return code


def _show(loop: ServiceLoop, player: PortReplay, take: Take) -> None:
    """A line that says how far it is, drawn over itself."""
    whole = duration(take.whole_length_s())

    def show() -> None:
        print(f"\r{duration(player.time_s)} of {whole} ", end="", file=sys.stderr, flush=True)
        loop.call_at(loop.now_s() + SHOW_S, show)

    show()


def _calibration(take: Take, mat: MatPlan, path: Path | None) -> Calibration | None:
    if path is None:
        return calibration_in(take, mat)
    from matbridge.mapping.wiring import wiring
    from matbridge.sensing.calibration import check_fit
    from matbridge.sensing.calibration_file import load

    calibration = load(path)
    if calibration is None:
        raise MatbridgeError(f"there is no calibration at {path}")
    check_fit(calibration, wiring(mat))
    return calibration


def _preset(show: Show, name: str | None) -> int | None:
    if name is None:
        return None
    names = [preset.name for preset in show.performance.presets]
    if name not in names:
        raise MatbridgeError(f"there is no preset '{name}'; there are {', '.join(names)}")
    return names.index(name)


def _tell_damage(take: Take) -> None:
    if take.damage:
        print(f"the take is damaged: {take.damage}", file=sys.stderr)


def _speed(text: str) -> float:
    try:
        speed = float(text)
    except ValueError:
        speed = math.nan
    if not SLOWEST <= speed <= FASTEST:
        raise argparse.ArgumentTypeError(f"'{text}' is not within {SLOWEST} to {FASTEST:g}")
    return speed
