"""The judge itself: what libasound makes of known streams.

Source: MIDI 1.0, running status and real-time messages, as libasound 1.2 reads them.
"""

from __future__ import annotations

import pytest

from tests.support.asound import parse


@pytest.mark.parametrize(
    ("stream", "messages"),
    [
        (
            "90 3C 40 3E 40 F8 3C 00 FE 40 00 B0 07 64 27 05",
            "903C40 903E40 F8 903C00 FE 904000 B00764 B02705",
        ),
        ("90 3C F8 40 3E FE 40", "F8 903C40 FE 903E40"),
        ("90 3C 40 F0 7E 01 F7 3E 40 90 40 01", "903C40 F07E01F7 904001"),
        ("90 3C 40 F6 3E 40 80 3E 40", "903C40 F6 803E40"),
        ("C0 05 D0 40 E0 00 40", "C005 D040 E00040"),
    ],
)
def test_known_streams(stream: str, messages: str) -> None:
    assert [found.hex().upper() for found in parse(bytes.fromhex(stream))] == messages.split()
