"""What a board says of itself."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matbridge.board.hello import Hello, from_body, from_line, to_body, to_line

WORD = st.text(st.characters(min_codepoint=33, max_codepoint=126), max_size=20)
NAME = st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=40).map(str.strip)
HELLOS = st.builds(
    Hello,
    st.integers(1, 1024),
    st.integers(1, 16),
    st.integers(0, 65535),
    st.just("packed"),
    WORD,
    NAME,
)


@given(HELLOS)
def test_it_is_read_as_it_was_said(hello: Hello) -> None:
    assert from_body(to_body(hello)) == hello
    text = hello._replace(format="text")
    assert from_line(to_line(text).decode()) == text


@pytest.mark.parametrize(
    "line",
    [
        "# board:",
        "# channels=24 bits=10 rate=1000 format=text program=1 name=x",
        "# board: channels=24 bits=10 rate=1000 format=morse program=1 name=x",
        "# board: channels=0 bits=10 rate=1000 format=text program=1 name=x",
        "# board: channels=1025 bits=10 rate=1000 format=text program=1 name=x",
        "# board: channels=24 bits=17 rate=1000 format=text program=1 name=x",
        "# board: channels=٣ bits=10 rate=1000 format=text program=1 name=x",
    ],
)
def test_another_comment_is_no_announcement(line: str) -> None:
    assert from_line(line) is None


@given(st.binary(max_size=100))
def test_any_body_is_an_announcement_or_none(body: bytes) -> None:
    hello = from_body(body)
    assert hello is None or 1 <= hello.channels <= 1024
