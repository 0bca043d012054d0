"""A few kilobytes may ask for more than any machine has: counted, and refused before it is made."""

from __future__ import annotations

import resource
import subprocess
import sys
from pathlib import Path

import pytest

from matbridge.errors import DocumentError
from matbridge.mapping import size
from matbridge.mapping.load import load_show, show_from

NOTES = "[C2, E2, G2]"

# What a zone plays, and how much that is: the zone, its parts, their notes.
SIZES = {
    "60": 1 + 2,
    "nothing": 1 + 2,
    f"{{notes: {NOTES}}}": 1 + 4,
    "{chord: {root: C4, type: minor}}": 1 + 1 + 5,  # as if it had the most that a chord has
    "{control: modulation}": 1 + 2,
    f"{{sequence: [60, rest, {{notes: {NOTES}}}]}}": 1 + 1 + 1 + 1 + 3,
    f"{{layers: [60, {{control: 1}}, {{notes: {NOTES}}}]}}": 1 + 2 + 2 + 4,
}


def written(plays: str, zones: int, presets: int) -> tuple[bytes, bytes]:
    """A performance whose every zone plays the same in every preset, in few words; and its mat."""
    places = "".join(
        f"  - {{name: z{zone}, at: [{zone % 32 * 20}, {zone // 32 * 20}]}}\n"
        for zone in range(zones)
    )
    mat = (
        "mat: m\nboard: {port: /dev/x, format: packed}\nsensor: {type: level, bits: 10}\n"
        f"zones:\n{places}"
    )
    every = ", ".join(f"z{zone}" for zone in range(zones))
    performance = (
        "performance: p\nmat: m.mat.yaml\noutputs: {o: {virtual: x}}\n"
        f"groups: {{every: [{every}]}}\n"
        f"defaults: {{output: o, channel: 1, zones: {{every: {plays}}}}}\npresets:\n"
        + "".join(f"  p{preset}: {{channel: 1}}\n" for preset in range(presets))
    )
    return performance.encode(), mat.encode()


def load(plays: str, zones: int, presets: int) -> None:
    show_from(*written(plays, zones, presets), ("p.yaml", "m.mat.yaml"))


@pytest.mark.parametrize("plays", SIZES)
def test_the_limit_is_where_it_is_said_to_be(plays: str, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = SIZES[plays] * 4 * 3
    monkeypatch.setattr("matbridge.mapping.compile.MAX_SIZE", whole)
    load(plays, 4, 3)
    monkeypatch.setattr("matbridge.mapping.compile.MAX_SIZE", whole - 1)
    with pytest.raises(DocumentError, match=r"presets, zones and notes are more than .* by 'p2'"):
        load(plays, 4, 3)


def test_the_examples_are_far_from_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("matbridge.mapping.compile.MAX_SIZE", size.MAX_SIZE // 400)
    for path in (Path(__file__).parents[2] / "configs").glob("*.yaml"):
        if ".mat." not in path.name:
            load_show(path)


def test_what_would_fill_the_memory_is_refused_in_little(tmp_path: Path) -> None:
    """A thousand presets of a thousand zones of sixteen chords each: 16 million, in 25 KB."""
    layers = ", ".join(["{chord: {root: C2, type: major 7}}"] * 16)
    performance, mat = written(f"{{layers: [{layers}]}}", 1024, 1000)
    assert len(performance) < 30_000
    (tmp_path / "p.yaml").write_bytes(performance)
    (tmp_path / "m.mat.yaml").write_bytes(mat)
    limit = 512 * 1024 * 1024
    done = subprocess.run(
        [sys.executable, "-m", "matbridge", "check", str(tmp_path / "p.yaml")],
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (limit, limit)),
        capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert done.returncode == 1
    assert "more than 200000 together by 'p2'" in done.stderr + done.stdout
