"""Finding, opening and closing serial ports."""

from __future__ import annotations

import errno
import fcntl
import inspect
import os
import re
import stat
import termios
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import serial
import serial.serialutil
from serial.tools import list_ports

from matbridge.board import baud as rates
from matbridge.board import serial_port
from matbridge.board.serial_port import FAILURES, SerialPort, find_boards, locate
from matbridge.errors import BoardUnavailable
from tests.support.pty_board import PtyBoard


@pytest.fixture
def board() -> Iterator[PtyBoard]:
    with PtyBoard() as made:
        yield made


def refusal(port: str, baud: int = 115_200) -> str:
    with pytest.raises(BoardUnavailable) as caught:
        SerialPort(port, baud)
    return str(caught.value)


@pytest.mark.parametrize("baud", [115_200, 250_000, 921_600])
def test_an_open_port_is_raw_and_does_not_block(board: PtyBoard, baud: int) -> None:
    port = SerialPort(board.path, baud)
    try:
        assert (port.device, port.baud) == (board.path, baud)
        with pytest.raises(BlockingIOError):
            os.read(port.fd, 10)
        everything = bytes(range(256))
        board.send(everything)
        assert os.read(port.fd, 1000) == everything
        os.write(port.fd, everything)
        assert board.received() == everything
    finally:
        port.close()


def test_closing_does_not_drop_the_lines(board: PtyBoard) -> None:
    before = os.open(board.path, os.O_RDWR | os.O_NOCTTY)
    attributes = termios.tcgetattr(before)
    attributes[2] |= termios.HUPCL
    termios.tcsetattr(before, termios.TCSANOW, attributes)
    port = SerialPort(board.path, 115_200)
    assert not termios.tcgetattr(port.fd)[2] & termios.HUPCL
    port.close()
    os.close(before)


