"""The board programs as an ESP32-class board compiles them: three compilers, and what comes out.

No package registry carries an ESP32's Arduino core or its compiler. So the core's headers are a
stand-in (esp32/), and the machine code is that of relatives: Xtensa for the LX106 core of the
ESP8266, not the LX6 and LX7 of ESP32 and S3, and the RISC-V that C3, C6 and H2 run (RV32IMC). QEMU
runs both, on the board of esp32/board.cpp; a third build, for this computer, runs under the address
sanitizer. Undefined behaviour ends all three. Each is compiled as both generations of the core
would, strictly.
"""

from __future__ import annotations

import struct
import subprocess
import tempfile
from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import pytest
from cobs import cobs

from matbridge.board.hello import Hello, to_line
from matbridge.board.packed import PackedDecoder, encode_hello, encode_scan
from matbridge.board.scan import Decoder, Scan
from matbridge.board.text import TextDecoder
from tests.board.emulated.rig import with_options

STAND_IN = Path(__file__).with_name("esp32")

READINGS = [(index * 41 + 7) % 1024 for index in range(24)]
CHANGED = [1023 - index * 43 for index in range(24)]
PINS = "5, 25, 26"  # what esp32/board.cpp has its converters on
RATE_HZ = 250  # as the program comes
PERIOD_US = 1_000_000 // RATE_HZ


class Target(NamedTuple):
    """A compiler, how it is called, how strictly, what links, and what runs the result."""

    compiler: str
    flags: str
    warnings: str
    link: str
    runner: str


STRICT = "-Wall -Wextra -Wshadow -Wcast-align -Wdouble-promotion"
BARE = "-ffreestanding -fno-exceptions -fno-rtti"
TARGETS = {
    "xtensa": Target(
        "xtensa-lx106-elf-g++",
        # This compiler's library has no 64-bit product, which a check of overflows asks for.
        f"{BARE} -fno-tree-loop-distribute-patterns -fsanitize=undefined"
        " -fno-sanitize=signed-integer-overflow -fsanitize-undefined-trap-on-error",
        f"{STRICT} -Wconversion -Wsign-conversion",
        "-nostdlib -lgcc",
        "qemu-xtensa -cpu lx106",
    ),
    "riscv": Target(
        "clang++",
        f"{BARE} --target=riscv32-unknown-elf -march=rv32imc -mabi=ilp32"
        " -fsanitize=undefined -fsanitize-trap=undefined",
        # All that this compiler knows, but for advice against C++11 and against casts as in C.
        "-Weverything -Wno-c++98-compat -Wno-c++98-compat-pedantic -Wno-old-style-cast"
        " -Wno-unknown-warning-option -Wno-unsafe-buffer-usage",
        "-nostdlib -fuse-ld=lld",
        "qemu-riscv32",
    ),
    # Without the warnings of conversion: `unsigned long` has 64 bits here and 32 on the boards.
    "computer": Target("g++", "-fsanitize=address,undefined -fno-sanitize-recover", STRICT, "", ""),
}
# The two generations of the core, each with the language it compiles programs as, from memory. In
# the second's C library `uint32_t` is an `unsigned long`, which chooses other overloads.
CORES = {"2": "-std=gnu++11", "3": "-std=gnu++2b"}
LONG_WORDS = [
    "-U__UINT32_TYPE__", "-U__INT32_TYPE__",
    "-D__UINT32_TYPE__=unsigned long", "-D__INT32_TYPE__=long",
]  # fmt: skip


