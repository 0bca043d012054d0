"""Bars that fit the terminal, whatever its size and however many zones there are."""

import re

from hypothesis import given
from hypothesis import strategies as st

from matbridge.display.bars import MIN_BAR, Bar, draw_bars


def lines_of(bars: list[Bar], width: int, height: int, *, plain: bool = True) -> list[str]:
    return draw_bars(bars, width, height, plain=plain).plain.split("\n")


def mat(count: int, level: float = 0.5) -> list[Bar]:
    return [Bar(f"z{number}", level, number="7777") for number in range(count)]


def test_a_bar_is_as_long_as_its_level() -> None:
    (full, half, none) = (lines_of([Bar("a", level)], 40, 3)[0] for level in (1.0, 0.5, 0.0))
    length = full.count("#")
    assert length > MIN_BAR
    assert abs(half.count("#") + half.count("=") - length / 2) <= 1
    assert none.count("#") == 0


def test_ticks_show_what_was_measured_until_the_bar_covers_them() -> None:
    empty = lines_of([Bar("a", 0.1, ticks=(0.5, 0.8))], 40, 3)[0]
    covered = lines_of([Bar("a", 0.7, ticks=(0.5, 0.8))], 40, 3)[0]
    assert empty.count("|") == 2
    assert covered.count("|") == 1


def test_twenty_four_zones_fit_a_small_terminal_in_columns() -> None:
    lines = lines_of(mat(24), 79, 18)
    assert len(lines) <= 18
    assert all(len(line.rstrip()) <= 79 for line in lines)
    assert [f"z{number}" in " ".join(lines) for number in range(24)] == [True] * 24


def test_what_does_not_fit_is_said_and_the_asked_zone_is_always_there() -> None:
    for asked in (0, 17, 500, 999):
        bars = mat(1000)
        bars[asked] = bars[asked]._replace(asked=True)
        lines = lines_of(bars, 79, 18)
        assert len(lines) <= 18
        assert re.search(rf"\bz{asked}\b", " ".join(lines))
        shown = sum(line.count("7777") for line in lines)
        assert lines[-1].strip() == f"and {1000 - shown} zones more"


def test_without_unicode_there_is_only_ascii() -> None:
    bars = [Bar("a", 0.37, ticks=(0.9,), asked=True)]
    assert draw_bars(bars, 40, 3, plain=True).plain.isascii()
    assert not draw_bars(bars, 40, 3, plain=False).plain.isascii()


@given(
    st.integers(0, 60),
    st.integers(20, 200),
    st.integers(2, 60),
    st.floats(-1.0, 2.0),
    st.booleans(),
)
def test_any_size_is_kept_to(
    count: int, width: int, height: int, level: float, plain: bool
) -> None:
    bars = [Bar(f"a long zone name {n}", level, (level,), "12345") for n in range(count)]
    text = draw_bars(bars, width, height, plain=plain)
    assert len(text.plain.split("\n")) <= height
