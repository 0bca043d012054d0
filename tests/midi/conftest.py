"""A turning loop, and one JACK server for all tests that leave it alone."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator

import pytest

from matbridge.service.loop import ServiceLoop
from tests.support.jack import JackServer

# What anything here may take on a busy machine.
PATIENCE_S = 10.0


class Turning:
    """The real loop, turned until something has come about."""

    def __init__(self) -> None:
        self._errors: list[Exception] = []
        self.loop = ServiceLoop(self._errors.append)

    def until(self, met: Callable[[], object], what: str, patience_s: float = PATIENCE_S) -> None:
        """Turn until `met`; fail with `what` after `patience_s`, or on an error in a callback."""
        end_s = self.loop.now_s() + patience_s
        while not met():
            if self.loop.now_s() > end_s:
                pytest.fail(f"waited {patience_s} s in vain for {what}")
            self.turn(0.005)

    def turn(self, seconds: float) -> None:
        """Turn for a while."""
        self.loop.call_at(self.loop.now_s() + seconds, self.loop.stop)
        self.loop.run()
        if self._errors:
            raise self._errors[0]


@pytest.fixture
def turning() -> Turning:
    return Turning()


@pytest.fixture(scope="session")
def jack_server() -> Iterator[JackServer]:
    with JackServer() as server:
        yield server


@pytest.fixture
def jack(jack_server: JackServer, monkeypatch: pytest.MonkeyPatch) -> JackServer:
    """A running server, which programs that are started now find."""
    use(jack_server, monkeypatch)
    return jack_server


def use(server: JackServer, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let programs that are started now find this server."""
    for name, value in server.env.items():
        monkeypatch.setenv(name, value)
    assert os.environ["JACK_DEFAULT_SERVER"] == server.name