class Builder:
    """Programs for one target and core, each built once."""

    def __init__(self, target: str, core: str, written: Path, folder: Path) -> None:
        self._target = TARGETS[target]
        self._written = written
        self._folder = folder
        self._made: dict[tuple[str, ...], Path] = {}
        self._command = [
            self._target.compiler, *self._target.flags.split(), CORES[core], "-Os", "-g",
            f"-DESP_ARDUINO_VERSION_MAJOR={core}", "-DESP32", "-DARDUINO_ARCH_ESP32",
            "-DCONFIG_IDF_TARGET_ESP32", "-DARDUINO=10819", "-isystem", str(STAND_IN),
        ]  # fmt: skip
        if core == "3" and target != "computer":
            self._command += LONG_WORDS
        self._board = folder / "board.o"
        self._run(["-w", "-c", str(STAND_IN / "board.cpp"), "-o", str(self._board)])

    def _run(self, arguments: Sequence[str]) -> None:
        done = subprocess.run(
            [*self._command, *arguments], check=False, capture_output=True, text=True
        )
        assert done.returncode == 0, done.stderr

    def build(self, name: str, **options: str) -> Path:
        """The program as a user has edited it, compiled as the Arduino tools do, and linked."""
        key = (name, *(f"{k}={v}" for k, v in sorted(options.items())))
        if key in self._made:
            return self._made[key]
        folder = Path(tempfile.mkdtemp(dir=self._folder))
        sketch = folder / f"{name}.ino"
        sketch.write_text(with_options((self._written / name / f"{name}.ino").read_text(), options))
        (folder / "board_wire.h").write_bytes((self._written / name / "board_wire.h").read_bytes())
        strictly = [*self._target.warnings.split(), "-Werror", "-include", "Arduino.h"]
        self._run([*strictly, "-x", "c++", "-c", str(sketch), "-o", str(folder / "sketch.o")])
        made = folder / name
        self._run(
            [
                str(folder / "sketch.o"),
                str(self._board),
                "-o",
                str(made),
                *self._target.link.split(),
            ]
        )
        self._made[key] = made
        return made

    def end(self, program: Path, orders: Sequence[str]) -> subprocess.CompletedProcess[bytes]:
        """The program after these orders to its board, and how it ended."""
        return subprocess.run(
            [*self._target.runner.split(), str(program)],
            input="".join(f"{order}\n" for order in orders).encode(),
            capture_output=True,
            check=False,
            timeout=60,
        )

    def play(self, program: Path, *orders: str) -> bytes:
        """What the serial line carried while these orders were obeyed."""
        done = self.end(program, orders)
        assert done.returncode == 0, done.stderr.decode()
        return done.stdout


@pytest.fixture(scope="module")
def builder(written: Path, tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Builder]:
    made: dict[tuple[str, str], Builder] = {}

    def get(target: str, core: str) -> Builder:
        if (target, core) not in made:
            folder = tmp_path_factory.mktemp(f"{target}-{core}")
            made[target, core] = Builder(target, core, written, folder)
        return made[target, core]

    return get


EVERY = [(target, core) for target in TARGETS for core in CORES]


@pytest.fixture(params=EVERY, ids=lambda param: f"{param[0]}-core-{param[1]}")
def on(request: pytest.FixtureRequest, builder: Callable[..., Builder]) -> Builder:
    made: Builder = builder(*request.param)
    return made


def given(readings: Sequence[int]) -> list[str]:
    return [f"set {channel} {reading}" for channel, reading in enumerate(readings)]


def scans_of(decoder: Decoder, data: bytes) -> list[Scan]:
    """All scans in it; none may be damaged, nor missing between two."""
    scans = list(decoder.feed(data, 1000.0))
    assert decoder.counts.damaged == 0
    return scans


def headers(data: bytes) -> list[tuple[int, int]]:
    """(sequence number, board's clock) of every packed scan, without our decoder."""
    plain = [cobs.decode(piece) for piece in data.split(b"\0")[:-1] if piece]
    return [struct.unpack_from("<2xHI", frame) for frame in plain if frame[0] == 0x11]


