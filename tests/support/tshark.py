"""The protocol analyser tshark as a judge of datagrams, from a file that it reads."""

from __future__ import annotations

import json
import struct
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple


class Datagram(NamedTuple):
    """One UDP datagram between two ports of one machine."""

    source: int
    destination: int
    data: bytes


def write(path: Path, datagrams: Sequence[Datagram]) -> None:
    """A capture file (pcap, link type raw IPv4) of datagrams 10 ms apart."""
    out = bytearray(struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 101))
    for index, (source, destination, data) in enumerate(datagrams):
        udp = struct.pack("!HHHH", source, destination, 8 + len(data), 0) + data
        ip = struct.pack(
            "!BBHHHBBH4s4s",
            0x45,
            0,
            20 + len(udp),
            index,
            0,
            64,
            17,
            0,
            b"\x7f\0\0\1",
            b"\x7f\0\0\1",
        )
        packet = ip + udp
        out += struct.pack("<IIII", index // 100, index % 100 * 10_000, len(packet), len(packet))
        out += packet
    path.write_bytes(out)


def read(path: Path) -> list[dict[str, Any]]:
    """The layers of every packet, as tshark understands them."""
    done = subprocess.run(
        ["tshark", "-r", str(path), "-T", "json", "-o", "ip.check_checksum:FALSE"],
        capture_output=True,
        text=True,
        check=True,
    )
    return [packet["_source"]["layers"] for packet in json.loads(done.stdout)]


def text(path: Path) -> str:
    """All that tshark has to say, in words."""
    done = subprocess.run(
        ["tshark", "-r", str(path), "-V"], capture_output=True, text=True, check=True
    )
    return done.stdout
