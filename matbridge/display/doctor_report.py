"""What an examination of a mat found, and the latency budget, as text for a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from typing import NamedTuple

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from matbridge.display.latency import AIM_S, Budget


class State(StrEnum):
    """How something was found."""

    GOOD = "good"
    NOTE = "note"
    WRONG = "wrong"


STYLES = {State.GOOD: "green", State.NOTE: "yellow", State.WRONG: "bold red"}


class Finding(NamedTuple):
    """One thing looked at. remedy: what to do about it, or empty."""

    about: str
    state: State
    text: str
    remedy: str = ""


def findings_table(findings: Sequence[Finding]) -> RenderableType:
    """One row a finding, its remedy under it."""
    drawn = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_header=False)
    drawn.add_column(no_wrap=True)
    drawn.add_column(no_wrap=True)
    drawn.add_column()
    for finding in findings:
        text = Text(finding.text)
        if finding.remedy:
            text.append(f"\n{finding.remedy}", "bold")
        drawn.add_row(Text(finding.state, STYLES[finding.state]), Text(finding.about), text)
    return drawn


def budget_table(budget: Budget) -> RenderableType:
    """The latency budget, part by part and in sum, and what to change first."""
    drawn = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    drawn.add_column("from contact to note", no_wrap=True)
    drawn.add_column("usual ms", justify="right", no_wrap=True)
    drawn.add_column("most ms", justify="right", no_wrap=True)
    drawn.add_column("")
    for part in (*budget.way, *budget.outputs):
        drawn.add_row(Text(part.name), _ms(part.usual_s), _ms(part.most_s), Text(part.why))
    usual_s, most_s = budget.sums_s()
    how = "within" if budget.in_time else "beyond"
    aim = f"{how} the aim of {AIM_S * 1000:.0f} ms"
    if len(budget.outputs) > 1:
        aim += ", at the slowest output"
    drawn.add_row("in all", _ms(usual_s), _ms(most_s), Text(aim), style="bold")
    first = budget.change_first()
    return Group(drawn, Text(f"\nchange first: {first}")) if first else drawn


def _ms(seconds: float) -> str:
    return f"{seconds * 1000:.2f}"
