"""The quick JSON and sockets, against the standard library's own."""

from __future__ import annotations

import json
import socket
import sys
from pathlib import Path
from types import ModuleType

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matbridge.service import quick

VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=20,
)


@given(VALUES, st.booleans(), st.text(" \t\n\r"))
def test_what_json_writes_is_read(value: object, ascii_only: bool, space: str) -> None:
    text = space + json.dumps(value, ensure_ascii=ascii_only) + space
    assert quick.from_json(text) == value


@given(st.text() | VALUES.map(json.dumps).flatmap(lambda text: st.just(text[:-1])))
def test_what_json_refuses_is_refused(text: str) -> None:
    try:
        expected = json.loads(text)
    except ValueError:
        with pytest.raises(ValueError):  # noqa: PT011 - json's own says no more
            quick.from_json(text)
    else:
        assert repr(quick.from_json(text)) == repr(expected)


@given(st.dictionaries(st.text(), st.text() | st.integers() | st.booleans()))
def test_what_is_written_is_what_json_writes(fields: dict[str, object]) -> None:
    assert quick.to_json(fields) == json.dumps(fields)


def test_an_interpreter_without_the_c_modules_does_the_same(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    missing: dict[str, ModuleType | None] = {"_json": None, "_socket": None}
    for name, module in missing.items():
        monkeypatch.setitem(sys.modules, name, module)
    assert (
        quick.to_json({"a": "\u00e5", "b": True, "c": -1}) == '{"a": "\\u00e5", "b": true, "c": -1}'
    )
    assert quick.from_json('{"a": [1, null]}') == {"a": [1, None]}
    with pytest.raises(OSError, match="No such file"):
        quick.connect(str(tmp_path / "nowhere"), 1.0)


def test_a_connection_is_what_socket_makes_of_it(tmp_path: Path) -> None:
    path = str(tmp_path / "x.socket")
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(path)
        listener.listen()
        connection = quick.connect(path, 1.0)
        other, _ = listener.accept()
        with other:
            connection.sendall(b"hello")
            assert other.recv(10) == b"hello"
        assert connection.recv(10) == b""
        connection.close()
