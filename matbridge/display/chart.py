"""The chart of a performance: the mat to scale with what each zone plays, one page a preset.

It is made to be printed on A4 or Letter, handed over, and read from where a player stands: what a
zone plays is written as large as the zone allows, and its kind is told by outline and filling,
never by colour.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from matbridge.display.lettering import FONT, LEADING, LETTER, block, cut, fitted, safe, text_at
from matbridge.display.plan_view import Box, PlanView, plan_view
from matbridge.mapping.describe import (
    PartText,
    control_text,
    length_text,
    part_text,
    velocity_text,
)
from matbridge.mapping.plan import Leaving, PresetPlan, Show, ZonePlan
from matbridge.mapping.programs import PROGRAMS

# In mm: what fits both papers, on its side, within margins that every printer can keep.
PAGE_WIDTH, PAGE_HEIGHT = 254.0, 184.0
MARGIN_MM = 12

# Parts of the page, in mm.
HEAD, FOOT = 33.0, 16.0

# So far the outlines of zones keep from the edge of the page, in mm, not to be cut by it.
EDGE = 0.6

# Sizes of text, in mm. From 1.6 m, a standing height, 8 mm read with ease and 4 mm with a look.
TITLE, NOTE_TEXT, SMALL = 13.0, 4.2, 3.4
LABEL_LARGEST, LABEL_SMALLEST = 13.0, 2.6
SMALLEST = 2.1

# A detail of fewer letters than this leaves more of the zone to its label.
SHORT = 24

INK = "#000"
PAPER = "#fff"
SHADE = "#d4d4d4"

# What the outline of a zone says of it.
LEGEND = {
    "": "plays notes",
    "works": "works a control or pedal",
    "acts": "makes the bridge do something",
    "silent": "silent",
}

# The lengths that may be drawn for scale, and the longest that has room.
LENGTHS_CM, LONGEST = (100, 50, 20, 10, 5, 2, 1, 0.1), 60.0

# Kinds of part that work something.
WORKS = ("control", "program", "bend", "latch")


def html(show: Show, presets: Sequence[PresetPlan]) -> str:
    """A page for a browser to print, that needs nothing from elsewhere."""
    title = safe(f"{show.performance.name}: {show.mat.name}")
    sheets = "\n".join(
        f"<section>{_svg(page, 0.0, PAGE_HEIGHT)}</section>" for page in _pages(show, presets)
    )
    style = (
        f"@page{{size:landscape;margin:{MARGIN_MM}mm}}"
        f"body{{margin:0;background:{PAPER}}}"
        "section{break-after:page;break-inside:avoid}section:last-child{break-after:auto}"
        f"svg{{display:block;width:{PAGE_WIDTH:g}mm;height:{PAGE_HEIGHT:g}mm;margin:0 auto}}"
        "@media screen{body{background:#999}section{background:#fff;margin:6mm auto;padding:8mm;"
        f"width:{PAGE_WIDTH:g}mm}}}}"
    )
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{title}</title>\n'
        f"<style>{style}</style></head>\n<body>\n{sheets}\n</body></html>\n"
    )


def svg(show: Show, presets: Sequence[PresetPlan]) -> str:
    """All pages in one drawing, below each other."""
    gap = float(MARGIN_MM)
    pages = [
        f'<g transform="translate(0 {number * (PAGE_HEIGHT + gap):.2f})">{page}</g>'
        for number, page in enumerate(_pages(show, presets))
    ]
    height = len(pages) * (PAGE_HEIGHT + gap) - gap
    return _svg("\n".join(pages), gap, height) + "\n"


def _svg(content: str, margin: float, height: float) -> str:
    width, height = PAGE_WIDTH + 2 * margin, height + 2 * margin
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{-margin:g} {-margin:g} {width:g} '
        f'{height:g}" width="{width:g}mm" height="{height:g}mm" font-family="{safe(FONT)}" '
        f'fill="{INK}"><rect x="{-margin:g}" y="{-margin:g}" width="100%" height="100%" '
        f'fill="{PAPER}"/>\n{content}\n</svg>'
    )


def _pages(show: Show, presets: Sequence[PresetPlan]) -> Iterator[str]:
    for number, preset in enumerate(presets, 1):
        yield "\n".join(_page(show, preset, f"{number} of {len(presets)}"))


def _page(show: Show, preset: PresetPlan, number: str) -> Iterator[str]:
    zones = [
        [part_text(part, preset, show.performance) for part in zone.parts] for zone in preset.zones
    ]
    usual = _usual(zones)
    holds = {_hold(part) for parts in zones for part in parts if part.kind == "notes"}
    hold = holds.pop() if len(holds) == 1 else ""
    yield from _head(show, preset, number, zones, usual, hold)
    view = plan_view(show.mat.zones, EDGE, HEAD, PAGE_WIDTH - 2 * EDGE, PAGE_HEIGHT - HEAD - FOOT)
    for place, plan, parts, box in zip(
        show.mat.zones, preset.zones, zones, view.boxes, strict=True
    ):
        detail = _detail(plan, parts, usual, hold)
        yield from _zone(place.name, plan, parts, box, detail)
    yield from _foot(view)


# ---- around the mat ----------------------------------------------------------------------------


def _head(
    show: Show,
    preset: PresetPlan,
    number: str,
    zones: Sequence[Sequence[PartText]],
    usual: str,
    hold: str,
) -> Iterator[str]:
    """What the page is about, and what holds for all of its zones."""
    size, lines = fitted(preset.name, PAGE_WIDTH * 0.68, TITLE * 1.2, TITLE, 5.0)
    yield text_at(0, TITLE * 0.8, " ".join(lines), size, style='font-weight="700"')
    facts = [show.performance.name, f"{show.mat.name}, page {number}"]
    tempo_bpm = preset.tempo_bpm or show.performance.tempo_bpm
    facts.append(f"{tempo_bpm:g} beats a minute")
    for line, fact in enumerate(facts):
        y = NOTE_TEXT * (1 + 1.25 * line)
        yield text_at(PAGE_WIDTH, y, fact, NOTE_TEXT, anchor="end")
    told = "; ".join(_told(show, preset, zones, usual, hold))
    size, lines = fitted(told, PAGE_WIDTH, 2.4 * NOTE_TEXT, NOTE_TEXT, 2.6)
    for line, text in enumerate(lines):
        yield text_at(0, TITLE + NOTE_TEXT * 1.6 + line * size * 1.2, text, size)


def _told(
    show: Show, preset: PresetPlan, zones: Sequence[Sequence[PartText]], usual: str, hold: str
) -> Iterator[str]:
    """What holds for the whole preset, in a few words."""
    if usual:
        yield f"to {usual}"
    if hold:
        yield f"notes sound {hold}"
    velocities = {
        velocity_text(plan)
        for plan, parts in zip(preset.zones, zones, strict=True)
        if any(part.kind == "notes" for part in parts)
    }
    if len(velocities) == 1:
        yield f"velocity from {velocities.pop()}"
    pressures = {part.pressure for parts in zones for part in parts if part.kind == "notes"}
    if len(pressures) == 1 and pressures != {""}:
        yield f"pressure to {pressures.pop()}"
    if preset.voices.limit:
        yield "one voice" if preset.voices.limit == 1 else f"{preset.voices.limit} voices"
    if preset.quantise is not None:
        yield f"strikes wait for the next {length_text(preset.quantise)}"
    for entry in preset.entry:
        words = [] if entry.program is None else [PROGRAMS[entry.program]]
        words += [f"{control_text(control)} {value}" for control, value in entry.controls]
        if words:
            where = f"{show.performance.outputs[entry.output].name}, channel {entry.channel}"
            on = "" if where == usual else f" on {where}"
            yield f"enters with {', '.join(words)}{on}"
    if preset.leaving is Leaving.END:
        yield "held notes end when it is left"


def _foot(view: PlanView) -> Iterator[str]:
    """Which edge is which, how long a length is, and what outlines mean."""
    far, near, y = view.top - 1.5, view.top + view.height + SMALL + 1.5, PAGE_HEIGHT - 1.5
    yield text_at(PAGE_WIDTH / 2, far, "far edge", SMALL, anchor="middle")
    yield text_at(PAGE_WIDTH / 2, near, "near edge", SMALL, anchor="middle")
    x = 0.0
    for kind, words in LEGEND.items():
        yield f'<rect x="{x + 0.5:.2f}" y="{y - 3.6:.2f}" width="7" height="4.6" {_outline(kind)}/>'
        yield text_at(x + 9.5, y, words, SMALL)
        x += 15 + len(words) * SMALL * LETTER
    length_cm = next(each for each in LENGTHS_CM if each * view.scale <= LONGEST)
    length = length_cm * view.scale
    yield (
        f'<path d="M{PAGE_WIDTH - length:.2f} {near - 2:.2f}v2h{length:.2f}v-2" fill="none" '
        f'stroke="{INK}" stroke-width="0.4"/>'
    )
    yield text_at(PAGE_WIDTH - length - 1.5, near, f"{length_cm} cm", SMALL, anchor="end")


# ---- a zone ------------------------------------------------------------------------------------


def _zone(
    name: str, plan: ZonePlan, parts: Sequence[PartText], box: Box, detail: str
) -> Iterator[str]:
    kind = _kind(parts)
    yield _shape(box, _outline(kind))
    style = f'fill="{PAPER if kind == "acts" else INK}"'
    # Text keeps within a rectangle that fits the round ones, too.
    share = 0.72 if box.round else 0.84
    width, height = 2 * box.half_width * share, 2 * box.half_height * share
    top = box.y - height / 2
    name_size = min(NOTE_TEXT, height * 0.17, width / len(name) / LETTER)
    yield text_at(box.x, top + name_size * 0.85, name, name_size, anchor="middle", style=style)
    if not parts:
        return
    top += name_size * 1.15
    room = height - name_size * 1.15
    label, departure = _label(plan, parts)
    detail = ", ".join(filter(None, (departure, detail)))
    detail_room = room * (0.42 if len(detail) < SHORT else 0.55) if detail else 0.0
    label_room = room - detail_room
    size, lines = fitted(label, width, label_room, min(LABEL_LARGEST, label_room), LABEL_SMALLEST)
    yield from block(box.x, top + label_room / 2, lines, size, f'{style} font-weight="700"')
    if detail:
        small, lines = fitted(detail, width, detail_room, min(NOTE_TEXT, size * 0.6), SMALLEST)
        lines = cut(lines, int(detail_room / (small * LEADING)))
        yield from block(box.x, top + label_room + detail_room / 2, lines, small, style)


def _label(plan: ZonePlan, parts: Sequence[PartText]) -> tuple[str, str]:
    """What a zone is called, and by how many cents a lone note departs from its name."""
    label = plan.label or parts[0].plays
    found = _DEPARTURE.fullmatch(label)
    return (found[1], found[2]) if found else (label, "")


# As `pitch_label` writes it.
_DEPARTURE = re.compile(r"(\S+) ([-+][0-9]+ c)")


def _kind(parts: Sequence[PartText]) -> str:
    if not parts:
        return "silent"
    if parts[0].kind == "action":
        return "acts"
    return "works" if parts[0].kind in WORKS else ""


def _outline(kind: str) -> str:
    match kind:
        case "acts":
            return f'fill="{INK}" stroke="{INK}" stroke-width="0.6"'
        case "works":
            return f'fill="{SHADE}" stroke="{INK}" stroke-width="0.9" stroke-dasharray="3 1.6"'
        case "silent":
            return f'fill="none" stroke="{INK}" stroke-width="0.3" stroke-dasharray="0.6 1.8"'
    return f'fill="{PAPER}" stroke="{INK}" stroke-width="0.8"'


def _shape(box: Box, style: str) -> str:
    if box.round:
        return (
            f'<ellipse cx="{box.x:.2f}" cy="{box.y:.2f}" rx="{box.half_width:.2f}" '
            f'ry="{box.half_height:.2f}" {style}/>'
        )
    return (
        f'<rect x="{box.x - box.half_width:.2f}" y="{box.y - box.half_height:.2f}" '
        f'width="{2 * box.half_width:.2f}" height="{2 * box.half_height:.2f}" rx="1.5" {style}/>'
    )


def _detail(plan: ZonePlan, parts: Sequence[PartText], usual: str, hold: str) -> str:
    """What a player must know beside the label: the notes of a chord, what is not as usual."""
    words: list[str] = []
    for part in parts:
        if len(parts) > 1 or (part.kind == "notes" and part.plays != plan.label):
            words.append(part.plays)
        if part.kind != "notes" or _hold(part) != hold:
            words += [word for word in _hold(part).split(", ") if word not in UNSAID]
        output, _, channel = part.where.rpartition(", ")
        if part.where not in ("", usual):
            same_output = usual.startswith(f"{output}, ")
            words.append(channel if same_output else part.where)
    return ", ".join(dict.fromkeys(words))


def _hold(part: PartText) -> str:
    """How a part sounds; that a sequence steps on at each touch, its label shows."""
    return part.how.removeprefix("one a touch, ")


# What goes without saying: a note sounds and a pedal is down while its zone is touched.
UNSAID = ("", "while touched", "down while touched", "127 while touched", "then 0")


def _usual(zones: Sequence[Sequence[PartText]]) -> str:
    """The output and channel that most parts go to."""
    places = [part.where for parts in zones for part in parts if part.where]
    return max(dict.fromkeys(places), key=places.count, default="")
