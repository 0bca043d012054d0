"""What the service manager hears: sd_notify(3), sd_watchdog_enabled(3)."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from matbridge.service.notify import Notifier


@pytest.mark.parametrize("abstract", [False, True])
def test_words_arrive_at_a_path_and_at_an_abstract_address(tmp_path: Path, abstract: bool) -> None:
    name = f"matbridge-test-{os.getpid()}"
    address = f"\0{name}" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(address)
        manager.settimeout(5)
        notifier = Notifier({"NOTIFY_SOCKET": f"@{name}" if abstract else address})
        notifier.ready("playing\nWATCHDOG=trigger")
        notifier.status("low tide")
        notifier.alive()
        notifier.stopping()
        notifier.close()
        notifier.close()
        notifier.alive()
        assert [manager.recv(1000) for _ in range(4)] == [
            b"READY=1\nSTATUS=playing WATCHDOG=trigger",
            b"STATUS=low tide",
            b"WATCHDOG=1",
            b"STOPPING=1",
        ]


@pytest.mark.parametrize("address", [None, "", "relative", "/nobody/listens/here"])
def test_without_a_manager_nothing_happens(address: str | None) -> None:
    notifier = Notifier({} if address is None else {"NOTIFY_SOCKET": address})
    notifier.ready("playing")
    notifier.alive()
    notifier.close()
    assert notifier.watchdog_s is None


def test_a_manager_that_does_not_read_holds_nobody_up(tmp_path: Path) -> None:
    address = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(address)
        notifier = Notifier({"NOTIFY_SOCKET": address})
        for _ in range(5000):
            notifier.alive()
        notifier.close()


@pytest.mark.parametrize(
    ("environ", "expected"),
    [
        ({"WATCHDOG_USEC": "10000000"}, 10.0),
        ({"WATCHDOG_USEC": "500000", "WATCHDOG_PID": str(os.getpid())}, 0.5),
        ({"WATCHDOG_USEC": "500000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({}, None),
    ],
)
def test_the_watchdog_is_ours_only_if_the_manager_means_us(
    environ: dict[str, str], expected: float | None
) -> None:
    assert Notifier(environ).watchdog_s == expected
