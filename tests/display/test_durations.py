"""Lengths of time as people read them."""

import pytest

from matbridge.display.durations import duration


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.0, "0.0 s"),
        (12.34, "12.3 s"),
        (60.0, "1:00"),
        (245.4, "4:05"),
        (3599.6, "1:00:00"),
        (3723.0, "1:02:03"),
    ],
)
def test_a_length_is_seconds_or_as_a_clock_shows_it(seconds: float, text: str) -> None:
    assert duration(seconds) == text
