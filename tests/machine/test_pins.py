"""Readers of the computer's own pins against the kernel: its SPI, its converter driver, its I2C."""

from __future__ import annotations

from tests.machine.conftest import INSTALLED
from tests.machine.machine import Machine

PYTHON = f"{INSTALLED}/.venv/bin/python"
INPUTS = [(channel * 41 + 7) % 1024 for channel in range(24)]

# Runs a reader, decodes its first scans, prints the last of them, and how steadily they came.
LISTEN = """
import subprocess, sys
from matbridge.board.packed import PackedDecoder
channels, command = int(sys.argv[1]), sys.argv[2:]
reader = subprocess.Popen(command, stdout=subprocess.PIPE)
decoder, scans = PackedDecoder(channels, 10), []
while len(scans) < 40:
    scans += decoder.feed(reader.stdout.read1(4096), 0.0)
reader.kill()
reader.wait()
print(*scans[-1].readings)
"""


def read(machine: Machine, channels: int, *arguments: str) -> list[int]:
    machine.run(f"cat > /tmp/listen.py <<'E'\n{LISTEN}E")
    reader = [PYTHON, "-m", "matbridge.board.readers", *arguments]
    command = [PYTHON, "/tmp/listen.py", str(channels), *reader, "--channels", str(channels)]  # noqa: S108
    return [int(word) for word in machine.run(" ".join(command)).split()]


def set_inputs(machine: Machine, inputs: list[int]) -> None:
    joined = ",".join(map(str, inputs))
    machine.run(f"echo {joined} > /sys/module/converters/parameters/inputs")


def test_spi_reader_and_the_kernels_driver_read_the_same(machine: Machine) -> None:
    machine.run("insmod /share/converters.ko && udevadm settle")
    set_inputs(machine, INPUTS)
    nodes = [f"--at /dev/spidev0.{select}" for select in range(3)]
    assert read(machine, 24, "spi", "--rate-hz", "50", *nodes) == INPUTS
    machine.run("rmmod converters && modprobe mcp320x")
    machine.run("insmod /share/converters.ko driver=mcp3008 && udevadm settle")
    set_inputs(machine, INPUTS)
    shown = machine.until("ls -d /sys/bus/iio/devices/iio:device[0-2] | grep -c . | grep 3")
    assert shown.strip() == "3"
    folders = [f"--at /sys/bus/iio/devices/iio:device{number}" for number in range(3)]
    assert read(machine, 24, "iio", "--rate-hz", "20", *folders) == INPUTS
    machine.run("rmmod converters")


def test_i2c_reader_reads_a_touch_chip(machine: Machine) -> None:
    # The kernel's stub is memory behind the SMBus calls: set as a chip at rest would show itself.
    machine.run("modprobe i2c-stub chip_addr=0x5a,0x5b && udevadm settle")
    found = machine.run("grep -l 'SMBus stub' /sys/class/i2c-dev/*/name")
    bus = found.split("/")[4].removeprefix("i2c-")
    depths = [0, 10, 200, 31, 0, 0, 5, 0, 0, 0, 0, 99]
    for chip in ("0x5a", "0x5b"):
        for electrode, depth in enumerate(depths):
            filtered = 700 - depth
            machine.run(
                f"i2cset -y {bus} {chip} {4 + 2 * electrode} {filtered & 0xFF};"
                f"i2cset -y {bus} {chip} {5 + 2 * electrode} {filtered >> 8};"
                f"i2cset -y {bus} {chip} {0x1E + electrode} {700 >> 2}"
            )
    arguments = ["i2c", "--rate-hz", "50", "--bus", bus, "--at", "0x5a", "--at", "0x5b"]
    assert read(machine, 24, *arguments, "--pressure") == depths * 2
    # What the reader wrote is what the data sheet wants: twelve electrodes running.
    assert machine.run(f"i2cget -y {bus} 0x5b 0x5e").strip() == "0x8c"
    machine.run("modprobe -r i2c-stub")
