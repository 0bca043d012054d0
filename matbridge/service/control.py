"""The control socket's server: many clients, whatever they do, at a small and bounded cost.

    new ─▶ listening ──readable──▶ queued ──its turn──▶ listening   its line is not whole yet
                                                  ├───▶ waiting     the answer takes time
                                                  ├───▶ sending     it is slow to read the answer
                                                  └───▶ watching    it gets lines without end

Only a listening client's socket is watched for input. Accepting a client and reading from one are
steps of one queue. A turn of the loop has one step at most, after the boards; BURST of them may
follow each other, then they come STEP_S apart: however many clients babble, the loop's other work
sees at most 1 / STEP_S short steps a second. Who is next is by turns who had the fewest steps yet,
so that a command gets through among babblers, and who has waited longest, so that all do.

A client is dropped when it breaks a limit below, and the one that was idle longest makes room for
a new one; so nobody can keep a performer's command out.
"""

from __future__ import annotations

import contextlib
import os
import socket
import stat
import struct
from collections import deque
from collections.abc import Callable, Mapping

from matbridge.errors import ControlError
from matbridge.loop import Loop, Timer
from matbridge.service.protocol import (
    MAX_LINE_BYTES,
    SOCKET_SUFFIX,
    read_request,
    refusal,
    reply,
)

# A step takes some 0.1 ms: half a hundredth of the loop's time, and one note in two hundred finds
# one under way.
STEP_S = 0.02

# Two commands at once, and a shell that completes one: each is an accept, a request and a farewell.
BURST = 8

# More than anybody has terminals; each costs the loop's select about 40 ns.
MAX_CLIENTS = 32

# A client that has not ended its line, or not read its answer, is gone or broken by then.
PATIENCE_S = 10.0

# A watcher whose terminal has not taken a frame for so long is dropped.
WATCHER_PATIENCE_S = 2.0

# What the system keeps for a client that does not read: some seconds of frames, no more, so that
# what a watcher sees is never old.
SEND_BYTES = 16_384

ROOT = 0

# For its owner alone; see `_is_ours`.
SOCKET_MODE = 0o600


class Exchange:
    """One request that is to be answered, now or later, by one call of `grant` or `refuse`."""

    __slots__ = ("_client", "_server", "ask", "fields")

    def __init__(
        self, server: ControlServer, client: _Client, ask: str, fields: Mapping[str, object]
    ) -> None:
        self._server = server
        self._client = client
        self.ask = ask
        self.fields = fields

    def grant(self, fields: Mapping[str, object]) -> None:
        self._server.answer(self._client, reply(fields))

    def refuse(self, reason: str) -> None:
        self._server.answer(self._client, refusal(reason))

    def watch(self, first: Mapping[str, object]) -> None:
        """Send the client `first`, and from then on what `ControlServer.show` is given."""
        self._server.watch(self._client, reply(first))


class _Client:
    __slots__ = (
        "ended", "heard_s", "incoming", "outgoing", "socket", "steps", "waiting", "watching",
    )  # fmt: skip

    def __init__(self, connection: socket.socket, now_s: float) -> None:
        self.socket = connection
        self.incoming = b""
        self.outgoing = b""
        self.heard_s = now_s  # when it last sent or took something
        self.steps = 0  # that were spent on it
        self.waiting = False
        self.watching = False
        self.ended = False  # it will send no more


