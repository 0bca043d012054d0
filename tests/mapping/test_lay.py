"""How a scale lies on the mat."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from matbridge.mapping import lay
from matbridge.mapping.plan import ZonePlace
from tests.support.mapping import layout, problem

# Five, four and five stones, the middle row half a place over, the far row named first.
STONES = """\
mat: ford
board: {port: simulated}
sensor: {type: switch}
zones:
  - {name: c1, at: [0, 80]}
  - {name: c2, at: [45, 81]}
  - {name: a1, at: [0, 0]}
  - {name: a2, at: [45, 2]}
  - {name: b1, at: [22, 40]}
groups: {far: [c*], right: [a2, c2]}
"""
CHROMATIC = "scale: {root: C4, type: chromatic}"


def lies(how: str, scale: str = CHROMATIC) -> dict[str, int]:
    return {name: note - 60 for name, note in layout(f"{scale}, layout: {how}", STONES).items()}


def test_in_the_order_of_the_list_unless_told_otherwise() -> None:
    order = {"c1": 0, "c2": 1, "a1": 2, "a2": 3, "b1": 4}
    assert lies("order") == order
    assert {name: note - 60 for name, note in layout(CHROMATIC, STONES).items()} == order


def test_by_rows_the_nearest_first() -> None:
    assert lies("rows") == {"a1": 0, "a2": 1, "b1": 2, "c1": 3, "c2": 4}


def test_snake_turns_at_every_second_row() -> None:
    assert lies("snake") == {"a1": 0, "a2": 1, "b1": 2, "c1": 3, "c2": 4}
    assert lies("{by: snake, zones: [far, a*]}") == {"a1": 0, "a2": 1, "c2": 2, "c1": 3}


def test_by_distance_from_a_point() -> None:
    found = lies("{by: distance, from: [45, 81]}")
    assert sorted(found, key=found.__getitem__) == ["c2", "c1", "b1", "a2", "a1"]


def test_by_angle_clockwise_from_straight_ahead() -> None:
    found = lies("{by: angle, from: [22, 30]}")
    assert sorted(found, key=found.__getitem__) == ["b1", "c2", "a2", "a1", "c1"]


def test_the_same_step_is_the_same_interval_everywhere() -> None:
    # Two semitones across and six along: a fifth up to the right, a fourth up to the left.
    found = lies("{by: steps, across: 2, along: 6}")
    assert found == {"a1": 0, "a2": 2, "b1": 7, "c1": 12, "c2": 14}
    assert found["b1"] - found["a1"] == 7
    assert found["c1"] - found["b1"] == 5


def test_half_a_place_of_an_odd_interval_is_rounded_down() -> None:
    assert lies("{by: steps, across: 3, along: 0}") == {"a1": 0, "a2": 3, "b1": 1, "c1": 0, "c2": 3}


def test_steps_may_go_down() -> None:
    assert lies("{by: steps, across: -1, along: 3}")["a2"] == -1


def test_by_a_list_of_zones_patterns_and_groups() -> None:
    assert lies("[a2, far]") == {"a2": 0, "c1": 1, "c2": 2}
    assert lies("[b1, '*']") == {"b1": 0, "c1": 1, "c2": 2, "a1": 3, "a2": 4}
    assert lies("[right]") == {"a2": 0, "c2": 1}


def test_a_zone_with_something_of_its_own_keeps_its_place() -> None:
    rest = f"{CHROMATIC}, layout: rows, zones: {{a2: {{action: panic}}}}"
    assert layout(rest, STONES) == {"a1": 60, "b1": 62, "c1": 63, "c2": 64}


def test_wrong_layouts() -> None:
    assert "the mat has no zone 'd1'" in problem("presets: {p: {layout: [d1]}}", STONES)
    assert "'from' is missing" in problem("presets: {p: {layout: {by: distance}}}")
    assert "allowed: order, rows, snake" in problem("presets: {p: {layout: diagonal}}")


PLACES = st.lists(
    st.tuples(st.integers(-200, 200), st.integers(-200, 200)), min_size=1, max_size=12, unique=True
).map(lambda places: [ZonePlace(f"z{n}", x, y) for n, (x, y) in enumerate(places)])
POINT = st.tuples(st.integers(-100, 100), st.integers(-100, 100))


@given(PLACES, POINT)
def test_every_zone_has_one_place_of_its_own(
    places: list[ZonePlace], point: tuple[int, int]
) -> None:
    every = range(len(places))
    laid = [way(places, every) for way in lay.PLAIN.values()]
    laid += [lay.by_distance(places, every, point), lay.by_angle(places, every, point)]
    for found in laid:
        assert sorted(found) == list(every)
        assert sorted(found.values()) == list(every)
    assert sorted(zone for row in lay.rows(places, every) for zone in row) == list(every)


@given(PLACES)
def test_rows_go_away_from_the_player_and_from_left_to_right(places: list[ZonePlace]) -> None:
    rows = lay.rows(places, range(len(places)))
    for row in rows:
        assert [places[zone].x_cm for zone in row] == sorted(places[zone].x_cm for zone in row)
    nearest = [min(places[zone].y_cm for zone in row) for row in rows]
    assert nearest == sorted(nearest)