def test_an_odd_rate_needs_no_odd_call_of_the_c_library(
    board: PtyBoard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """glibc from 2.42 on refuses pyserial's way of asking for a rate that is in no table."""
    real = termios.tcsetattr
    table = {value for name, value in vars(termios).items() if re.fullmatch(r"B\d+", name)}

    def tcsetattr(fd: int, when: int, attributes: list[Any]) -> None:
        if attributes[4] not in table:
            raise termios.error(errno.EINVAL, "Invalid argument")
        real(fd, when, attributes)

    monkeypatch.setattr(termios, "tcsetattr", tcsetattr)
    port = SerialPort(board.path, 250_000)
    assert port.baud == 250_000
    port.close()


def test_a_port_is_held_by_one(board: PtyBoard) -> None:
    port = SerialPort(board.path, 115_200)
    assert "held by another program" in refusal(board.path)
    port.close()
    SerialPort(board.path, 115_200).close()


def test_closing_twice_touches_no_other_port(board: PtyBoard) -> None:
    with PtyBoard() as other:
        port = SerialPort(board.path, 115_200)
        port.close()
        reused = SerialPort(other.path, 115_200)
        assert reused.fd == port.fd
        port.close()
        Path(other.terminal).chmod(0o666)
        with without_rights(), pytest.raises(OSError, match=r"\[Errno 16\]"):
            os.open(other.path, os.O_RDWR | os.O_NOCTTY)
        reused.close()


def test_closing_a_port_whose_device_is_gone(board: PtyBoard) -> None:
    port = SerialPort(board.path, 115_200)
    board.unplug()
    port.close()


def open_descriptors() -> list[str]:
    return sorted(entry.name for entry in Path("/proc/self/fd").iterdir())


def test_no_descriptor_is_left_by_attempts_that_fail(board: PtyBoard, tmp_path: Path) -> None:
    port = SerialPort(board.path, 115_200)
    before = open_descriptors()
    for path in (board.path, str(tmp_path / "none"), os.devnull):
        refusal(path)
        refusal(path, 250_000)
    assert open_descriptors() == before
    port.close()


def test_what_is_not_there_is_said_so(tmp_path: Path) -> None:
    missing = str(tmp_path / "ttyACM7")
    assert f"no board at {missing}" in refusal(missing)


def test_what_is_no_serial_port_is_said_so(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    for path in (os.devnull, str(tmp_path), str(tmp_path / "file")):
        assert "is no serial port" in refusal(path)


@contextmanager
def without_rights() -> Iterator[None]:
    """To root nothing is forbidden; be nobody for a while."""
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)


def test_what_may_not_be_opened_names_the_group(board: PtyBoard) -> None:
    Path(board.terminal).chmod(0)
    group = Path(board.terminal).group()
    with without_rights():
        said = refusal(board.path)
    assert f"belongs to the group '{group}'" in said
    assert f"usermod -aG {group}" in said


def test_a_second_user_is_kept_out_by_the_kernel(board: PtyBoard) -> None:
    port = SerialPort(board.path, 115_200)
    Path(board.terminal).chmod(0o666)
    with without_rights(), pytest.raises(OSError, match=r"\[Errno 16\]"):
        os.open(board.path, os.O_RDWR | os.O_NOCTTY)
    port.close()
    with without_rights():
        os.close(os.open(board.path, os.O_RDWR | os.O_NOCTTY))


@pytest.mark.parametrize("device", ["/dev/tty", "/dev/console"])
def test_a_terminal_of_the_computer_is_refused(device: str) -> None:
    if Path(device).exists():
        assert "console of this computer" in refusal(device)


@pytest.mark.parametrize(
    ("major", "minor", "refused"), [(4, 1, True), (4, 63, True), (4, 64, False), (166, 0, False)]
)
def test_a_virtual_terminal_is_refused_and_a_uart_is_not(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, major: int, minor: int, refused: bool
) -> None:
    """Numbers of ttyS0 (4, 64) and ttyACM0 (166, 0): the kernel's list of devices."""
    status = SimpleNamespace(st_mode=stat.S_IFCHR, st_rdev=os.makedev(major, minor), st_gid=0)
    monkeypatch.setattr(serial_port, "CONSOLES", tmp_path / "consoles")
    monkeypatch.setattr(Path, "stat", lambda self, **_: status)
    assert ("console of this computer" in refusal(str(tmp_path / "tty"))) is refused


def test_the_kernels_console_is_refused(
    board: PtyBoard, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    number = Path(board.path).stat().st_rdev
    consoles = tmp_path / "consoles"
    consoles.write_text(
        "tty0                 -WU (EC p  )    4:7\n"
        f"ttyS0                -W- (E       ) {os.major(number):>4}:{os.minor(number)}\n"
    )
    monkeypatch.setattr(serial_port, "CONSOLES", consoles)
    assert "console of this computer" in refusal(board.path)
    consoles.write_text("")
    SerialPort(board.path, 115_200).close()


def lower_lines(board: PtyBoard, monkeypatch: pytest.MonkeyPatch, **lines: bool) -> list[str]:
    """The calls for modem lines that opening makes, by name; a pty has no such lines."""
    calls: list[str] = []
    real = fcntl.ioctl
    names = {termios.TIOCMBIS: "raise", termios.TIOCMBIC: "lower"}

    def ioctl(fd: int, request: int, argument: bytes = b"") -> bytes | int:
        if request in names:
            bits = int.from_bytes(argument, "little")
            which = [name for name, bit in (("dtr", 2), ("rts", 4)) if bits & bit]
            calls.append(f"{names[request]} {' '.join(which)}")
            return 0
        return real(fd, request, argument)

    monkeypatch.setattr(fcntl, "ioctl", ioctl)
    SerialPort(board.path, 115_200, **lines).close()
    return calls


@pytest.mark.parametrize(
    ("dtr", "rts", "lowered"),
    [
        (True, True, []),
        (False, True, ["lower dtr"]),
        (True, False, ["lower rts"]),
        (False, False, ["lower dtr rts"]),
    ],
)
def test_the_lines_are_raised_and_lowered_together(
    board: PtyBoard, monkeypatch: pytest.MonkeyPatch, dtr: bool, rts: bool, lowered: list[str]
) -> None:
    """One after the other would be the reset signal of boards with two transistors."""
    calls = lower_lines(board, monkeypatch, dtr=dtr, rts=rts)
    assert calls == ["raise dtr", "raise rts", *lowered]


def test_a_rate_the_line_cannot_do_is_refused(
    board: PtyBoard, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rates, "set_baud", lambda fd, baud: 230_769)
    assert "cannot do 250000 baud, the nearest is 230769" in refusal(board.path, 250_000)
    monkeypatch.setattr(rates, "set_baud", lambda fd, baud: 252_000)
    port = SerialPort(board.path, 250_000)
    assert port.baud == 252_000
    port.close()


def every_exception_of(*modules: object) -> set[type[BaseException]]:
    return {
        member
        for module in modules
        for _, member in inspect.getmembers(module, inspect.isclass)
        if issubclass(member, BaseException) and member.__module__.startswith("serial")
    }


def test_whatever_the_libraries_raise_is_one_of_the_failures() -> None:
    kinds = every_exception_of(serial, serial.serialutil, serial.serialposix)
    assert {kind.__name__ for kind in kinds} >= {"SerialException", "PortNotOpenError"}
    for kind in (*kinds, termios.error, OSError, TypeError, ValueError):
        assert issubclass(kind, FAILURES), kind


@pytest.mark.parametrize(
    "error",
    [
        serial.SerialException(errno.ENODEV, "gone"),
        termios.error(errno.ENODEV, "gone"),
        OSError(errno.ENODEV, "gone"),
    ],
)
def test_one_reason_however_it_was_raised(
    board: PtyBoard, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    def fail(*_: object) -> None:
        raise error

    with monkeypatch.context() as patched:
        patched.setattr(termios, "tcsetattr", fail)
        assert "no board at" in refusal(board.path)
    with monkeypatch.context() as patched:
        patched.setattr(serial.Serial, "open", fail)
        assert "no board at" in refusal(board.path)


@pytest.mark.parametrize(
    "error", [TypeError("odd"), ValueError("odd"), OSError(errno.EPROTO, "odd")]
)
def test_a_failure_without_a_known_number_is_still_told(
    board: PtyBoard, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    def fail(*_: object) -> None:
        raise error

    monkeypatch.setattr(serial.Serial, "open", fail)
    assert f"cannot open {board.path}" in refusal(board.path)
    assert "odd" in refusal(board.path)


def usb(device: str, place: str, **facts: object) -> SimpleNamespace:
    """A port as pyserial lists it."""
    made = {"vid": 0x2E8A, "pid": 5, "serial_number": None, "description": "Board", **facts}
    return SimpleNamespace(device=device, usb_device_path=f"/sys/usb/{place}", **made)


PORTS = [
    usb("/dev/ttyACM10", "1-2", serial_number="TIDE2"),
    usb("/dev/ttyACM2", "1-1", serial_number="TIDE1"),
    usb("/dev/ttyACM3", "1-1", serial_number="TIDE1"),
    usb("/dev/ttyUSB0", "1-3", vid=0x1A86, pid=0x7523),
    usb("/dev/ttyS0", "", vid=None, pid=None, description="n/a"),
]


@pytest.fixture
def plugged(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    monkeypatch.setattr(list_ports, "comports", lambda: PORTS)
    monkeypatch.setattr(serial_port, "TTY_CLASS", tmp_path / "class")
    monkeypatch.setattr(serial_port, "BY_ID", tmp_path / "by-id")
    monkeypatch.setattr(serial_port, "CONSOLES", tmp_path / "consoles")
    return tmp_path


@pytest.mark.parametrize(
    ("port", "device"),
    [
        ("usb:2e8a:0005:TIDE2", "/dev/ttyACM10"),
        ("usb:2E8A:5:TIDE1", "/dev/ttyACM2"),
        ("usb:1a86:7523", "/dev/ttyUSB0"),
        ("/dev/ttyACM9", "/dev/ttyACM9"),
    ],
)
def test_a_usb_board_is_looked_up(plugged: Path, port: str, device: str) -> None:
    assert locate(port) == device


@pytest.mark.parametrize(
    ("port", "words"),
    [
        ("usb:2e8a:0005", "fits 2 boards (/dev/ttyACM2, /dev/ttyACM10)"),
        ("usb:2e8a:0006", "no such USB device"),
        ("usb:2e8a:0005:TIDE3", "no such USB device"),
        ("usb:2e8a", "usb:VENDOR:PRODUCT"),
        ("usb:pico:0005", "usb:VENDOR:PRODUCT"),
    ],
)
def test_a_usb_board_that_cannot_be_told_is_refused(plugged: Path, port: str, words: str) -> None:
    with pytest.raises(BoardUnavailable) as caught:
        locate(port)
    assert words in str(caught.value)


def test_the_list_of_ports(plugged: Path) -> None:
    (plugged / "by-id").mkdir()
    (plugged / "by-id" / "usb-tide-2").symlink_to("/dev/ttyACM10")
    found = find_boards()
    assert [port.device for port in found] == [
        "/dev/ttyACM2", "/dev/ttyACM3", "/dev/ttyACM10", "/dev/ttyS0", "/dev/ttyUSB0",
    ]  # fmt: skip
    assert found[2] == (
        "/dev/ttyACM10", str(plugged / "by-id" / "usb-tide-2"), "2e8a:0005", "TIDE2", "Board",
    )  # fmt: skip
    assert found[3] == ("/dev/ttyS0", "", "", "", "")


def test_a_name_without_hardware_behind_it_is_not_listed(plugged: Path) -> None:
    (plugged / "class" / "ttyS0").mkdir(parents=True)
    (plugged / "class" / "ttyS0" / "type").write_text("0\n")
    assert "/dev/ttyS0" not in [port.device for port in find_boards()]
    (plugged / "class" / "ttyS0" / "type").write_text("4\n")
    assert "/dev/ttyS0" in [port.device for port in find_boards()]
