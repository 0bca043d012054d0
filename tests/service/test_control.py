"""The control socket, spoken to as strangers would: in pieces, in floods, or not at all."""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import socket
import stat
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matbridge.errors import ControlError
from matbridge.service import protocol
from matbridge.service.control import (
    BURST,
    MAX_CLIENTS,
    PATIENCE_S,
    STEP_S,
    ControlServer,
    Exchange,
)
from matbridge.service.loop import ServiceLoop
from tests.support.loop import ManualLoop


def _raise(error: Exception) -> None:
    raise error


class Rig:
    """A server on a loop whose clock a test moves, and clients on real sockets."""

    def __init__(self, folder: Path) -> None:
        self.loop = ManualLoop()
        self.path = str(folder / "mat.socket")
        self.asked: list[tuple[str, dict[str, object]]] = []
        self.later: list[Exchange] = []
        self.watchers: list[int] = []
        self.server = ControlServer(self.loop, self.path, self._handle, self.watchers.append)
        self.server.open()
        self._open: list[socket.socket] = []

    def _handle(self, exchange: Exchange) -> None:
        self.asked.append((exchange.ask, dict(exchange.fields)))
        match exchange.ask:
            case "reload":
                self.later.append(exchange)
            case "watch":
                exchange.watch({"scene": {}})
            case "status":
                exchange.grant({"text": "x" * 1_000_000})
            case "stop":
                raise ControlError("not now")
            case "mute":
                raise RuntimeError("a mistake")
            case _:
                exchange.grant({"seen": len(self.asked)})

    def client(self) -> socket.socket:
        client = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        client.settimeout(5)
        client.connect(self.path)
        self._open.append(client)
        return client

    def run(self, steps: int = 20) -> None:
        for _ in range(steps):
            self.loop.advance(STEP_S)
            self.loop.poll()

    def say(self, client: socket.socket, line: bytes, steps: int = 20) -> None:
        client.sendall(line)
        self.run(steps)

    def close(self) -> None:
        self.server.close()
        self.server.close()
        for client in self._open:
            client.close()


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    made = Rig(tmp_path)
    yield made
    made.close()
    assert not Path(made.path).exists()
    assert not made.loop.readers
    assert not made.loop.writers
    assert made.loop.pending == 0


def replies(client: socket.socket) -> list[dict[str, object]]:
    """What has arrived by now."""
    client.setblocking(False)
    data = b""
    with contextlib.suppress(BlockingIOError):
        while more := client.recv(1 << 20):
            data += more
    return [json.loads(line) for line in data.splitlines()]


def received(client: socket.socket) -> int:
    """How many bytes have arrived since."""
    client.setblocking(False)
    count = 0
    with contextlib.suppress(BlockingIOError):
        while more := client.recv(1 << 20):
            count += len(more)
    return count


def hung_up(client: socket.socket) -> bool:
    client.setblocking(False)
    try:
        while client.recv(1 << 20):
            pass
    except BlockingIOError:
        return False
    except ConnectionError:
        return True
    return True


def test_a_request_is_answered(rig: Rig) -> None:
    client = rig.client()
    rig.say(client, protocol.request("panic", {}))
    assert rig.asked == [("panic", {})]
    assert replies(client) == [{"matbridge": 1, "ok": True, "seen": 1}]


def test_only_the_owner_may_speak_from_the_first_moment_on(rig: Rig) -> None:
    assert stat.S_IMODE(os.lstat(rig.path).st_mode) == 0o600


