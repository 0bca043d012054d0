"""What a calibration says while it goes on: the next thing to do, remarks, and live bars."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text

from matbridge.display.bars import Bar, draw_bars
from matbridge.display.guiding import heading
from matbridge.sensing.advice import Advice
from matbridge.sensing.guide import Guide, RemarkKind, Stage, Step, Strength
from matbridge.sensing.settings import SensorType

KEYS = {
    Stage.READY: "Enter: the mat is clear   q: give up",
    Stage.REST: "Enter: measure no longer   b: back   q: give up",
    Stage.PRESS: "Enter: leave this press out   n: next zone   b: back   q: give up",
    Stage.WALK: "Enter: enough   b: back   q: give up",
    Stage.DONE: "Enter: keep it   b: back   q: throw it away",
}

# Those that moved most are whom it is about; a step shakes the zones around it too.
SHOWN_NAMES = 3


def task(guide: Guide) -> str:
    """What the guide waits for, to be said to whoever is on the mat."""
    if guide.stage is Stage.READY:
        return "take everything off the mat and step off it"
    if guide.stage is Stage.REST:
        return "keep off the mat while its rest is measured"
    if guide.stage is Stage.PRESS:
        return ask(guide, guide.step)
    if guide.stage is Stage.WALK:
        return "walk over every zone, softly and hard, in any order"
    return "done"


def ask(guide: Guide, step: Step) -> str:
    """One press, asked for."""
    name = guide.wiring.zones[step.zone].name
    if guide.wiring.sensor.type is SensorType.SWITCH:
        return f"press {name}"
    return f"press {name} {'softly' if step.strength is Strength.SOFT else 'hard'}"


def progress(guide: Guide) -> str:
    """How far it has come."""
    if guide.stage is Stage.REST:
        return f"{100 * guide.rest_share():.0f} %"
    if guide.stage is Stage.PRESS:
        return f"{guide.done_steps + 1} of {len(guide.steps)}"
    if guide.stage is Stage.WALK:
        pressed = sum(bool(finding.heights) for finding in guide.findings)
        return f"{pressed} of {len(guide.findings)} zones pressed"
    return ""


def remark(guide: Guide) -> str:
    """What the guide noticed last, or nothing."""
    kind, zones = guide.remark
    names = [guide.wiring.zones[zone].name for zone in zones]
    shown = ", ".join(names[:SHOWN_NAMES]) + (" and others" if len(names) > SHOWN_NAMES else "")
    if kind is RemarkKind.MOVED:
        return f"{shown} moved: measuring the rest again"
    if kind is RemarkKind.OTHER:
        return f"that was {shown}; if you did press the right one, try matbridge identify"
    if kind is RemarkKind.TAKEN:
        finding = guide.findings[zones[0]]
        return f"{shown}: {finding.rest.level + finding.heights[-1]:.0f}"
    return ""


def screen(
    guide: Guide,
    readings: Sequence[int],
    trouble: str,
    width: int,
    height: int,
    *,
    advice: Sequence[Sequence[Advice]] = (),
    plain: bool = False,
) -> Text:
    """The whole picture.

    readings: the latest of each zone. trouble: why no scans come, if so. advice: once it is done.
    """
    head = heading(guide.wiring.mat, progress(guide), task(guide), trouble, remark(guide), width)
    left = height - len(head.plain.split("\n")) - 1
    if guide.stage is Stage.DONE:
        body = _summary(guide, advice, left)
    else:
        body = draw_bars(_bars(guide, readings, plain), width, left, plain=plain)
    return Text.assemble(
        head, body, (f"\n\n{KEYS[guide.stage]}", "dim"), no_wrap=True, overflow="crop"
    )


def _summary(guide: Guide, advice: Sequence[Sequence[Advice]], height: int) -> Text:
    """How many zones are good, and the first words on those that are not."""
    text = Text(no_wrap=True, overflow="ellipsis")
    good = sum(not found for found in advice)
    text.append(f"  {good} of {len(advice)} zones are good\n", "bold")
    worse = sorted(
        (index for index, found in enumerate(advice) if found),
        key=lambda index: -advice[index][0].verdict,
    )
    for index in worse[: height - 2]:
        words = ", ".join(item.word for item in advice[index])
        text.append(f"  {guide.wiring.zones[index].name}: {words}\n")
    if len(worse) > height - 2:
        text.append(f"  and {len(worse) - height + 2} zones more\n", "dim")
    text.right_crop(1)
    return text


def _bars(guide: Guide, readings: Sequence[int], plain: bool) -> list[Bar]:
    top = (1 << guide.wiring.sensor.bits) - 1
    bars = []
    for index, wire in enumerate(guide.wiring.zones):
        ticks = []
        state = " "
        if guide.findings:
            rest = guide.findings[index].rest.level
            heights = guide.findings[index].heights
            if guide.walk:
                ticks = [rest + pick(heights) for pick in (min, max)] if heights else []
                enough = len(heights) > 1
            else:
                pressed = [guide.pressed_as(index, strength) for strength in Strength]
                ticks = [rest + height for height in pressed if height is not None]
                asked = sum(step.zone == index for step in guide.steps)
                enough = len(ticks) == asked
            done = "x" if plain else "\u2713"
            state = done if enough else "." if ticks else " "
        bars.append(
            Bar(
                name=wire.name,
                level=readings[index] / top,
                ticks=[tick / top for tick in ticks],
                number=f"{readings[index]:{len(str(top))}d}",
                state=state,
                asked=guide.stage is Stage.PRESS and guide.step.zone == index,
            )
        )
    return bars