def assert_numbers_follow_the_clock(data: bytes, late_us: int = PERIOD_US // 10) -> None:
    """However many scans were left out, a scan's number tells when it was due."""
    for (number, clock_us), (next_number, next_clock_us) in pairwise(headers(data)):
        periods = (next_number - number) & 0xFFFF
        step_us = (next_clock_us - clock_us) & 0xFFFFFFFF
        assert periods >= 1
        assert step_us == pytest.approx(periods * PERIOD_US, abs=late_us)


@pytest.mark.parametrize("packed", ["0", "1"])
def test_readings_are_what_the_converters_were_given(on: Builder, packed: str) -> None:
    program = on.build("mat_board", PACKED=packed, SELECT_PINS=PINS)
    data = on.play(program, *given(READINGS), "run 200", *given(CHANGED), "run 200")
    decoder = PackedDecoder(24, 10) if packed == "1" else TextDecoder(24, 10)
    scans = [list(scan.readings) for scan in scans_of(decoder, data)]
    before = scans.index(CHANGED)
    assert scans == [READINGS] * before + [CHANGED] * (len(scans) - before)
    assert decoder.counts.lost == 0
    assert before == pytest.approx(0.2 * RATE_HZ, abs=2)
    assert len(scans) == pytest.approx(0.4 * RATE_HZ, abs=2)


def test_frames_are_those_that_the_format_describes(on: Builder) -> None:
    data = on.play(on.build("mat_board", SELECT_PINS=PINS), *given(READINGS), "run 100")
    hello = encode_hello(Hello(24, 10, RATE_HZ, "packed", "1.0", "mat board"))
    frames = (encode_scan(number, us, READINGS, 10) for number, us in headers(data))
    whole = b"\0" + hello + b"".join(frames)
    assert data[: len(whole)] == whole
    assert b"\0" not in data[len(whole) :]  # what is still on its way


def test_a_question_is_answered_and_babble_is_not(on: Builder) -> None:
    babble = [f"send {byte}" for byte in range(256) if byte != ord("?")]
    hello = to_line(Hello(24, 10, RATE_HZ, "text", "1.0", "mat board"))
    program = on.build("mat_board", PACKED="0", SELECT_PINS=PINS)
    data = on.play(program, "run 100", *babble, "run 100")
    assert data.count(hello) == 1
    data = on.play(program, "run 100", *babble, "run 1", "send 63", "run 100")
    assert data.count(hello) == 2
    scans_of(TextDecoder(24, 10), data)


def test_nothing_happens_when_the_clock_of_microseconds_wraps(on: Builder) -> None:
    program = on.build("mat_board", SELECT_PINS=PINS)
    data = on.play(program, f"clock {2**32 - 150_000} 5", "run 300")
    assert_numbers_follow_the_clock(data)
    decoder = PackedDecoder(24, 10)
    scans = scans_of(decoder, data)
    assert decoder.counts.lost == 0
    steps_s = [b.time_s - a.time_s for a, b in pairwise(scans)]
    assert max(steps_s) < 1.1 / RATE_HZ
    assert len(scans) >= 0.3 * RATE_HZ - 2


def test_it_waits_for_no_reader_and_numbers_what_it_left_out(on: Builder) -> None:
    program = on.build("mat_board", SELECT_PINS=PINS)
    orders = ["run 100", "read 0", "run 1000", *given(CHANGED), "read 1", "run 100"]
    data = on.play(program, *orders)
    assert_numbers_follow_the_clock(data)
    decoder = PackedDecoder(24, 10)
    assert list(scans_of(decoder, data)[-1].readings) == CHANGED
    assert decoder.counts.lost == pytest.approx(RATE_HZ, abs=5)


def test_a_program_held_up_numbers_what_it_missed(on: Builder) -> None:
    data = on.play(on.build("mat_board", SELECT_PINS=PINS), "run 100", "stall 40", "run 100")
    assert_numbers_follow_the_clock(data, late_us=PERIOD_US)
    decoder = PackedDecoder(24, 10)
    scans_of(decoder, data)
    assert decoder.counts.lost == 40_000 // PERIOD_US - 1  # the last one due is sent, late


@pytest.mark.parametrize("name", ["mat_board", "touch_board"])
def test_the_watchdog_is_fed_and_would_end_a_hang(on: Builder, name: str) -> None:
    program = on.build(name, **({"SELECT_PINS": PINS} if name == "mat_board" else {}))
    on.play(program, "run 6000")
    hung = on.end(program, ["run 100", "stall 6000"])
    assert (hung.returncode, hung.stderr) == (3, b"the watchdog bit\n")


TOUCH = {"ZONES": "24", "ADDRESSES": "0x5A, 0x5B"}
PRESSED = [0, 3, 8, 60, 120, 240, 0, 0, 16, 15, 14, 1, *range(12)]


def test_touch_pressure_is_baseline_minus_filtered(on: Builder) -> None:
    data = on.play(on.build("touch_board", **TOUCH), *given(PRESSED), "run 300")
    decoder = PackedDecoder(24, 10)
    assert {tuple(scan.readings) for scan in scans_of(decoder, data)} == {tuple(PRESSED)}
    assert decoder.counts.lost == 0


def test_touch_states_follow_the_thresholds(on: Builder) -> None:
    program = on.build("touch_board", PACKED="0", SEND_PRESSURE="0", TOUCH_THRESHOLD="20")
    between = [20, 10, 0, 9] + [0] * 8  # touched stays touched, until below the release threshold
    orders = [*given([20, 21, 0, 200]), "run 100", *given(between), "run 100"]
    scans = scans_of(TextDecoder(12, 10), on.play(program, *orders))
    assert list(scans[0].readings) == [0, 1, 0, 1] + [0] * 8
    assert list(scans[-1].readings) == [0, 1] + [0] * 10


def test_a_touch_chip_comes_back_though_milliseconds_wrap(on: Builder) -> None:
    program = on.build("touch_board", **TOUCH)
    orders = [f"clock 0 {2**32 - 700}", *given([100] * 24), "run 300", "unplug 1", "run 300"]
    data = on.play(program, *orders, "plug 1", "run 1500")
    decoder = PackedDecoder(24, 10)
    scans = [list(scan.readings) for scan in scans_of(decoder, data)]
    away = scans.index([100] * 12 + [0] * 12)
    back = scans.index([100] * 24, away)
    assert scans[:away] == [[100] * 24] * away
    # Gone after 300 ms, there after 600, looked for once a second: 70 scans of 10 ms.
    assert back - away == pytest.approx(70, abs=2)
    assert scans[back:] == [[100] * 24] * (len(scans) - back)
    assert decoder.counts.lost == 0


def test_a_bus_held_low_reads_zero_and_costs_no_scan(on: Builder) -> None:
    program = on.build("touch_board")
    orders = [*given([100] * 12), "run 200", "jam 1", "run 2500", "jam 0", "run 1500"]
    decoder = PackedDecoder(12, 10)
    scans = [list(scan.readings) for scan in scans_of(decoder, on.play(program, *orders))]
    jammed = scans.index([0] * 12)
    free = scans.index([100] * 12, jammed)
    assert scans[jammed:free] == [[0] * 12] * (free - jammed)
    assert 250 <= free - jammed <= 250 + 100
    assert scans[-1] == [100] * 12
    assert decoder.counts.lost == 0


def test_every_processor_sends_the_same_bytes(builder: Callable[..., Builder]) -> None:
    sent = set()
    for target, core in EVERY:
        on = builder(target, core)
        mat = on.build("mat_board", SELECT_PINS=PINS)
        touch = on.build("touch_board", **TOUCH)
        orders = [*given(READINGS), "run 100", "send 63", "stall 10", *given(CHANGED), "run 100"]
        sent.add((on.play(mat, *orders), on.play(touch, *orders, "unplug 0", "run 200")))
    assert len(sent) == 1


@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("mat_board", {"ZONES": "1", "PACKED": "0", "SELECT_PINS": "5"}),
        ("mat_board", {"ZONES": "64", "SELECT_PINS": "5, 12, 13, 14, 25, 26, 27, 33"}),
        ("touch_board", {"ZONES": "48", "ADDRESSES": "0x5A, 0x5B, 0x5C, 0x5D"}),
        ("touch_board", {"ZONES": "48", "ADDRESSES": "0x5A, 0x5B, 0x5C, 0x5D", "PACKED": "0"}),
    ],
)
def test_the_ends_of_the_options_compile(on: Builder, name: str, options: dict[str, str]) -> None:
    on.build(name, **options)


@pytest.mark.parametrize("pins", ["10, 9, 8", "5, 25, 34", "6, 25, 26"])
def test_pins_that_cannot_select_are_refused(builder: Callable[..., Builder], pins: str) -> None:
    with pytest.raises(AssertionError, match=r"SELECT_PINS: an ESP32 cannot spare GPIO 6-11"):
        builder("riscv", "3").build("mat_board", SELECT_PINS=pins)
