"""Text as large as fits."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from matbridge.display.lettering import LEADING, LETTER, block, cut, fitted, safe, wrapped

WORDS = st.lists(st.text("abcdef#", min_size=1, max_size=9), min_size=1, max_size=8).map(" ".join)


@given(WORDS, st.floats(5, 80), st.floats(3, 40))
def test_a_text_keeps_all_its_words_and_fits_or_is_as_small_as_may_be(
    text: str, width: float, height: float
) -> None:
    size, lines = fitted(text, width, height, 13.0, 2.0)
    assert " ".join(lines).split() == text.split()
    assert 2.0 <= size <= 13.0
    if size > 2.0:
        assert max(map(len, lines)) * size * LETTER <= width + 1e-9
        assert len(lines) * size * LEADING <= height + 1e-9


def test_a_short_text_is_as_large_as_allowed() -> None:
    assert fitted("D3", 100, 100, 13.0, 2.0) == (13.0, ["D3"])


@given(WORDS, st.integers(1, 40))
def test_lines_break_at_spaces_only(text: str, letters: int) -> None:
    lines = wrapped(text, letters)
    assert " ".join(lines) == text
    assert all(len(line) <= letters or " " not in line for line in lines)


def test_lines_that_are_cut_say_so() -> None:
    assert cut(["a", "b,", "c"], 2) == ["a", "b ..."]
    assert cut(["a", "b"], 2) == ["a", "b"]
    assert cut(["a", "b"], 0) == ["a ..."]


def test_a_block_is_centred() -> None:
    first, second = block(0, 50, ["a", "b"], 10)
    assert 'y="47.90"' in first
    assert 'y="59.10"' in second


def test_text_is_safe() -> None:
    assert safe("<a&\x1b") == "&lt;a&amp;\\x1b"
