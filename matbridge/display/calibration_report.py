"""A calibration as a table in the terminal, with plain advice under it."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from matbridge.sensing.advice import Advice, Verdict
from matbridge.sensing.calibration import Calibration
from matbridge.sensing.settings import SensorType

STYLES = {Verdict.GOOD: "green", Verdict.USABLE: "yellow", Verdict.FAULTY: "bold red"}
GOOD = "good"


def report(
    calibration: Calibration, advice: Sequence[Sequence[Advice]], onsets: Sequence[float | None]
) -> RenderableType:
    """All that was measured, and what to do about it.

    advice: from `advise`. onsets: for each zone the reading at which a touch begins, if known.
    """
    return Group(
        heading(calibration), table(calibration, advice, onsets), *sentences(calibration, advice)
    )


def heading(calibration: Calibration) -> Text:
    sensor = calibration.sensor
    circuit = f", {sensor.fixed_resistor_ohm:g} ohm" if sensor.type is SensorType.FORCE else ""
    width = f"{sensor.bits} bits" if sensor.bits > 1 else "1 bit"
    return Text(
        f"{calibration.mat}: {len(calibration.zones)} zones, {sensor.type} of {width}"
        f"{circuit}, {calibration.date}\n"
    )


def table(
    calibration: Calibration, advice: Sequence[Sequence[Advice]], onsets: Sequence[float | None]
) -> Table:
    """One row a zone, in readings; the range is from rest to a full press, of the whole range."""
    top = (1 << calibration.sensor.bits) - 1
    drawn = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    drawn.add_column("zone", no_wrap=True)
    for name in ("rest", "noise", "onset", "soft", "full", "range"):
        drawn.add_column(name, justify="right", no_wrap=True)
    drawn.add_column("verdict", no_wrap=True)
    for zone, found, onset in zip(calibration.zones, advice, onsets, strict=True):
        span = "-" if zone.full is None else f"{100 * abs(zone.full - zone.rest) / top:.0f} %"
        drawn.add_row(
            Text(zone.name),
            f"{zone.rest:.1f}",
            f"{zone.noise:.1f}",
            _number(onset),
            _number(zone.soft),
            _number(zone.full),
            span,
            verdict(found),
        )
    return drawn


def verdict(found: Sequence[Advice]) -> Text:
    """The words for one zone, gravest first."""
    worst = found[0].verdict if found else Verdict.GOOD
    return Text(", ".join(item.word for item in found) or GOOD, STYLES[worst])


def sentences(calibration: Calibration, advice: Sequence[Sequence[Advice]]) -> list[Text]:
    """A sentence for each thing to do; zones that need the same one share it."""
    said: dict[str, list[str]] = {}
    for zone, found in zip(calibration.zones, advice, strict=True):
        for item in found:
            said.setdefault(item.sentence, []).append(zone.name)
    lines = [Text(f"{', '.join(names)}: {sentence}") for sentence, names in said.items()]
    return [Text(""), *lines] if lines else []


def _number(reading: float | None) -> str:
    if reading is None:
        return "-"
    return f"{reading:.0f}" if reading >= 10.0 else f"{round(reading, 1):g}"
