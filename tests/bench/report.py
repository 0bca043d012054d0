"""The figures as tables, and the latencies as a picture."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

# Floors first: each ratio is the bridge's figure over theirs.
BRIDGE = "matbridge"
RATIOS = ("C", "least Python", "stages alone", "plain script", "plain loop", "python -c pass")
HIDDEN = ("latencies_us",)

# Counts of what was played, and extremes that are the machine's: no measure of speed.
UNCOMPARED = ("presses", "missing", "spurious", "unpaired", "worst_us", "p99_us", "p95_us")
MORE_IS_BETTER = "scans_per_s"
WORST_CHANGE = 0.75


def table(figures: dict[str, Any]) -> Iterator[str]:
    """Lines of text: one block a scene, one row a bridge, ratios under them."""
    for scene, cases in figures.items():
        yield f"\n== {scene} =="
        for case, found in cases.items():
            rows = found if any(isinstance(row, dict) for row in found.values()) else {"": found}
            names = list(dict.fromkeys(n for row in rows.values() for n in row if n not in HIDDEN))
            yield f"\n{case}"
            yield _line("", names)
            for label, row in rows.items():
                yield _line(label, [str(row.get(name, "-")) for name in names])
            for other in RATIOS:
                if other in rows and BRIDGE in rows:
                    ours, theirs = rows[BRIDGE], rows[other]
                    ratios = [_ratio(ours.get(name), theirs.get(name)) for name in names]
                    yield _line(f"x of {other}", ratios)


def ratios(figures: dict[str, Any]) -> dict[str, float]:
    """Every ratio of the tables under a name of its own: what may be kept and compared."""
    found = {}
    for scene, cases in figures.items():
        for case, rows in cases.items():
            ours = rows.get(BRIDGE, {})
            for other in RATIOS:
                for name, theirs in rows.get(other, {}).items():
                    ratio = _ratio(ours.get(name), theirs)
                    if ratio and name not in UNCOMPARED:
                        found[f"{scene}: {case}: {name} x {other}"] = float(ratio)
    return found


def beside_accepted(now: dict[str, float], accepted: dict[str, float]) -> Iterator[str]:
    """Each ratio beside the one last accepted; what got worse by more than a third is marked."""
    yield f"\n== beside the last accepted ==\n  {'':58}{'now':>9}{'accepted':>10}"
    for name, ratio in now.items():
        if name in accepted:
            before = accepted[name]
            less, more = (ratio, before) if MORE_IS_BETTER in name else (before, ratio)
            mark = "  WORSE BY MORE THAN A THIRD" if less < more * WORST_CHANGE else ""
            yield f"  {name:58}{ratio:9.2f}{before:10.2f}{mark}"


def _line(head: str, cells: list[str]) -> str:
    return f"  {head:18}" + "".join(f"{cell:>17}" for cell in cells)


def _ratio(ours: object, theirs: object) -> str:
    numbers = isinstance(ours, int | float) and isinstance(theirs, int | float)
    if not numbers or isinstance(ours, bool) or not theirs:
        return ""
    return f"{ours / theirs:.2f}"  # type: ignore[operator]


WIDTH, HEIGHT, MARGIN = 760, 360, 60
SHADES = {
    "matbridge": "#000000", "C": "#777777", "least Python": "#444444", "stages alone": "#222222",
    "plain script": "#bbbbbb",
}  # fmt: skip
DASHES = {
    "matbridge": "", "C": "6 3", "least Python": "12 4", "stages alone": "12 3 2 3",
    "plain script": "2 3",
}  # fmt: skip
MOST_US = 1500


def drawing(cases: dict[str, Any], case: str = "play") -> str:
    """An SVG of the cumulative distribution of byte-to-note latency, a curve a bridge."""
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}">',
        "<style>text {font: 13px sans-serif}</style>",
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="white"/>',
        f'<text x="{MARGIN}" y="24">byte to note, {case}: share within so many microseconds</text>',
    ]
    across, up = WIDTH - 2 * MARGIN, HEIGHT - 2 * MARGIN
    for step in range(0, MOST_US + 1, 250):
        x = MARGIN + across * step / MOST_US
        lines.append(
            f'<line x1="{x:.0f}" y1="{MARGIN}" x2="{x:.0f}" y2="{HEIGHT - MARGIN}"'
            f' stroke="#dddddd"/><text x="{x:.0f}" y="{HEIGHT - MARGIN + 18}"'
            f' text-anchor="middle">{step}</text>'
        )
    for share in (0, 0.5, 0.95, 1):
        y = HEIGHT - MARGIN - up * share
        lines.append(
            f'<line x1="{MARGIN}" y1="{y:.0f}" x2="{WIDTH - MARGIN}" y2="{y:.0f}"'
            f' stroke="#dddddd"/><text x="{MARGIN - 8}" y="{y + 4:.0f}"'
            f' text-anchor="end">{share:.0%}</text>'
        )
    for row, (label, figures) in enumerate(cases[case].items()):
        values = figures.get("latencies_us", [])
        points = " ".join(
            f"{MARGIN + across * min(value, MOST_US) / MOST_US:.1f},"
            f"{HEIGHT - MARGIN - up * (index + 1) / len(values):.1f}"
            for index, value in enumerate(values)
        )
        style = f'stroke="{SHADES[label]}" stroke-dasharray="{DASHES[label]}" stroke-width="2"'
        lines.append(f'<polyline points="{points}" fill="none" {style}/>')
        y = HEIGHT - MARGIN - 20 * (row + 1)
        lines.append(
            f'<line x1="{WIDTH - 190}" y1="{y}" x2="{WIDTH - 160}" y2="{y}" {style}/>'
            f'<text x="{WIDTH - 152}" y="{y + 4}">{label}</text>'
        )
    return "\n".join([*lines, "</svg>", ""])
