"""The drawing of a calibration: well-formed, escaped, complete, and true to scale."""

import re
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from matbridge.display.calibration_drawing import check_target, page, svg, write
from matbridge.errors import MatbridgeError
from matbridge.mapping.plan import ZonePlace
from matbridge.sensing.advice import advise
from matbridge.sensing.calibration import Calibration, ZoneCalibration
from matbridge.sensing.settings import SensorSpec, SensorType

SVG = "{http://www.w3.org/2000/svg}"
SENSOR = SensorSpec(SensorType.FORCE, 10, 1000.0)
PLACES = (
    ZonePlace("bow", 0, 0),
    ZonePlace("mast", 40, 0),
    ZonePlace("keel", 20, 30, 50, 10, False),
)
ZONES = (
    ZoneCalibration("bow", 4.0, 0.6, 90.0, 750.0),
    ZoneCalibration("mast", 4.0, 0.6),
    ZoneCalibration("keel", 5.0, 0.6, 120.0, 1015.0),
)
CALIBRATION = Calibration("quay <&> \x1b[2J", SENSOR, "2025-06-01", ZONES)
ADVICE = advise(CALIBRATION)
ONSETS = (30.0, None, 44.0)


def drawn() -> ET.Element:
    return ET.fromstring(svg(CALIBRATION, ADVICE, ONSETS, PLACES))  # noqa: S314 - our own


def test_it_is_well_formed_whatever_the_names_are() -> None:
    texts = [text.text for text in drawn().iter(f"{SVG}text")]
    assert "quay <&> \\x1b[2J" in texts


def test_every_zone_is_there_twice_with_its_verdict_in_words() -> None:
    texts = [text.text or "" for text in drawn().iter(f"{SVG}text")]
    for name in ("bow", "mast", "keel"):
        assert sum(text.split()[0] == name for text in texts if text) == 2
    assert "good" in texts
    assert "\u00d7 silent" in texts
    assert "! saturates" in texts


def test_zones_lie_where_they_lie_on_the_mat_the_far_ones_at_the_top() -> None:
    root = drawn()
    bow, mast = root.iter(f"{SVG}ellipse")
    keel = next(rect for rect in root.iter(f"{SVG}rect") if rect.get("rx") == "4")
    assert float(bow.get("cx", "")) < float(mast.get("cx", ""))
    assert bow.get("cy") == mast.get("cy")
    assert float(keel.get("y", "")) < float(bow.get("cy", ""))
    # 50 by 10 cm, drawn to scale.
    assert float(keel.get("width", "")) == pytest.approx(
        5 * float(keel.get("height", "")), rel=0.01
    )


def test_bars_are_as_long_as_the_readings_are_far() -> None:
    bars = {
        (rect.get("height"), round(float(rect.get("width", "0"))))
        for rect in drawn().iter(f"{SVG}rect")
    }
    to_full = sorted(width for height, width in bars if height == "9" and width > 20)
    assert to_full[0] / to_full[1] == pytest.approx((750 - 90) / (1015 - 120), rel=0.02)


def test_nothing_is_told_by_colour_alone() -> None:
    """A faulty zone has a mark, a word and a dashed edge."""
    dashed = [shape for shape in drawn().iter(f"{SVG}ellipse") if shape.get("stroke-dasharray")]
    assert len(dashed) == 1
    assert any((text.text or "") == "mast \u00d7" for text in drawn().iter(f"{SVG}text"))


def test_the_page_says_what_to_do_and_fetches_nothing() -> None:
    html = page(CALIBRATION, ADVICE, svg(CALIBRATION, ADVICE, ONSETS, PLACES))
    assert "mast: no press was seen" in html
    assert "<script" not in html
    assert not re.search(r"(src|href)=", html)
    assert "\x1b" not in html


def test_files_are_written_by_their_ending_and_refused_in_words(tmp_path: Path) -> None:
    for name, start in (("a.svg", "<svg"), ("a.HTML", "<!doctype html>")):
        check_target(tmp_path / name)
        write(tmp_path / name, CALIBRATION, ADVICE, ONSETS, PLACES)
        assert (tmp_path / name).read_text().startswith(start)
    with pytest.raises(MatbridgeError, match=r"should end in \.svg or \.html"):
        check_target(tmp_path / "a.pdf")
    with pytest.raises(MatbridgeError, match="there is no folder"):
        check_target(tmp_path / "nowhere" / "a.svg")
    (tmp_path / "b.svg").mkdir()
    with pytest.raises(MatbridgeError, match="cannot be written"):
        write(tmp_path / "b.svg", CALIBRATION, ADVICE, ONSETS, PLACES)


def test_one_zone_is_enough_for_a_drawing() -> None:
    one = Calibration("buoy", SENSOR, "2025-06-01", ZONES[:1])
    ET.fromstring(svg(one, advise(one), (30.0,), PLACES[:1]))  # noqa: S314
