"""Draws the wiring diagrams beside this file. Needs the package schemdraw: `pip install '.[dev]'`.

python -m matbridge.board.programs.wiring.draw
"""

from __future__ import annotations

from pathlib import Path

import schemdraw
import schemdraw.elements as elm
from schemdraw.elements import Ic, IcPin

HERE = Path(__file__).parent
FONT = {"fontsize": 12, "lw": 1.6}


def _room(drawing: schemdraw.Drawing, right: float) -> None:
    """Room for the words at the right edge, whose width the library guesses too small."""
    drawing += elm.Line().at((right - 0.1, 0)).to((right, 0)).color("white")


def divider(drawing: schemdraw.Drawing) -> None:
    """One zone: sensor above, fixed resistor below, and the protected input between."""
    drawing += elm.Vdd().label("VREF (supply of the converter)", loc="right")
    drawing += elm.ResistorVar().down().label("sensor\nunder the zone", loc="bottom")
    drawing += (middle := elm.Dot())
    drawing += elm.Resistor().down().label("fixed resistor", loc="bottom")
    drawing += elm.Ground()
    drawing += elm.Resistor().right().at(middle.center).label("1 kΩ\nagainst static")
    drawing += elm.Line().right().length(0.6)
    drawing += elm.Dot(open=True).label("converter input CH0", loc="right")
    _room(drawing, 9)


def converters(drawing: schemdraw.Drawing) -> None:
    """Three converters share clock and data; each has a chip select of its own."""
    for index in range(3):
        chip = Ic(
            pins=[
                IcPin(name="CS", side="left", anchorname="select"),
                IcPin(name="DIN", side="left"),
                IcPin(name="DOUT", side="left"),
                IcPin(name="CLK", side="left"),
                IcPin(name="CH7", side="right"),
                IcPin(name="...", side="right", anchorname="between"),
                IcPin(name="CH0", side="right"),
                IcPin(name="VDD", side="top"),
                IcPin(name="VREF", side="top"),
                IcPin(name="AGND", side="bot"),
                IcPin(name="DGND", side="bot"),
            ],
            size=(5.4, 4.6),
            edgepadH=1.2,
        ).at((0, -7.2 * index))
        drawing += chip.label(f"converter {index + 1}", loc="center")
        for pin, text in (
            ("CLK", "board: SPI clock, the same for all"),
            ("DOUT", "board: SPI data in, the same for all"),
            ("DIN", "board: SPI data out, the same for all"),
            ("select", f"board: select pin {index + 1}, its own"),
        ):
            drawing += elm.Line().left().at(getattr(chip, pin)).length(0.8)
            drawing += elm.Dot(open=True).label(text, loc="left")
        for pin, zone_number in (("CH0", index * 8 + 1), ("CH7", index * 8 + 8)):
            drawing += elm.Line().right().at(getattr(chip, pin)).length(0.8)
            drawing += elm.Dot(open=True).label(f"divider of zone {zone_number}", loc="right")
        drawing += elm.Line().at(chip.VDD).to(chip.VREF)
        drawing += elm.Vdd().at(chip.VREF).label("supply", loc="right")
        drawing += elm.Line().at(chip.AGND).to(chip.DGND)
        drawing += elm.Ground().at(chip.DGND)
    _room(drawing, 10.5)
    _room(drawing, -9)


def touch(drawing: schemdraw.Drawing) -> None:
    """A touch chip: twelve electrodes, two wires to the board."""
    chip = Ic(
        pins=[
            IcPin(name="VDD", side="top"),
            IcPin(name="VSS", side="bottom"),
            IcPin(name="ADDR", side="left"),
            IcPin(name="SDA", side="left"),
            IcPin(name="SCL", side="left"),
            *(IcPin(name=f"ELE{number}", side="right") for number in (11, 2, 1, 0)),
        ],
        edgepadW=1.6,
        edgepadH=0.8,
        pinspacing=1.0,
    )
    drawing += chip
    drawing += elm.Line().up().at(chip.VDD).length(0.6)
    drawing += elm.Vdd().label("3.3 V, never 5 V")
    drawing += elm.Ground().at(chip.VSS)
    for name, out in (("SDA", 3.0), ("SCL", 1.6)):
        place = getattr(chip, name)
        drawing += elm.Line().left().at(place).length(4)
        drawing += elm.Dot(open=True).label(f"board {name}", loc="left")
        drawing += elm.Dot().at((place.x - out, place.y))
        drawing += elm.Line().up().at((place.x - out, place.y)).toy(chip.VDD)
        drawing += elm.Resistor().up().label("4.7 kΩ" if name == "SDA" else "", loc="top")
        drawing += elm.Vdd().label("3.3 V")
    drawing += elm.Line().left().at(chip.ADDR).length(1)
    drawing += elm.Dot(open=True).label("VSS: address 5A", loc="left")
    for number, text in (
        (0, "zone 1: foil under cloth"),
        (1, "zone 2"),
        (2, "zone 3"),
        (11, "zone 12"),
    ):
        drawing += elm.Line().right().at(getattr(chip, f"ELE{number}")).length(2)
        drawing += elm.Dot(open=True).label(text, loc="right")
    _room(drawing, 12)


def zone(drawing: schemdraw.Drawing) -> None:
    """A zone from the side: what lies over and under the sensor."""
    layers = (
        ("top cloth, closed at the edges", 12.0, "#dddddd"),
        ("stiff pad, 3 mm, a little smaller than the zone", 8.0, "#999999"),
        ("puck, as wide as the sensing spot", 2.2, "#555555"),
        ("sensor on its tape, lead to the side", 5.0, "#bbbbbb"),
        ("base, flat and non-slip", 12.0, "#eeeeee"),
    )
    for row, (text, width, shade) in enumerate(layers):
        top = -row * 1.1
        drawing += elm.Rect(
            corner1=(6 - width / 2, top), corner2=(6 + width / 2, top - 0.7), fill=shade
        )
        drawing += elm.Label().at((12.6, top - 0.5)).label(text, loc="right", halign="left")
    drawing += elm.Line().at((8.5, -3.65)).to((12.2, -3.65))
    _room(drawing, 23)


PICTURES = {"divider": divider, "converters": converters, "touch": touch, "zone": zone}


def main() -> None:
    """Draw all of them as SVG."""
    schemdraw.use("svg")
    for name, draw in PICTURES.items():
        with schemdraw.Drawing(file=str(HERE / f"{name}.svg"), show=False) as drawing:
            drawing.config(**FONT)
            draw(drawing)
        print(f"{name}.svg")


if __name__ == "__main__":
    main()
