"""Damaged and hostile input, a million times: what strangers send must never be more than refused.

    python -m tests.bench.fuzz [--inputs 1000000] [--seed 1]

Inputs are sound ones, bent: bytes flipped, cut, doubled, moved, replaced by their neighbours' or by
what breaks parsers. Of a decoder no exception may come and no scan from damaged packed bytes; of a
reader of files only the documented error; memory must stay.
"""

from __future__ import annotations

import argparse
import gc
import json
import random
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

from matbridge.board.hello import Hello
from matbridge.board.packed import PackedDecoder, encode_hello, encode_scan
from matbridge.board.text import TextDecoder
from matbridge.errors import CalibrationError, ControlError, DocumentError
from matbridge.mapping.load import show_from
from matbridge.sensing.calibration_file import from_bytes
from matbridge.service import protocol
from matbridge.service.owed import read as read_left
from tests.bench.soak import rss_kib

CONFIGS = Path(__file__).parents[2] / "configs"
CHANNELS, BITS = 14, 10

# What has broken parsers before.
NASTY = (
    b"\0",
    b"\xff" * 9,
    b"9" * 400,
    b"[" * 500,
    b"{",
    b'"',
    b"\n",
    b"&a [*a, *a]",
    b"!!python/x",
    b"\xed\xa0\x80",
    b"0x",
    b"-",
    b": ",
    b"\t",
    b"%n",
    b"1e999",
    b"NaN",
)

Try = Callable[[bytes], None]


def bent(dice: random.Random, sound: bytes) -> bytes:
    """A sound input with a few things wrong."""
    data = bytearray(sound)
    for _ in range(dice.randint(1, 4)):
        at = dice.randrange(len(data) + 1)
        match dice.randrange(6):
            case 0 if data:
                data[at % len(data)] ^= 1 << dice.randrange(8)
            case 1:
                del data[at : at + dice.randint(1, 30)]
            case 2:
                data[at:at] = data[at : at + dice.randint(1, 30)]
            case 3:
                data[at:at] = dice.choice(NASTY)
            case 4:
                data[at:at] = dice.randbytes(dice.randint(1, 8))
            case _:
                del data[at:]
    return bytes(data)


def text_lines(dice: random.Random) -> bytes:
    return b"".join(
        b",".join(b"%d" % dice.randrange(1 << BITS) for _ in range(CHANNELS)) + b"\n"
        for _ in range(3)
    )


def frames(dice: random.Random) -> bytes:
    hello = encode_hello(Hello(CHANNELS, BITS, 500, "packed", "1.0", "mat"))
    scans = [
        encode_scan(
            number, number * 1000, [dice.randrange(1 << BITS) for _ in range(CHANNELS)], BITS
        )
        for number in range(3)
    ]
    return b"\0" + hello + b"".join(scans)


def try_text(data: bytes) -> None:
    decoder = TextDecoder(CHANNELS, BITS)
    for scan in (*decoder.feed(b"\n" + data, 1.0), *decoder.feed(b"\n", 2.0)):
        assert len(scan.readings) == CHANNELS
        assert all(0 <= reading < 1 << BITS for reading in scan.readings)


def packed(dice: random.Random) -> tuple[bytes, Try]:
    """A stream, and a check that only scans that were sent come out of what becomes of it."""
    sound = frames(dice)
    sent = [scan.readings for scan in PackedDecoder(CHANNELS, BITS).feed(sound, 1.0)]

    def check(data: bytes) -> None:
        decoder = PackedDecoder(CHANNELS, BITS)
        for scan in (*decoder.feed(data, 1.0), *decoder.feed(b"\0", 2.0)):
            assert list(scan.readings) in [list(readings) for readings in sent]

    return sound, check


def requests(dice: random.Random) -> bytes:
    ask = dice.choice(list(protocol.ASKS))
    fields: dict[str, object] = {
        name: {str: "low tide", int: 3, bool: True}[kind]
        for name, kind in protocol.ASKS[ask].items()
    }
    return protocol.request(ask, fields)


def try_request(data: bytes) -> None:
    with suppress(ControlError):
        ask, fields = protocol.read_request(data)
        assert fields.keys() <= protocol.ASKS[ask].keys()
    with suppress(ControlError):
        protocol.read_reply(data)


CALIBRATION = json.dumps(
    {
        "matbridge calibration": 1,
        "mat": "stepping stones",
        "date": "2025-06-01T19:30:00+02:00",
        "sensor": {"type": "force", "bits": 10, "fixed_resistor_ohm": 1000.0},
        "zones": [
            {"name": "a1", "board": 0, "channel": 0, "rest": 3.1, "noise": 0.6, "soft": 210.0,
             "full": 760.0, "leak": None}
        ],
    }
).encode()  # fmt: skip


def try_calibration(data: bytes) -> None:
    with suppress(CalibrationError):
        from_bytes(data)


def try_show(data: bytes) -> None:
    mat = (CONFIGS / "stepping-stones.mat.yaml").read_bytes()
    with suppress(DocumentError):
        show_from(data, mat, ("show", "mat"))


def owed_reader(folder: Path) -> Try:
    path = folder / "mat.owed"

    def check(data: bytes) -> None:
        path.write_bytes(data)
        read_left(path)

    return check


def kinds(
    dice: random.Random, folder: Path
) -> Iterator[tuple[str, float, Callable[[], tuple[bytes, Try]]]]:
    """Name, share of all inputs, and what makes a sound input with its check."""
    show = (CONFIGS / "harbour-lights.yaml").read_bytes()
    owed = json.dumps({"matbridge owed": 1, "outputs": [["virtual", "x"]]}).encode().ljust(4096)
    owed += b"\1" * 2048
    read_owed = owed_reader(folder)
    yield "text scans", 0.4, lambda: (text_lines(dice), try_text)
    yield "packed scans", 0.35, lambda: packed(dice)
    yield "control requests", 0.22, lambda: (requests(dice), try_request)
    yield "calibrations", 0.02, lambda: (CALIBRATION, try_calibration)
    yield "owed notes", 0.009, lambda: (owed, read_owed)
    yield "performances", 0.001, lambda: (show, try_show)


def main() -> int:
    made = argparse.ArgumentParser(description=__doc__)
    made.add_argument("--inputs", type=int, default=1_000_000)
    made.add_argument("--seed", type=int, default=1)
    given = made.parse_args()
    dice = random.Random(given.seed)
    with tempfile.TemporaryDirectory() as folder:
        for name, share, make in kinds(dice, Path(folder)):
            count = max(1, round(given.inputs * share))
            began_s = time.monotonic()
            before_kib = 0
            for number in range(count):
                sound, check = make()
                data = bent(dice, sound)
                try:
                    check(data)
                except BaseException:
                    print(f"{name}: input {number} of seed {given.seed}: {data[:2000]!r}")
                    raise
                if number == count // 5:
                    gc.collect()
                    before_kib = rss_kib()
            gc.collect()
            grown_kib = rss_kib() - before_kib
            took_s = time.monotonic() - began_s
            print(f"{name}: {count} inputs, {took_s:.0f} s, memory {grown_kib:+} KiB", flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
