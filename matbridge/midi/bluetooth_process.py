"""The process that plays to a phone over Bluetooth LE, through the system's Bluetooth service.

    looking for an adapter ──▶ advertised ──somebody listens──▶ up ──▶ silent ──▶ up ...

BlueZ keeps the adapter, shared with everything else (bluez.py); we give it a service with one
characteristic and an advertisement (bluetooth_peripheral.py). What the process and the bridge say
to each other is port_process.py's.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import sys
import time
from collections.abc import Awaitable, Callable
from importlib.util import find_spec
from typing import Any

from matbridge.midi.bluetooth_peripheral import ADVERTISEMENT_PATH, AGENT_PATH, ROOT, Peripheral
from matbridge.midi.bluez import Bluez, NotThere
from matbridge.midi.port_process import BEAT_S, LOOK_S, QUIT, Bridge, Word

# How long the radio is given for what was sent last.
LINGER_S = 0.5


class Frames:
    """What comes from the bridge: whole messages, until QUIT or until the bridge has gone."""

    def __init__(self, play: Callable[[list[bytes]], None]) -> None:
        self._play = play
        self._buffer = bytearray()
        self.ended = asyncio.Event()
        self.asked = False

    def on_readable(self) -> None:
        data = os.read(0, 4096)
        if not data:
            self.ended.set()
            return
        self._buffer += data
        messages = []
        while self._buffer and len(self._buffer) > self._buffer[0]:
            end = 1 + self._buffer[0]
            message = bytes(self._buffer[1:end])
            del self._buffer[:end]
            if message == QUIT:
                self.asked = True
                self.ended.set()
                break
            messages.append(message)
        if messages:
            self._play(messages)


async def _serve(bridge: Bridge, name: str, wanted: str) -> None:
    if find_spec("dbus_fast") is None:
        bridge.say(
            Word.REFUSED,
            "Bluetooth needs the package dbus-fast: in the clone of matbridge,"
            " .venv/bin/pip install '.[bluetooth]'",
        )
        return
    peripheral = Peripheral(bridge, name)
    frames = Frames(peripheral.play)
    asyncio.get_running_loop().add_reader(0, frames.on_readable)
    bluez = await _offered(bridge, frames, peripheral, wanted)
    if bluez is None:
        return
    peripheral.wait_for_somebody()
    beating = asyncio.create_task(_beat(bridge))
    await _either(frames.ended.wait(), bluez.gone.wait())
    beating.cancel()
    if not frames.ended.is_set():
        bridge.say(Word.LOST, bluez.why)
        return
    end_s = time.monotonic() + LINGER_S
    while frames.asked and not peripheral.idle and time.monotonic() < end_s:
        await asyncio.sleep(0.005)


async def _offered(
    bridge: Bridge, frames: Frames, peripheral: Peripheral, wanted: str
) -> Bluez | None:
    """BlueZ once it offers the peripheral; None when the bridge is done with it first."""
    while not frames.ended.is_set():
        bluez = None
        try:
            bluez = await Bluez.reach()
            await bluez.offer(
                wanted,
                ROOT,
                ADVERTISEMENT_PATH,
                AGENT_PATH,
                peripheral.answer,
                peripheral.on_change,
            )
        except NotThere as error:
            if bluez is not None:
                bluez.leave()
            bridge.say(Word.WAITING, f"no Bluetooth: {error}")
            await _either(frames.ended.wait(), asyncio.sleep(LOOK_S))
        else:
            return bluez
    return None


async def _beat(bridge: Bridge) -> None:
    while True:
        bridge.say(Word.ALIVE)
        await asyncio.sleep(BEAT_S)


async def _either(*waits: Awaitable[Any]) -> None:
    """Until the first of them is done; the rest are given up."""
    tasks = [asyncio.ensure_future(wait) for wait in waits]
    await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)


def main() -> None:
    """Arguments: the name to be found by, and the adapter or nothing."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    name, wanted = sys.argv[1:]
    # When the bridge has gone there is nobody left to tell.
    with contextlib.suppress(BrokenPipeError):
        asyncio.run(_serve(Bridge(), name, wanted))
    os._exit(0)


if __name__ == "__main__":
    main()
