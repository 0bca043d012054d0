"""The report itself: its ratios, and that what got worse can be seen."""

from __future__ import annotations

from tests.bench.report import beside_accepted, ratios

FIGURES = {
    "drain": {
        "24 zones": {
            "matbridge": {"scans_per_s": 300.0, "cpu_us_per_scan": 4.0, "missing": 2},
            "plain script": {"scans_per_s": 10.0, "cpu_us_per_scan": 40.0, "missing": 1},
        }
    }
}
RATE = "drain: 24 zones: scans_per_s x plain script"
COST = "drain: 24 zones: cpu_us_per_scan x plain script"


def test_every_measure_of_speed_has_a_ratio() -> None:
    assert ratios(FIGURES) == {RATE: 30.0, COST: 0.1}


def marked(now: dict[str, float], accepted: dict[str, float]) -> list[str]:
    """The ratios that are marked, of those of `now`."""
    lines = [line for line in beside_accepted(now, accepted) if "WORSE" in line]
    return [name for name in now if any(name in line for line in lines)]


def test_only_what_got_worse_by_more_than_a_third_is_marked() -> None:
    accepted = {RATE: 30.0, COST: 0.12, "of a scene that was not played": 1.0}
    assert marked({RATE: 23.0, COST: 0.15, "a new one": 9.0}, accepted) == []
    assert marked({RATE: 22.0, COST: 0.1}, accepted) == [RATE]
    assert marked({RATE: 90.0, COST: 0.17}, accepted) == [COST]


def test_a_ratio_of_nothing_is_compared_like_others() -> None:
    assert marked({RATE: 0.0, COST: 0.0}, {RATE: 0.0, COST: 0.0}) == []
    assert marked({RATE: 0.0, COST: 0.1}, {RATE: 1.0, COST: 0.0}) == [RATE, COST]
