"""What every kind of output must do, each against a peer that is real or not ours."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from matbridge.errors import OutputClosed
from matbridge.midi import messages as m
from matbridge.midi.memory_port import MemoryPort
from matbridge.midi.output import Output
from matbridge.midi.outputs import KINDS, make_output
from tests.midi.benches import BENCHES, Bench
from tests.midi.conftest import Turning
from tests.support.din import DinPeer

# A turn of the loop with a send must take less, whatever happens to the output. It is what a
# busy machine takes for nothing, and far below what any of the faults takes.
HELD_UP_S = 0.4


@pytest.fixture(params=BENCHES, ids=lambda kind: kind.kind)
def bench(
    request: pytest.FixtureRequest,
    turning: Turning,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> Iterator[Bench]:
    with ExitStack() as stack:
        kind: type[Bench] = request.param
        yield kind(turning, tmp_path, monkeypatch, stack)


def phrase(start: int = 0, count: int = 12) -> list[bytes]:
    """Messages whose order every kind keeps."""
    out: list[bytes] = []
    for n in range(start, start + count):
        out += [
            m.program_change(1 + n % 16, n % 128),
            m.note_on(1 + n % 16, n % 128, 1 + n % 127),
            m.control_change(1 + n % 16, 64, n % 128),
            m.note_off(1 + n % 16, n % 128, n % 128),
        ]
    return out


def test_every_kind_has_a_bench() -> None:
    assert {bench.kind for bench in BENCHES} == set(KINDS)


def test_closed_it_refuses_and_leaves_nothing_behind(bench: Bench) -> None:
    output = bench.make()
    with pytest.raises(OutputClosed, match="output 'out' is not open"):
        output.send(phrase())
    assert not output.up
    output.close()
    output.open(bench.turning.loop)
    output.open(bench.turning.loop)
    bench.appear()
    bench.turning.until(lambda: output.up, "the port")
    output.close()
    output.close()
    assert not output.up
    with pytest.raises(OutputClosed, match="output 'out' is not open"):
        output.send(phrase())
    bench.turning.turn(0.0)
    assert bench.turning.loop.pending == 0
    assert not bench.turning.loop._readers
    assert not bench.turning.loop._writers


def test_its_status_is_fit_to_be_sent_and_shown(bench: Bench) -> None:
    output = bench.make()
    output.open(bench.turning.loop)
    bench.appear()
    bench.turning.until(lambda: output.up, "the port")
    facts = json.loads(json.dumps(output.status()))
    assert facts["kind"] == bench.kind
    assert facts["up"] is True
    assert "target" in facts
    assert facts["dropped"] == 0
    bench.lose()
    bench.turning.until(lambda: not _still_up(output), "the loss")
    facts = json.loads(json.dumps(output.status()))
    assert facts["up"] is False
    assert facts["why"]
    bench.find()
    output.close()


def test_messages_arrive_in_order_and_the_last_before_it_closes(bench: Bench) -> None:
    output = bench.make()
    output.open(bench.turning.loop)
    bench.appear()
    bench.turning.until(lambda: output.up, "the port")
    bench.listen()
    sent = phrase()
    for at in range(0, len(sent), 6):
        output.send(sent[at : at + 6])
        bench.turning.turn(0.001)
    output.close()
    bench.turning.until(lambda: sent[-1] in bench.heard(), "the last message")
    assert bench.heard() == sent


def test_no_note_off_is_lost_under_a_flood(bench: Bench) -> None:
    output = bench.make()
    output.open(bench.turning.loop)
    bench.appear()
    bench.turning.until(lambda: output.up, "the port")
    bench.listen()
    for note in range(40):
        # 1 400 messages a second: more than a cable carries, less than JACK's own dump can print.
        flood = [m.poly_pressure(1, other, note) for other in range(6)]
        output.send([*flood, m.note_on(1, note, 100), *flood, m.note_off(1, note, note)])
        bench.turning.turn(0.01)
    output.close()
    last = m.note_off(1, 39, 39)
    bench.turning.until(lambda: last in bench.heard(), "the last note-off")
    for kind in (m.NOTE_ON, m.NOTE_OFF):
        found = [message[1] for message in bench.heard() if message[0] & 0xF0 == kind]
        assert found == list(range(40))


def test_it_is_lost_and_found_and_says_so_once(bench: Bench) -> None:
    output = bench.make()
    events: list[str] = []
    output.on_up = lambda: events.append("up")
    output.on_down = lambda why: events.append(f"down: {why}")
    output.open(bench.turning.loop)
    was_up = output.up
    bench.appear()
    bench.turning.until(lambda: output.up, "the port")
    # Only an output that needed longer than `open` has anything to tell.
    assert events == ([] if was_up else ["up"])
    events.clear()
    bench.lose()
    bench.turning.until(lambda: not _still_up(output), "the loss")
    assert len(events) == 1
    assert events[0].startswith("down: ")
    assert len(events[0]) > len("down: ")
    dropped = output.status()["dropped"]
    output.send(phrase())
    assert output.status()["dropped"] == dropped + len(phrase())  # type: ignore[operator]
    bench.find()
    bench.turning.until(lambda: output.up, "the return")
    assert events[1:] == ["up"]
    bench.listen()
    sent = phrase(50)
    output.send(sent)
    bench.turning.until(lambda: sent[-1] in bench.heard(), "what was sent after the return")
    assert bench.heard()[-len(sent) :] == sent
    output.close()


def test_what_is_not_there_at_first_is_found_later(bench: Bench) -> None:
    output = bench.make()
    if bench.kind == "memory":
        output.open(bench.turning.loop)
        bench.lose()
    else:
        bench.lose()
        output.open(bench.turning.loop)
    if bench.kind != "file":  # its disk fails only later
        assert not output.up
        assert output.status()["why"]
    events: list[str] = []
    output.on_up = lambda: events.append("up")
    bench.find()
    bench.turning.until(lambda: output.up, "the port")
    assert events == ([] if bench.kind == "file" and not events else ["up"])
    output.close()


@pytest.mark.parametrize("fault", ["lost", "held up", "flapping"])
def test_it_fails_alone(bench: Bench, fault: str, tmp_path: Path) -> None:
    loop = bench.turning.loop
    memory = MemoryPort("memory")
    with DinPeer(tmp_path / "other") as peer:
        cable = make_output("cable", "serial", str(peer.path))
        victim = bench.make()
        for output in (memory, cable, victim):
            output.open(loop)
        bench.appear()
        bench.turning.until(lambda: victim.up, "the port")
        longest_s, sent = 0.0, []
        for n in range(120):
            if n == 20:
                (bench.hold_up if fault == "held up" else bench.lose)()
            elif fault == "flapping" and n in (40, 60, 80):
                (bench.lose if n == 60 else bench.find)()
            messages = [m.note_on(1, n, 1 + n), m.note_off(1, n)]
            sent += messages
            started_s = loop.now_s()
            victim.send(messages * 20)
            memory.send(messages)
            cable.send(messages)
            bench.turning.turn(0.01)
            longest_s = max(longest_s, loop.now_s() - started_s)
        assert longest_s < HELD_UP_S
        assert memory.messages == sent
        bench.turning.until(lambda: peer.messages() == sent, "the other output's messages")
        assert memory.up
        assert cable.up
        if fault == "lost":
            bench.find()
        elif fault == "held up":
            bench.let_go()
        bench.turning.until(lambda: victim.up, "the return")
        for output in (memory, cable, victim):
            output.close()


def _still_up(output: Output) -> bool:
    """A disk is only found full when something is to be written."""
    if output.up:
        output.send([m.control_change(16, 119, 0)])
    return output.up
