"""Nothing of a running bridge can be reached over a network, unless the performance says so."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from tests.support.bridge import Bridge
from tests.support.din import DinPeer
from tests.support.quay import write_quay

# proc_net(5); a Unix socket is guarded by its file and by who knocks.
TABLES = ("tcp", "tcp6", "udp", "udp6", "udplite", "udplite6", "raw", "raw6", "icmp", "icmp6")


def network_sockets(pid: int) -> list[str]:
    """The lines of the kernel's tables that are sockets of this process or its children."""
    family = [pid]
    for parent in family:
        for task in Path(f"/proc/{parent}/task").iterdir():
            family += map(int, (task / "children").read_text().split())
    inodes = set()
    for member in family:
        for fd in Path(f"/proc/{member}/fd").iterdir():
            with suppress(FileNotFoundError):  # a file that was open for a moment
                target = str(fd.readlink())
                if target.startswith("socket:"):
                    inodes.add(target[len("socket:[") : -1])
    found = []
    for table in TABLES:
        path = Path(f"/proc/{pid}/net/{table}")
        if path.exists():
            lines = path.read_text().splitlines()[1:]
            found += [f"{table}: {line}" for line in lines if line.split()[9] in inodes]
    return found


def bridge(folder: Path, synth: DinPeer, more: str = "") -> Bridge:
    outputs = f"  out: {{serial: {synth.path}}}{more}"
    return Bridge(write_quay(folder, str(folder / "board"), outputs), folder)


def test_nothing_listens_by_default(tmp_path: Path) -> None:
    with DinPeer(tmp_path / "jack") as synth, bridge(tmp_path, synth) as running:
        running.until_logged("playing")
        assert network_sockets(running.pid) == []


def test_what_is_written_listens(tmp_path: Path) -> None:
    more = "\n  net: {network: quay, interface: 127.0.0.1, port: 45104}"
    with DinPeer(tmp_path / "jack") as synth, bridge(tmp_path, synth, more) as running:
        running.until_logged("playing")
        assert {line[:3] for line in network_sockets(running.pid)} == {"udp"}