def test_nothing_else_of_the_process_gets_the_socket_s_mode(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What another thread makes in that moment, as the folder of owed notes, is not shut to all."""
    modes: list[int] = []

    class Socket(socket.socket):
        def bind(self, address: Any, /) -> None:
            super().bind(address)
            beside = tmp_path / "made meanwhile"
            beside.mkdir()
            modes.extend(stat.S_IMODE(os.lstat(path).st_mode) for path in (address, beside))

    monkeypatch.setattr(socket, "socket", Socket)
    mask = os.umask(0o022)
    try:
        rig = Rig(tmp_path)
        rig.server.close()
    finally:
        os.umask(mask)
    socket_mode, folder_mode = modes
    assert folder_mode == 0o755
    assert socket_mode == 0o600 or sys.platform != "linux"


ASKING = """
import socket, sys
client = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
client.settimeout(5)
try:
    client.connect(sys.argv[1])
    print("connected", flush=True)
    client.sendall(sys.argv[2].encode())
    print("heard", client.recv(1000).decode())
except OSError as error:
    print(type(error).__name__)
"""


def ask_as_nobody(rig: Rig) -> str:
    """What a process of another user gets for a request. To become another takes root."""
    words = protocol.request("panic", {}).decode()
    with subprocess.Popen(
        ["/usr/bin/python3", "-I", "-c", ASKING, rig.path, words],
        stdout=subprocess.PIPE, text=True, user="nobody", group="nogroup", extra_groups=[], cwd="/",
    ) as process:  # fmt: skip
        while process.poll() is None:
            rig.run(1)
            time.sleep(0.005)
        return process.communicate()[0]


def test_another_users_process_is_kept_out_by_the_file_and_turned_away_behind_it() -> None:
    with tempfile.TemporaryDirectory(dir="/tmp") as open_to_all:
        Path(open_to_all).chmod(0o755)
        rig = Rig(Path(open_to_all))
        try:
            assert ask_as_nobody(rig) == "PermissionError\n"
            Path(rig.path).chmod(0o666)
            said = ask_as_nobody(rig).splitlines()
            assert said[0] == "connected"
            assert said[1] in ("heard ", "BrokenPipeError", "ConnectionResetError")
            assert rig.asked == []
            assert rig.server.clients == 0
        finally:
            rig.close()


def test_requests_come_byte_by_byte_and_many_at_once(rig: Rig) -> None:
    client = rig.client()
    line = protocol.request("preset", {"name": "low tide"})
    for at in range(len(line)):
        rig.say(client, line[at : at + 1], 3)
    rig.say(client, line * 3, 40)
    assert rig.asked == [("preset", {"name": "low tide"})] * 4
    assert [reply["seen"] for reply in replies(client)] == [1, 2, 3, 4]


def test_a_last_line_may_lack_its_end(rig: Rig) -> None:
    client = rig.client()
    client.sendall(protocol.request("panic", {}).rstrip(b"\n"))
    client.shutdown(socket.SHUT_WR)
    rig.run()
    assert replies(client) == [{"matbridge": 1, "ok": True, "seen": 1}]
    assert hung_up(client)
    assert rig.server.clients == 0


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"\n", "one JSON object"),
        (b"[]\n", "one JSON object"),
        (b"\xff\xfe\n", "one JSON object"),
        (b"[" * 4000 + b"\n", "one JSON object"),
        (b'{"ask": "panic"}\n', "version 1"),
        (b'{"matbridge": true, "ask": "panic"}\n', "version 1"),
        (b'{"matbridge": 2, "ask": "panic"}\n', "version 1"),
        (b'{"matbridge": 1}\n', "must be one of"),
        (b'{"matbridge": 1, "ask": "__init__"}\n', "must be one of"),
        (b'{"matbridge": 1, "ask": ["panic"]}\n', "must be one of"),
        (b'{"matbridge": 1, "ask": "panic", "now": 1}\n', "no field"),
        (b'{"matbridge": 1, "ask": "transpose", "by": 1.5}\n', "of type int"),
        (b'{"matbridge": 1, "ask": "transpose", "by": true}\n', "of type int"),
        (b'{"matbridge": 1, "ask": "stop"}\n', "not now"),
    ],
)
def test_a_wrong_request_is_refused_with_the_reason_and_the_client_may_go_on(
    rig: Rig, line: bytes, reason: str
) -> None:
    client = rig.client()
    rig.say(client, line + protocol.request("panic", {}))
    refused, granted = replies(client)
    assert refused["ok"] is False
    assert reason in str(refused["error"])
    assert granted["ok"] is True


def test_a_mistake_of_ours_is_answered_and_reported(rig: Rig) -> None:
    client = rig.client()
    client.sendall(protocol.request("mute", {}))
    with pytest.raises(RuntimeError):
        rig.run()
    rig.run()
    (reply,) = replies(client)
    assert reply["ok"] is False


def test_a_line_without_end_is_refused_and_cut_off(rig: Rig) -> None:
    client = rig.client()
    rig.say(client, b"x" * protocol.MAX_LINE_BYTES)
    (reply,) = replies(client)
    assert "shorter than" in str(reply["error"])
    assert hung_up(client)


def test_an_answer_may_take_its_time_and_the_next_request_waits_for_it(rig: Rig) -> None:
    client = rig.client()
    rig.say(client, protocol.request("reload", {}) + protocol.request("panic", {}))
    assert replies(client) == []
    rig.loop.advance(PATIENCE_S * 3)
    rig.later.pop().grant({"performance": "harbour lights"})
    rig.run()
    assert [reply.get("performance") for reply in replies(client)] == ["harbour lights", None]


def test_an_answer_to_a_client_that_has_gone_is_dropped(rig: Rig) -> None:
    client = rig.client()
    rig.say(client, protocol.request("reload", {}))
    client.close()
    rig.run()
    rig.later.pop().grant({})
    rig.run()
    assert rig.server.clients == 0


def test_a_large_answer_goes_out_as_fast_as_it_is_read(rig: Rig) -> None:
    client = rig.client()
    rig.say(client, protocol.request("status", {}) + protocol.request("panic", {}))
    assert [ask for ask, _ in rig.asked] == ["status"]  # until then no more is taken from it
    client.setblocking(False)
    data = b""
    for _ in range(2000):
        rig.run(1)
        with contextlib.suppress(BlockingIOError):
            data += client.recv(1 << 16)
        if data.count(b"\n") == 2:
            break
    assert len(json.loads(data.splitlines()[0])["text"]) == 1_000_000


def test_a_client_that_never_reads_its_answer_is_dropped(rig: Rig) -> None:
    client = rig.client()
    rig.say(client, protocol.request("status", {}))
    rig.loop.advance(PATIENCE_S * 2 + 1)
    assert rig.server.clients == 0
    assert rig.loop.pending == 0


def test_an_idle_client_is_dropped_in_time(rig: Rig) -> None:
    client = rig.client()
    rig.say(client, b'{"matbridge"')
    assert rig.server.clients == 1
    rig.loop.advance(PATIENCE_S * 2 + 1)
    assert rig.server.clients == 0
    assert hung_up(client)


def test_idle_clients_cannot_keep_a_command_out(rig: Rig) -> None:
    idle = [rig.client() for _ in range(MAX_CLIENTS)]
    rig.run(2 * MAX_CLIENTS)
    assert rig.server.clients == MAX_CLIENTS
    client = rig.client()
    rig.say(client, protocol.request("panic", {}))
    assert replies(client)
    assert rig.server.clients == MAX_CLIENTS
    assert sum(map(hung_up, idle)) == 1


def test_a_command_needs_no_patience_where_nobody_babbles(rig: Rig) -> None:
    """An accept, a request and a farewell, twice: no time passes between them."""
    began_s = rig.loop.now_s()
    for _ in range(2):
        client = rig.client()
        client.sendall(protocol.request("panic", {}))
        client.shutdown(socket.SHUT_WR)
        for _ in range(3):
            rig.loop.poll()
            rig.loop.advance(0.0)
        assert len(replies(client)) == 1
    assert rig.loop.now_s() == began_s
    assert rig.server.clients == 0


def test_babblers_get_a_bounded_share_and_a_command_still_gets_through(rig: Rig) -> None:
    babblers = [rig.client() for _ in range(MAX_CLIENTS - 1)]
    for babbler in babblers:
        babbler.setblocking(False)

    def babble() -> None:
        for babbler in babblers:
            received(babbler)
            with contextlib.suppress(OSError):
                babbler.send(protocol.request("panic", {}) * 10)
        rig.run(1)

    for _ in range(4 * MAX_CLIENTS):
        babble()
    began_s, before = rig.loop.now_s(), len(rig.asked)
    for _ in range(200):
        babble()
    steps = (rig.loop.now_s() - began_s) / STEP_S
    assert steps / 2 < len(rig.asked) - before <= steps + 1
    # Everybody else has had steps by now: it is next, as soon as it is accepted.
    client = rig.client()
    client.sendall(protocol.request("preset", {"name": "x"}))
    began_s = rig.loop.now_s()
    while ("preset", {"name": "x"}) not in rig.asked:
        babble()
        assert rig.loop.now_s() - began_s <= 5 * STEP_S


def test_whoever_comes_anew_all_the_time_keeps_nobody_out(rig: Rig) -> None:
    regular = rig.client()
    rig.say(regular, protocol.request("presets", {}) * 9, 20)
    for steps in range(BURST + 20):
        # Before each step there is somebody who has had none.
        rig.client().sendall(protocol.request("panic", {}))
        if steps == BURST + 10:
            regular.sendall(protocol.request("preset", {"name": "x"}))
        rig.run(1)
    assert ("preset", {"name": "x"}) in rig.asked


def test_the_boards_are_served_between_any_two_steps(tmp_path: Path) -> None:
    """On the real loop, with a board that always has something to read."""
    order: list[str] = []
    loop = ServiceLoop(_raise)

    def handle(exchange: Exchange) -> None:
        order.append("step")
        exchange.grant({})
        if order.count("step") == 3 * BURST:
            loop.stop()

    server = ControlServer(loop, str(tmp_path / "mat.socket"), handle, lambda _: None)
    server.open()
    board, full = os.pipe()
    os.write(full, b"x")
    loop.add_reader(board, lambda: order.append("board"))
    with contextlib.ExitStack() as opened:
        for _ in range(BURST):
            client = opened.enter_context(socket.socket(socket.AF_UNIX))
            client.connect(str(tmp_path / "mat.socket"))
            client.sendall(protocol.request("panic", {}) * 10)
        loop.run()
    server.close()
    os.close(board)
    os.close(full)
    assert ("step", "step") not in itertools.pairwise(order)


def test_a_mistake_of_ours_keeps_nobody_waiting(rig: Rig) -> None:
    first, second = rig.client(), rig.client()
    rig.run(4)
    first.sendall(protocol.request("mute", {}))
    second.sendall(protocol.request("panic", {}))
    rig.loop.poll()
    with pytest.raises(RuntimeError):
        rig.run(4)
    rig.run(4)
    assert replies(second)


def test_a_watcher_gets_the_scene_and_then_every_frame_it_can_take(rig: Rig) -> None:
    client = rig.client()
    rig.say(client, protocol.request("watch", {}))
    assert rig.watchers == [1]
    for number in range(3):
        rig.server.show(protocol.reply({"frame": number}))
        rig.run(1)
    assert [reply.get("frame", "scene") for reply in replies(client)] == ["scene", 0, 1, 2]
    rig.loop.advance(PATIENCE_S * 3)
    assert rig.server.clients == 1  # it may be silent for as long as it likes
    client.close()
    rig.run()
    assert rig.watchers == [1, 0]


def test_what_a_watcher_says_is_passed_over(rig: Rig) -> None:
    client = rig.client()
    rig.say(client, protocol.request("watch", {}))
    for _ in range(20):
        rig.say(client, protocol.request("panic", {}) * 3)
    assert rig.asked == [("watch", {})]
    rig.server.show(protocol.reply({"frame": 1}))
    assert [reply.get("frame", "scene") for reply in replies(client)] == ["scene", 1]


def test_a_watcher_that_is_too_slow_misses_frames_and_is_dropped(rig: Rig) -> None:
    client, quick = rig.client(), rig.client()
    rig.say(client, protocol.request("watch", {}))
    rig.say(quick, protocol.request("watch", {}))
    line = protocol.reply({"frame": "x" * 100_000})
    got = 0
    for _ in range(200):
        rig.server.show(line)
        for _ in range(20):
            rig.run(1)
            got += received(quick)
        rig.loop.advance(0.1)
    assert got > 190 * len(line)
    assert rig.watchers[-1] == 1
    assert hung_up(client)


def test_a_socket_left_by_a_crash_is_replaced_and_a_file_in_the_way_is_not(tmp_path: Path) -> None:
    path = tmp_path / "mat.socket"
    with socket.socket(socket.AF_UNIX) as old:
        old.bind(str(path))
    first = Rig(tmp_path)
    client = first.client()
    first.say(client, protocol.request("panic", {}))
    assert replies(client)
    first.close()
    path.write_text("mine")
    with pytest.raises(ControlError, match="in the way"):
        Rig(tmp_path)
    assert path.read_text() == "mine"


def test_a_folder_that_is_not_there_is_an_error_that_says_so(tmp_path: Path) -> None:
    with pytest.raises(ControlError, match="nowhere"):
        Rig(tmp_path / "nowhere")


@given(st.lists(st.binary(max_size=200), max_size=10))
@settings(max_examples=200)
def test_whatever_bytes_come_each_line_gets_one_answer(
    tmp_path_factory: pytest.TempPathFactory, chunks: list[bytes]
) -> None:
    rig = Rig(tmp_path_factory.mktemp("control"))
    try:
        client = rig.client()
        for chunk in chunks:
            with contextlib.suppress(OSError):
                client.sendall(chunk)
            rig.run(2)
        rig.run(3 * b"".join(chunks).count(b"\n") + 5)
        assert len(replies(client)) == b"".join(chunks).count(b"\n")
        assert rig.asked == []
    finally:
        rig.close()


@given(
    st.dictionaries(
        st.sampled_from(["matbridge", "ask", "name", "by", "to", "x"]),
        st.one_of(
            st.sampled_from([1, 2, *protocol.ASKS]),
            st.booleans(),
            st.integers(),
            st.text(),
            st.floats(),
            st.none(),
            st.lists(st.integers()),
        ),
    )
)
def test_any_object_is_a_request_of_the_table_or_refused(said: dict[str, object]) -> None:
    line = json.dumps(said).encode()
    try:
        ask, fields = protocol.read_request(line)
    except ControlError:
        return
    assert {name: type(value) for name, value in fields.items()}.items() <= protocol.ASKS[
        ask
    ].items()


@given(st.binary(max_size=300))
def test_any_bytes_are_a_reply_or_refused(line: bytes) -> None:
    with contextlib.suppress(ControlError):
        protocol.read_reply(line)


def test_a_reply_is_read_as_it_was_written() -> None:
    assert protocol.read_reply(protocol.reply({"preset": "l\u00e5g"})) == {"preset": "l\u00e5g"}
    with pytest.raises(ControlError, match="no such"):
        protocol.read_reply(protocol.refusal("no such preset"))
    with pytest.raises(ControlError, match="version 1"):
        protocol.read_reply(b'{"matbridge": 2, "ok": true}')
