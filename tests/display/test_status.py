"""The status of a running bridge, in words."""

from __future__ import annotations

import pytest

from matbridge.display.status import heard


@pytest.mark.parametrize(
    ("rate", "words"),
    [(998, "998 scans/s, 3 lost, 1 damaged"), (0, "0 scans/s, 3 lost, 1 damaged"),
     (None, "3 lost, 1 damaged")],
)  # fmt: skip
def test_a_rate_that_nobody_has_counted_yet_is_not_said_to_be_nothing(
    rate: int | None, words: str
) -> None:
    assert heard({"scans_per_s": rate, "lost": 3, "damaged": 1}) == words