class ControlServer:
    """handle: called with each sound request. on_watching: called with how many clients watch."""

    def __init__(
        self,
        loop: Loop,
        path: str,
        handle: Callable[[Exchange], None],
        on_watching: Callable[[int], None],
    ) -> None:
        self._loop = loop
        self._path = path
        self._handle = handle
        self._on_watching = on_watching
        self._listener: socket.socket | None = None
        self._clients: dict[int, _Client] = {}
        self._queue: deque[int] = deque()  # descriptors whose turn will come
        self._timer: Timer | None = None
        self._sweep: Timer | None = None
        self._fewest = False  # whether the last step was for who had the fewest
        self._paid_s = 0.0  # the steps so far would fill the time until then

    def open(self) -> None:
        """Listen. The caller holds the lock of this path, so a file there is left from a crash.

        Raises ControlError where the socket cannot be made.
        """
        try:
            with contextlib.suppress(FileNotFoundError):
                if not stat.S_ISSOCK(os.lstat(self._path).st_mode):
                    raise ControlError(f"{self._path} is in the way; it is no socket of ours")
                os.unlink(self._path)  # noqa: PTH108
            listener = _listener(self._path)
        except OSError as error:
            reason = error.strerror or error
            raise ControlError(f"no control socket at {self._path}: {reason}") from error
        self._listener = listener
        self._loop.add_reader(listener.fileno(), self._knocked)

    def close(self) -> None:
        """Hang up on everybody and remove the socket. Twice is harmless."""
        if self._listener is None:
            return
        for client in list(self._clients.values()):
            self._drop(client)
        for timer in (self._timer, self._sweep):
            if timer is not None:
                timer.cancel()
        self._loop.remove_reader(self._listener.fileno())
        self._listener.close()
        self._listener = None
        with contextlib.suppress(OSError):
            os.unlink(self._path)  # noqa: PTH108

    @property
    def clients(self) -> int:
        return len(self._clients)

    # Steps

    def _knocked(self) -> None:
        if self._listener is not None:
            self._loop.remove_reader(self._listener.fileno())
            self._enqueue(self._listener.fileno())

    def _enqueue(self, fd: int) -> None:
        self._queue.append(fd)
        self._arm()

    def _arm(self) -> None:
        if self._queue and self._timer is None:
            self._timer = self._loop.call_at(self._paid_s - (BURST - 1) * STEP_S, self._step)

    def _next(self) -> int:
        """Whose turn it is, taken out of the queue."""
        self._fewest = not self._fewest
        if not self._fewest:
            return self._queue.popleft()
        fd = min(self._queue, key=self._steps)
        self._queue.remove(fd)
        return fd

    def _steps(self, fd: int) -> int:
        client = self._clients.get(fd)
        return 0 if client is None else client.steps

    def _step(self) -> None:
        self._timer = None
        now_s = self._loop.now_s()
        self._paid_s = max(self._paid_s, now_s) + STEP_S
        fd = self._next()
        self._arm()
        if self._listener is not None and fd == self._listener.fileno():
            self._accept(self._listener, now_s)
            self._loop.add_reader(fd, self._knocked)
        elif client := self._clients.get(fd):
            client.steps += 1
            self._read(client, now_s)

    def _accept(self, listener: socket.socket, now_s: float) -> None:
        try:
            connection, _ = listener.accept()
        except OSError:
            return  # it has gone again, or we are out of descriptors: it may try again
        if not _is_ours(connection):
            connection.close()
            return
        connection.setblocking(False)
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BYTES)
        if len(self._clients) >= MAX_CLIENTS:
            idle = min(self._clients.values(), key=lambda client: (client.watching, client.heard_s))
            self._drop(idle)
        client = _Client(connection, now_s)
        self._clients[connection.fileno()] = client
        self._listen(client)
        if self._sweep is None:
            self._sweep = self._loop.call_at(now_s + PATIENCE_S, self._sweep_out)

    def _listen(self, client: _Client) -> None:
        """Wait for input, or take up what is here already."""
        fd = client.socket.fileno()
        if b"\n" in client.incoming:
            self._enqueue(fd)
        elif client.ended:
            self._drop(client)
        else:
            self._loop.add_reader(fd, lambda: self._readable(fd))

    def _readable(self, fd: int) -> None:
        self._loop.remove_reader(fd)
        self._enqueue(fd)

    def _read(self, client: _Client, now_s: float) -> None:
        if b"\n" not in client.incoming:
            try:
                data = client.socket.recv(MAX_LINE_BYTES)
            except BlockingIOError:
                self._listen(client)
                return
            except OSError:
                self._drop(client)
                return
            client.heard_s = now_s
            if not data:
                client.ended = True
                if client.watching or not client.incoming:
                    self._drop(client)
                    return
                data = b"\n"  # the last line may lack its end
            client.incoming += data
        line, end, rest = client.incoming.partition(b"\n")
        if len(line) >= MAX_LINE_BYTES:
            client.ended = True
            client.waiting = True
            client.incoming = b""
            self.answer(client, refusal(f"a line must be shorter than {MAX_LINE_BYTES} bytes"))
        elif not end:
            self._listen(client)
        elif client.watching:
            client.incoming = rest  # there is nothing to say to a watcher but goodbye
            self._listen(client)
        else:
            client.incoming = rest
            self._take(client, line)

    def _take(self, client: _Client, line: bytes) -> None:
        client.waiting = True  # until its answer has gone out: no more is read from it
        try:
            ask, fields = read_request(line)
            self._handle(Exchange(self, client, ask, fields))
        except ControlError as error:
            self.answer(client, refusal(str(error)))
        except Exception as error:
            self.answer(client, refusal(f"a mistake in matbridge: {error!r}"))
            raise

    # Answers

    def answer(self, client: _Client, line: bytes) -> None:
        """For Exchange only."""
        if self._clients.get(client.socket.fileno()) is client:
            client.outgoing += line
            self._flush(client)

    def watch(self, client: _Client, line: bytes) -> None:
        """For Exchange only."""
        if self._clients.get(client.socket.fileno()) is client:
            client.watching = True
            self.answer(client, line)
            self._on_watching(self._watchers())

    def show(self, line: bytes) -> None:
        """Send a line to every watcher that has taken the one before."""
        now_s = self._loop.now_s()
        for client in [client for client in self._clients.values() if client.watching]:
            if not client.outgoing:
                client.heard_s = now_s
                client.outgoing = line
                self._flush(client)
            elif now_s - client.heard_s > WATCHER_PATIENCE_S:
                self._drop(client)

    def _flush(self, client: _Client) -> None:
        fd = client.socket.fileno()
        try:
            sent = client.socket.send(client.outgoing)
        except BlockingIOError:
            sent = 0
        except OSError:
            self._drop(client)
            return
        client.outgoing = client.outgoing[sent:]
        if client.outgoing:
            self._loop.add_writer(fd, lambda: self._flush(client))
            return
        self._loop.remove_writer(fd)
        client.heard_s = self._loop.now_s()
        if client.waiting:
            client.waiting = False
            self._listen(client)

    # Ends

    def _sweep_out(self) -> None:
        self._sweep = None
        now_s = self._loop.now_s()
        for client in list(self._clients.values()):
            patient = client.watching or (client.waiting and not client.outgoing)
            if not patient and now_s - client.heard_s > PATIENCE_S:
                self._drop(client)
        if self._clients:
            self._sweep = self._loop.call_at(now_s + PATIENCE_S, self._sweep_out)

    def _drop(self, client: _Client) -> None:
        fd = client.socket.fileno()
        if self._clients.get(fd) is not client:
            return
        del self._clients[fd]
        self._loop.remove_reader(fd)
        self._loop.remove_writer(fd)
        client.socket.close()
        if client.watching:
            self._on_watching(self._watchers())

    def _watchers(self) -> int:
        return sum(client.watching for client in self._clients.values())


def _listener(path: str) -> socket.socket:
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    listener.setblocking(False)
    try:
        # Linux gives the file the mode of the socket, from the first moment on; elsewhere it is
        # changed at once, in a folder that is ours alone. Not by the umask, which is the whole
        # process's: what another thread made in that moment was closed to all, too.
        with contextlib.suppress(OSError):
            os.fchmod(listener.fileno(), SOCKET_MODE)
        listener.bind(path)
        os.chmod(path, SOCKET_MODE)  # noqa: PTH101
        listener.listen(MAX_CLIENTS)
    except OSError:
        listener.close()
        raise
    return listener


def socket_path(folder: str, name: str) -> str:
    """Where the bridge called `name` listens."""
    return f"{folder}/{name}{SOCKET_SUFFIX}"


def _is_ours(connection: socket.socket) -> bool:
    """Whether the other end is this user or root, where the system can tell (Linux)."""
    if not hasattr(socket, "SO_PEERCRED"):
        return True  # the mode of the socket's file stands guard alone
    size = struct.calcsize("3i")
    _, uid, _ = struct.unpack(
        "3i", connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, size)
    )
    return uid in (ROOT, os.geteuid())
