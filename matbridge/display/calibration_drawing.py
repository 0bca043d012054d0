"""A calibration as a drawing, to keep or to print: the mat from above, and every zone's range.

SVG by itself, or within an HTML page with the advice under it. Nothing is told by colour alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from html import escape
from pathlib import Path

from matbridge.display.calibration_report import GOOD, heading, sentences
from matbridge.errors import MatbridgeError
from matbridge.mapping.plan import ZonePlace
from matbridge.plain import escaped
from matbridge.sensing.advice import SATURATED_SHARE, Advice, Verdict
from matbridge.sensing.calibration import Calibration, ZoneCalibration

# Units of the drawing; a page of A4 or Letter is about 760 wide at the size of screen text.
WIDTH = 760
MARGIN = 24
HEAD = 64
ROW = 22
NAMES = 90
WORDS = 190
MAP_HEIGHT = 300
LEGEND = 40

INK = "#1d2733"
FAINT = "#9aa7b4"
GROUND = "#eef2f5"
TOUCH = "#7fb2c4"
HARD = "#2f7389"
EDGES = {Verdict.GOOD: HARD, Verdict.USABLE: "#b8860b", Verdict.FAULTY: "#b03030"}
OUTLINE = f'fill="none" stroke="{INK}"'
DASHED = f'stroke="{INK}" stroke-dasharray="2 2"'
MARKS = {Verdict.GOOD: "", Verdict.USABLE: "!", Verdict.FAULTY: "\u00d7"}


def check_target(path: Path) -> None:
    """Raises MatbridgeError where no drawing can be of that name."""
    if path.suffix.lower() not in (".svg", ".html"):
        raise MatbridgeError(f"the drawing '{path}' should end in .svg or .html")
    if not path.parent.is_dir():
        raise MatbridgeError(f"the drawing cannot be written: there is no folder '{path.parent}'")


def write(
    path: Path,
    calibration: Calibration,
    advice: Sequence[Sequence[Advice]],
    onsets: Sequence[float | None],
    places: Sequence[ZonePlace],
) -> None:
    """Draw to `path`, by its ending; raises MatbridgeError where it cannot be written."""
    drawing = svg(calibration, advice, onsets, places)
    text = page(calibration, advice, drawing) if path.suffix.lower() == ".html" else drawing
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise MatbridgeError(
            f"the drawing cannot be written to {path}: {error.strerror or error}"
        ) from error


def page(calibration: Calibration, advice: Sequence[Sequence[Advice]], drawing: str) -> str:
    """The drawing and the advice as one HTML page that needs nothing from elsewhere."""
    title = _safe(f"Calibration of {calibration.mat}")
    lines = "".join(
        f"<li>{_safe(line.plain)}</li>" for line in sentences(calibration, advice) if line
    )
    todo = f"<h2>What to do</h2><ul>{lines}</ul>" if lines else "<p>Nothing to do.</p>"
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{title}</title>\n'
        f"<style>body{{font:15px/1.45 system-ui,sans-serif;color:{INK};max-width:{WIDTH}px;"
        "margin:1.5em auto;padding:0 1em}svg{width:100%;height:auto}"
        "h2{font-size:1.1em}li{margin:.3em 0}@page{margin:12mm}</style></head>\n"
        f"<body>\n{drawing}{todo}\n</body></html>\n"
    )


def svg(
    calibration: Calibration,
    advice: Sequence[Sequence[Advice]],
    onsets: Sequence[float | None],
    places: Sequence[ZonePlace],
) -> str:
    """The drawing as an SVG document."""
    ranges_top = HEAD + MAP_HEIGHT + LEGEND
    height = ranges_top + ROW * len(calibration.zones) + LEGEND + MARGIN
    root = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" '
        f'width="{WIDTH}" height="{height}" font-family="system-ui, sans-serif" fill="{INK}">'
    )
    parts = [
        root,
        f'<rect width="{WIDTH}" height="{height}" fill="#fff"/>',
        _text(MARGIN, 30, calibration.mat, size=20),
        _text(MARGIN, 50, heading(calibration).plain.partition(": ")[2].strip(), fill=FAINT),
        *_map(calibration, advice, places),
        *_ranges(calibration, advice, onsets, ranges_top),
        "</svg>\n",
    ]
    return "\n".join(parts)


def _map(
    calibration: Calibration,
    advice: Sequence[Sequence[Advice]],
    places: Sequence[ZonePlace],
) -> list[str]:
    """The zones where they lie, seen by the player: y goes away from them, so up the page."""
    usual_cm = _usual_cm(places)
    sizes = [(place.width_cm or usual_cm, place.depth_cm or usual_cm) for place in places]
    left = min(p.x_cm - width / 2 for p, (width, _) in zip(places, sizes, strict=True))
    right = max(p.x_cm + width / 2 for p, (width, _) in zip(places, sizes, strict=True))
    near = min(p.y_cm - depth / 2 for p, (_, depth) in zip(places, sizes, strict=True))
    far = max(p.y_cm + depth / 2 for p, (_, depth) in zip(places, sizes, strict=True))
    scale = min((WIDTH - 2 * MARGIN) / (right - left), MAP_HEIGHT / (far - near))
    off = (WIDTH - (right - left) * scale) / 2
    parts = []
    for zone, found, place, (width_cm, depth_cm) in zip(
        calibration.zones, advice, places, sizes, strict=True
    ):
        worst = found[0].verdict if found else Verdict.GOOD
        x, y = off + (place.x_cm - left) * scale, HEAD + (far - place.y_cm) * scale
        half_x, half_y = width_cm * scale * 0.46, depth_cm * scale * 0.46
        dashes = ' stroke-dasharray="5 4"' if worst is Verdict.FAULTY else ""
        edge = f'fill="{GROUND}" stroke="{EDGES[worst]}" stroke-width="{1.5 + worst}"{dashes}'
        if place.round:
            parts.append(
                f'<ellipse cx="{x:.1f}" cy="{y:.1f}" rx="{half_x:.1f}" ry="{half_y:.1f}" {edge}/>'
            )
        else:
            parts.append(
                f'<rect x="{x - half_x:.1f}" y="{y - half_y:.1f}" width="{2 * half_x:.1f}" '
                f'height="{2 * half_y:.1f}" rx="4" {edge}/>'
            )
        label = f"{zone.name} {MARKS[worst]}".strip()
        # About two characters are as wide as the text is high.
        size = max(5.0, min(15.0, half_y * 0.9, 3.2 * half_x / len(label)))
        parts.append(_text(x, y + size * 0.35, label, size=size, anchor="middle"))
    return parts


def _usual_cm(places: Sequence[ZonePlace]) -> float:
    """The way to the nearest neighbour: so large may zones be without lying on each other."""
    apart = [
        ((one.x_cm - other.x_cm) ** 2 + (one.y_cm - other.y_cm) ** 2) ** 0.5
        for index, one in enumerate(places)
        for other in places[:index]
        if (one.x_cm, one.y_cm) != (other.x_cm, other.y_cm)
    ]
    return min(apart, default=20.0)


def _ranges(
    calibration: Calibration,
    advice: Sequence[Sequence[Advice]],
    onsets: Sequence[float | None],
    top: int,
) -> list[str]:
    """A bar a zone over the whole range of the converter."""
    most = (1 << calibration.sensor.bits) - 1
    left, width = MARGIN + NAMES, WIDTH - 2 * MARGIN - NAMES - WORDS

    def at(reading: float) -> float:
        return left + width * reading / most

    bottom = top + ROW * len(calibration.zones)
    parts = []
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        x = left + width * share
        parts.append(
            f'<line x1="{x:.1f}" y1="{top - 6}" x2="{x:.1f}" y2="{bottom}" stroke="{GROUND}"/>'
        )
        parts.append(_text(x, top - 10, f"{most * share:.0f}", 11, FAINT, "middle"))
    saturated = at(most * SATURATED_SHARE)
    parts.append(
        f'<rect x="{saturated:.1f}" y="{top - 6}" width="{left + width - saturated:.1f}" '
        f'height="{bottom - top + 6}" fill="{GROUND}"/>'
    )
    for row, (zone, found, onset) in enumerate(zip(calibration.zones, advice, onsets, strict=True)):
        y = top + ROW * row + ROW / 2
        parts += _range(zone, onset, at, y)
        parts.append(_text(left - 10, y + 4, zone.name, anchor="end"))
        worst = found[0].verdict if found else Verdict.GOOD
        words = ", ".join(item.word for item in found) or GOOD
        parts.append(
            _text(left + width + 12, y + 4, f"{MARKS[worst]} {words}".strip(), fill=EDGES[worst])
        )
    return parts + _legend(bottom + LEGEND - 12)


def _range(
    zone: ZoneCalibration, onset: float | None, at: Callable[[float], float], y: float
) -> list[str]:
    parts = []
    if zone.full is not None:
        soft = zone.rest if zone.soft is None else zone.soft
        parts.append(_bar(at(zone.rest), at(soft), y, 5, TOUCH))
        parts.append(_bar(at(soft), at(zone.full), y, 9, HARD))
    elif zone.soft is not None:
        parts.append(_bar(at(zone.rest), at(zone.soft), y, 5, TOUCH))
    if onset is not None:
        parts.append(f'<path d="M{at(onset):.1f} {y - 8:.1f}v16" {DASHED}/>')
    # Three standard deviations to either side hold nearly all that a zone at rest reads.
    noise = 3.0 * zone.noise
    x, end = at(zone.rest - noise), at(zone.rest + noise)
    parts.append(
        f'<rect x="{x:.1f}" y="{y - 6:.1f}" width="{max(end - x, 2.0):.1f}" height="12" {OUTLINE}/>'
    )
    return parts


def _legend(y: float) -> list[str]:
    x = float(MARGIN + NAMES)
    parts = []
    for label, space, drawn in (
        ("rest, 3 x noise", 130, f'<rect y="{y - 6}" width="8" height="12" {OUTLINE}/>'),
        ("a touch begins", 120, f'<path d="M0 {y - 8}v16" {DASHED}/>'),
        ("to a soft press", 125, f'<rect y="{y - 2.5}" width="16" height="5" fill="{TOUCH}"/>'),
        ("to a full press", 125, f'<rect y="{y - 4.5}" width="16" height="9" fill="{HARD}"/>'),
        ("saturated", 0, f'<rect y="{y - 8}" width="16" height="16" fill="{GROUND}"/>'),
    ):
        parts.append(f'<g transform="translate({x:.1f} 0)">{drawn}</g>')
        parts.append(_text(x + 22, y + 4, label, 12))
        x += space
    return parts


def _bar(start: float, end: float, y: float, thick: float, fill: str) -> str:
    x, width = min(start, end), max(abs(end - start), 1.0)
    return (
        f'<rect x="{x:.1f}" y="{y - thick / 2:.1f}" width="{width:.1f}" height="{thick}" '
        f'fill="{fill}"/>'
    )


def _text(
    x: float, y: float, text: str, size: float = 13, fill: str = INK, anchor: str = "start"
) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:.3g}" fill="{fill}" '
        f'text-anchor="{anchor}">{_safe(text)}</text>'
    )


def _safe(text: str) -> str:
    return escape(escaped(text))
