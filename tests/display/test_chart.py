"""The chart of a performance: to scale, whole, black on white, and on both papers."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import pytest

from matbridge.display import chart
from matbridge.display.lettering import LETTER
from matbridge.mapping.load import load_show
from matbridge.mapping.plan import Show
from tests.support.mapping import MAT, show

CONFIGS = Path(__file__).parents[2] / "configs"
SHOWS = sorted(path for path in CONFIGS.glob("*.yaml") if not path.name.endswith(".mat.yaml"))
SVG = "{http://www.w3.org/2000/svg}"


def drawing(of: Show) -> ElementTree.Element:
    return ElementTree.fromstring(chart.svg(of, of.performance.presets))  # noqa: S314 - our own


def texts(root: ElementTree.Element) -> list[str]:
    return [element.text or "" for element in root.iter(f"{SVG}text")]


@pytest.mark.parametrize("path", SHOWS, ids=lambda path: path.name)
def test_every_zone_of_every_preset_is_there(path: Path) -> None:
    of = load_show(path)
    root = drawing(of)
    words = texts(root)
    for place in of.mat.zones:
        assert words.count(place.name) == len(of.performance.presets)
    for preset in of.performance.presets:
        assert preset.name in words
        for zone in preset.zones:
            for word in zone.label.split():
                assert any(word in text.split() or word in text for text in words), word


@pytest.mark.parametrize("path", SHOWS, ids=lambda path: path.name)
def test_nothing_is_told_by_colour(path: Path) -> None:
    of = load_show(path)
    text = chart.html(of, of.performance.presets)
    for colour in re.findall(r"#([0-9a-f]{6}|[0-9a-f]{3})\b", text):
        size = len(colour) // 3
        red, green, blue = colour[:size], colour[size : 2 * size], colour[2 * size :]
        assert red == green == blue


@pytest.mark.parametrize("path", SHOWS, ids=lambda path: path.name)
def test_text_keeps_within_the_page(path: Path) -> None:
    of = load_show(path)
    for page in drawing(of).iter(f"{SVG}g"):
        for element in page.iter(f"{SVG}text"):
            x, size = float(element.get("x", "")), float(element.get("font-size", ""))
            # A little narrower than reckoned, for letters are.
            width = len(element.text or "") * size * LETTER * 0.85
            anchor = element.get("text-anchor")
            left = x - {"start": 0.0, "middle": width / 2, "end": width}[anchor or ""]
            assert left >= -1.0, element.text
            assert left + width <= chart.PAGE_WIDTH + 1.0, element.text
            assert 0 <= float(element.get("y", "")) <= chart.PAGE_HEIGHT


def shapes(root: ElementTree.Element) -> Iterator[tuple[float, float, float, float]]:
    """Centre and size of each round zone of the first page."""
    for element in next(root.iter(f"{SVG}g")).iter(f"{SVG}ellipse"):
        yield tuple(float(element.get(key, "")) for key in ("cx", "cy", "rx", "ry"))  # type: ignore[misc]


def test_it_is_to_scale_and_far_is_up() -> None:
    of = show("presets: {p: {scale: {root: D3, type: dorian}}}")
    a1, a2, b1 = shapes(drawing(of))
    scale = (a2[0] - a1[0]) / 40
    assert scale > 0
    assert a2[1] == a1[1]
    assert b1[0] - a1[0] == pytest.approx(20 * scale, abs=0.02)
    assert a1[1] - b1[1] == pytest.approx(35 * scale, abs=0.02)
    assert a1[2] == a1[3]
    (bar,) = re.findall(r"v2h([0-9.]+)v-2", chart.svg(of, of.performance.presets))
    assert float(bar) == pytest.approx(20 * scale, abs=0.02)
    assert "20 cm" in texts(drawing(of))


def test_sizes_that_are_written_are_drawn() -> None:
    mat = MAT.replace("at: [0, 0]", "at: [0, 0], size: [30, 10]").replace(
        "at: [40, 0]", "at: [40, 0], size: 20"
    )
    root = drawing(show("presets: {p: {scale: {root: D3, type: dorian}}}", mat))
    first, _ = shapes(root)
    page = next(root.iter(f"{SVG}g"))
    rectangle = next(page.iter(f"{SVG}rect"))
    width, height = float(rectangle.get("width", "")), float(rectangle.get("height", ""))
    assert width / height == pytest.approx(3, abs=0.01)
    assert first[2] * 2 / width == pytest.approx(20 / 30, abs=0.01)


def test_kinds_are_told_by_outline_and_filling() -> None:
    root = drawing(show("presets: {p: {zones: {a1: D3, a2: {control: 64}, b1: {action: panic}}}}"))
    page = next(root.iter(f"{SVG}g"))
    styles = [
        (each.get("fill"), each.get("stroke-dasharray")) for each in page.iter(f"{SVG}ellipse")
    ]
    assert len(set(styles)) == 3
    silent = drawing(show("presets: {p: {zones: {a1: nothing, a2: D3, b1: D3}}}"))
    first = next(next(silent.iter(f"{SVG}g")).iter(f"{SVG}ellipse"))
    assert (first.get("fill"), first.get("stroke-dasharray")) not in styles


def test_the_legend_says_what_each_outline_means() -> None:
    of = show("presets: {p: {zones: {a1: D3, a2: {control: 64}, b1: {action: panic}}}}")
    page = next(drawing(of).iter(f"{SVG}g"))
    told: dict[tuple[str | None, str | None], str] = {}
    elements = list(page)
    for swatch, words in pairwise(elements):
        if swatch.tag == f"{SVG}rect" and words.tag == f"{SVG}text":
            told[swatch.get("fill"), swatch.get("stroke-dasharray")] = words.text or ""
    zones = [each for each in elements if each.tag == f"{SVG}ellipse"]
    meanings = [told[each.get("fill"), each.get("stroke-dasharray")] for each in zones]
    assert meanings == [
        "plays notes",
        "works a control or pedal",
        "makes the bridge do something",
    ]


def test_what_all_zones_share_is_told_once() -> None:
    of = show(
        "presets: {p: {scale: {root: D3, type: dorian}, hold: toggle, tempo: 96, "
        "voices: {limit: 1}, enter: {program: marimba}, leave: end, quantise: 1/4, "
        "pressure: {send: channel pressure}}}"
    )
    told = " ".join(texts(drawing(of)))
    for words in (
        "to synth, channel 1; notes sound until touched again; velocity from rise, 1-127",
        "pressure to channel pressure; one voice; strikes wait for the next 1 beat",
        "enters with marimba",
        "held notes end when it is left",
        "96 beats a minute",
    ):
        assert words in told
    assert told.count("until touched again") == 1


def test_what_differs_is_told_in_the_zone() -> None:
    of = show(
        "presets: {p: {zones: {a1: {note: D3, hold: toggle}, a2: {note: E3, output: rack}, "
        "b1: {chord: {root: D3, type: minor}, channel: 5}}}}"
    )
    words = " ".join(texts(drawing(of)))
    assert "until touched again" in words
    assert "rack" in words
    assert "D3 m" in words
    assert "D3 F3 A3" in words
    assert "channel 5" in words


def test_cents_stand_below_the_note() -> None:
    of = show("presets: {p: {tuning: {type: just}, zones: {a1: C4}}}")
    assert {"C4", "+16 c"} <= set(texts(drawing(of)))


def test_a_page_a_preset_and_what_it_is_a_page_of() -> None:
    of = show("presets: {p: {channel: 1}, q: {channel: 2}}")
    page = chart.html(of, of.performance.presets)
    assert page.count("<section>") == page.count("</svg>") == 2
    assert "page 1 of 2" in page
    assert "page 2 of 2" in page
    one = chart.html(of, of.performance.presets[1:])
    assert one.count("<section>") == 1


def test_both_papers_hold_a_page() -> None:
    for width_mm, height_mm in ((297.0, 210.0), (279.4, 215.9)):
        assert width_mm - 2 * chart.MARGIN_MM >= chart.PAGE_WIDTH
        assert height_mm - 2 * chart.MARGIN_MM >= chart.PAGE_HEIGHT
    page = chart.html(show(""), show("").performance.presets)
    assert "size:landscape" in page
    assert f"width:{chart.PAGE_WIDTH:g}mm;height:{chart.PAGE_HEIGHT:g}mm" in page


def test_names_cannot_break_out_of_the_page() -> None:
    of = show(
        "performance: '<script>'\npresets: {'</svg><b>&': {zones: {a1: {note: D3, label: '<i>'}}}}"
    )
    page = chart.html(of, of.performance.presets)
    assert "<script>" not in page
    assert "<b>" not in page
    assert "<i>" not in page
    assert "&lt;script&gt;" in page


def test_a_mat_of_one_zone_and_a_mat_of_many() -> None:
    mat = "mat: m\nboard: {port: simulated}\nsensor: {type: switch}\nzones:\n"
    one = mat + "  - {name: only, at: [7, 7]}\n"
    assert "only" in texts(drawing(show("presets: {p: {zones: {only: D3}}}", one)))
    many = mat + "".join(
        f"  - {{name: z{n}, at: [{n % 32 * 9}, {n // 32 * 9}]}}\n" for n in range(384)
    )
    assert "z383" in texts(drawing(show("presets: {p: {scale: {root: C0, type: major}}}", many)))
