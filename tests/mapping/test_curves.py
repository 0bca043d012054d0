"""Curves: their ends, their order, their shapes."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matbridge.mapping.curves import SHAPES, exponential, logarithmic, table
from matbridge.mapping.plan import LEVELS
from matbridge.mapping.schema_sound import CURVE
from tests.support.mapping import note_part, problem, zone

BENDS = st.floats(0.01, 20)
POINTS = st.lists(
    st.tuples(st.integers(1, 99), st.integers(0, 100)), max_size=6, unique_by=lambda point: point[0]
).map(
    lambda inner: (
        (0.0, 0.0),
        *zip(
            sorted(x / 100 for x, _ in inner),
            sorted(y / 100 for _, y in inner),
            strict=True,
        ),
        (1.0, 1.0),
    )
)
# Every row of the table of shapes, so that a new one is judged, too.
CURVES: st.SearchStrategy[tuple[str, Any]] = st.one_of(
    st.just(("linear", None)),
    *(st.tuples(st.just(kind), POINTS if kind == "points" else BENDS) for kind in SHAPES),
)
ENDS = st.tuples(st.integers(0, 16383), st.integers(0, 16383))


@given(CURVES, ENDS)
def test_a_curve_keeps_its_ends_and_goes_one_way(
    curve: tuple[str, Any], ends: tuple[int, int]
) -> None:
    low, high = ends
    made = table(*curve, low, high)
    assert len(made) == LEVELS
    assert (made[0], made[-1]) == (low, high)
    ordered = sorted(made, reverse=high < low)
    assert list(made) == ordered


def middle(kind: str, detail: Any = None) -> float:
    return table(kind, detail, 0, 16383)[LEVELS // 2] / 16383


def test_shapes_bend_the_way_they_are_named() -> None:
    assert middle("linear") == pytest.approx(0.5, abs=0.001)
    assert middle("power", 0.5) == pytest.approx(0.7071, abs=0.001)
    assert middle("power", 2.0) == pytest.approx(0.25, abs=0.001)
    assert middle("exponential", 3.0) < 0.25
    assert middle("logarithmic", 3.0) > 0.75
    assert middle("s-shaped", 6.0) == pytest.approx(0.5, abs=0.01)
    assert table("s-shaped", 6.0, 0, 127)[LEVELS // 4] < 127 / 5
    assert middle("points", ((0.0, 0.0), (0.5, 0.9), (1.0, 1.0))) == pytest.approx(0.9, abs=0.001)


@given(BENDS, st.floats(0, 1))
def test_logarithmic_undoes_exponential(bend: float, value: float) -> None:
    assert logarithmic(bend)(exponential(bend)(value)) == pytest.approx(value, abs=1e-6)


def test_every_shape_can_be_written() -> None:
    forms = CURVE.shown["anyOf"] if CURVE.shown else []
    written = {key for form in forms for key in form.get("properties", {})}
    assert written == {*SHAPES, "fixed"}


def test_tables_are_shared() -> None:
    assert table("power", 0.7, 20, 120) is table("power", 0.7, 20, 120)


@pytest.mark.parametrize(
    ("written", "values"),
    [
        ("linear", (1, 64, 127)),
        ("{power: 2}", (1, 33, 127)),
        ("{fixed: 88}", (88, 88, 88)),
        ("{points: [[0, 0], [0.5, 1], [1, 1]]}", (1, 127, 127)),
        ("exponential", (1, 24, 127)),
        ("{exponential: 3}", (1, 24, 127)),
        ("logarithmic", (1, 100, 127)),
        ("s-shaped", (1, 64, 127)),
    ],
)
def test_curves_as_they_are_written(written: str, values: tuple[int, int, int]) -> None:
    made = zone(f"{{note: D3, velocity: {{from: peak, curve: {written}}}}}").velocity.table
    assert (made[0], made[LEVELS // 2], made[-1]) == values


def test_a_velocity_is_never_a_note_off() -> None:
    for range_ in ("[1, 1]", "[1, 127]", "[127, 127]"):
        made = zone(f"{{note: D3, velocity: {{range: {range_}}}}}").velocity.table
        assert min(made) >= 1
        assert max(made) <= 127
    assert "range 0 is not within 1-127" in problem("presets: {p: {velocity: {range: [0, 127]}}}")


def test_a_pressure_may_fall() -> None:
    (plan,) = note_part("{note: D3, pressure: {send: channel pressure, range: [127, 0]}}").pressure
    assert (plan.table[0], plan.table[-1]) == (127, 0)


@pytest.mark.parametrize(
    ("points", "advice"),
    [
        (
            "[[0, 0], [1, 0.5]]",
            "points begin at [0, 0] and end at [1, 1]; the range moves the ends",
        ),
        ("[[0, 0], [0.5, 0.9], [0.6, 0.2], [1, 1]]", "never down; [0.6, 0.2] does not after"),
        ("[[0, 0], [0.5, 0.1], [0.5, 0.2], [1, 1]]", "points go on from left to right"),
        ("[[0, 0]]", "points are a list of 2 to 64 pairs"),
        ("[[0, 0], 3, [1, 1]]", "3 is not a point; write [how hard, how loud], each 0 to 1"),
        ("[[0, 0], [0.5, 7], [1, 1]]", "7 in points is not a number within 0-1"),
        ("[[0, 0], [true, 1], [1, 1]]", "true in points is not a number"),
    ],
)
def test_points_that_make_no_curve(points: str, advice: str) -> None:
    assert advice in problem(f"presets: {{p: {{velocity: {{curve: {{points: {points}}}}}}}}}")
