"""A take through a mapping again."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from matbridge.board.take import RecordedBoard, TakeHeader
from matbridge.board.take_reader import Take
from matbridge.board.take_writer import TakeWriter
from matbridge.errors import CalibrationError, DocumentError, TakeError
from matbridge.mapping.load import show_from
from matbridge.mapping.plan import Act, ActionPart, Show
from matbridge.mapping.wiring import wiring
from matbridge.playing.player import Player
from matbridge.sensing.calibration import Calibration, ZoneCalibration
from matbridge.service.boards import make_decoder, make_detector
from matbridge.service.pipeline import Pipeline, Sent
from matbridge.service.recorder import calibration_file
from matbridge.service.replaying import Replay, calibration_of, make_decoders, mat_of, show_of
from matbridge.service.take_report import report
from tests.support.loop import ManualLoop
from tests.support.takes import (
    parts,
    show_texts,
    simulated_chunks,
    simulated_take,
    wait_for_disk,
    write_take,
)

SECONDS = 20.0
FORMATS = ("text", "packed")


def show_in(wire_format: str) -> Show:
    performance, mat = show_texts(wire_format)
    return show_from(performance.encode(), mat.encode(), ("performance", "mat"))


@pytest.fixture(scope="module")
def takes(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Take]:
    folder = tmp_path_factory.mktemp("takes")
    return {each: Take(simulated_take(folder / f"{each}.take", each)) for each in FORMATS}


def messages(steps: Iterable[tuple[float, Sent]]) -> list[tuple[float, int, bytes]]:
    return [(time_s, output, each) for time_s, sent in steps for output, each in sent]


def balance(sent: Iterable[tuple[float, int, bytes]]) -> Counter[tuple[int, int, int]]:
    """Keys that sound at the end; a key that is struck or ended twice in a row is wrong."""
    open_keys: Counter[tuple[int, int, int]] = Counter()
    for _, output, message in sent:
        kind, channel = message[0] & 0xF0, message[0] & 0x0F
        if kind == 0x90:
            open_keys[output, channel, message[1]] += 1
        elif kind == 0x80:
            open_keys[output, channel, message[1]] -= 1
        assert all(count in (0, 1) for count in open_keys.values())
    return +open_keys


def play_live(wire_format: str, acts: dict[float, ActionPart]) -> list[tuple[float, int, bytes]]:
    """The same bytes at the same seconds through a pipeline as the running bridge has it."""
    show = show_in(wire_format)
    (board,) = show.mat.boards
    pipeline = Pipeline(
        [make_decoder(board, show.mat)],
        [make_detector(board, show.mat, None)],
        Player(show.performance),
    )
    sent = [(0.0, *each) for each in pipeline.start(0.0, None)]
    waiting = dict(acts)
    for time_s, data in simulated_chunks(wire_format, SECONDS):
        for act_s in [each for each in waiting if each <= time_s]:
            sent += [(act_s, *each) for each in pipeline.act(waiting.pop(act_s), act_s)]
        sent += [(time_s, *each) for each in pipeline.feed(0, data, time_s)]
    return sent + [(SECONDS, *each) for each in pipeline.finish(SECONDS)]


@pytest.mark.parametrize("wire_format", FORMATS)
def test_a_replay_sends_what_was_sent(takes: dict[str, Take], wire_format: str) -> None:
    live = play_live(wire_format, {})
    again = messages(Replay(takes[wire_format], show_in(wire_format), None).steps())
    assert sum(message[0] & 0xF0 == 0x90 for _, _, message in live) > 15
    # What is due between two chunks goes out at its own second in a replay, with the chunk live.
    assert [each[1:] for each in again] == [each[1:] for each in live]
    assert max(abs(one[0] - other[0]) for one, other in zip(again, live, strict=True)) < 0.01


def test_what_was_asked_from_outside_is_asked_again(tmp_path: Path) -> None:
    path = simulated_take(
        tmp_path / "a.take",
        events=[
            (0.0, "preset", {"name": "low tide"}),
            (4.0, "act", {"act": "preset", "argument": 7, "preset": "lamp lighters"}),
            (8.0, "act", {"act": "transpose to", "argument": 5, "preset": ""}),
            (9.0, "act", {"act": "take", "argument": 0, "preset": ""}),
            (10.0, "act", {"act": "preset", "argument": 0, "preset": "a preset no more"}),
        ],
    )
    live = play_live(
        "text",
        {4.0: ActionPart(Act.PRESET, 1), 8.0: ActionPart(Act.TRANSPOSE_TO, 5)},
    )
    again = messages(Replay(Take(path), show_in("text"), None).steps())
    assert [each[1:] for each in again] == [each[1:] for each in live]
    assert not balance(again)


def test_the_preset_that_played_at_the_start_plays_again_unless_told(tmp_path: Path) -> None:
    path = simulated_take(
        tmp_path / "a.take", seconds=2.0, events=[(0.0, "preset", {"name": "squall"})]
    )
    for asked, expected in ((None, 2), (1, 1)):
        replay = Replay(Take(path), show_in("text"), None)
        next(replay.steps(asked))
        assert replay.pipeline.preset == expected


def test_the_same_take_gives_the_same_messages_again_and_again(takes: dict[str, Take]) -> None:
    for wire_format, take in takes.items():
        show = show_in(wire_format)
        first, second = (messages(Replay(take, show, None).steps()) for _ in range(2))
        assert first == second
        assert not balance(first)
        assert [each[0] for each in first] == sorted(each[0] for each in first)


def test_another_mapping_plays_other_notes_from_the_same_touches(takes: dict[str, Take]) -> None:
    performance, mat = show_texts("text")
    other = performance.replace("root: D3", "root: D4")
    show = show_from(other.encode(), mat.encode(), ("p", "m"))
    recorded = messages(Replay(takes["text"], show_in("text"), None).steps())
    moved = messages(Replay(takes["text"], show, None).steps())
    assert len(moved) == len(recorded)
    assert moved != recorded


@pytest.mark.parametrize("name", ["lost", "silent"])
def test_a_board_that_went_lets_go_what_it_held(tmp_path: Path, name: str) -> None:
    whole = messages(
        Replay(Take(simulated_take(tmp_path / "a.take")), show_in("text"), None).steps()
    )
    ons = [time_s for time_s, _, each in whole if each[0] & 0xF0 == 0x90 and each[1] != 38]
    gone_s = round(ons[3] + 0.01, 6)  # a hundredth after a note began
    path = simulated_take(
        tmp_path / "b.take",
        events=[(gone_s, name, {"board": 0}), (gone_s + 0.001, "found", {"board": 0})],
    )
    sent = messages(Replay(Take(path), show_in("text"), None).steps())
    assert not balance(sent)
    # Whatever was touched has ended by then, but for the drone that a foot need not hold.
    held = balance([each for each in sent if each[0] <= gone_s])
    assert all(key == 38 for _, _, key in held)
    assert balance([each for each in whole if each[0] <= gone_s]) != held


def test_a_damaged_part_leaves_no_note_behind(tmp_path: Path) -> None:
    path = simulated_take(tmp_path / "a.take")
    data = bytearray(path.read_bytes())
    for place in (0.3, 0.5, 0.7):
        data[int(len(data) * place)] ^= 0x55
    path.write_bytes(data)
    take = Take(path)
    sent = messages(Replay(take, show_in("text"), None).steps())
    assert "3 places" in take.damage
    assert not balance(sent)
    assert len(sent) > 10


PIER = """
mat: pier
board: {port: simulated, format: text}
sensor: {type: level, bits: 10}
zones: [{name: a, at: [0, 0]}, {name: b, at: [90, 0]}]
"""
TOLL = """
performance: toll
mat: pier.mat.yaml
outputs: {out: {virtual: out}}
input: {port: "*", programs: {5: late}}
presets:
  early:
    output: out
    channel: 1
    zones: {a: {note: 60}, b: {note: 64, hold: {seconds: 0.5}}}
  late:
    output: out
    channel: 2
    zones: {a: {note: 72}, b: {note: 76}}
"""
PIER_BOARD = RecordedBoard("simulated", 921_600, "text", 2, 10)


def pier(path: Path, lines: Iterable[tuple[float, bytes]], *events: tuple[float, str]) -> Replay:
    """A take of the pier. lines: second and bytes. events: second and name, of board 0."""
    header = TakeHeader("", (PIER_BOARD,), (("performance", "p", TOLL), ("mat", "m", PIER)))
    happenings: list[tuple[float, bytes | str]] = [*lines, *events]
    happenings.sort(key=lambda each: each[0])
    loop = ManualLoop(0.0)
    writer = TakeWriter(path, header, loop)
    for time_s, what in happenings:
        loop.advance(time_s - loop.now_s())
        wait_for_disk(writer)
        if isinstance(what, bytes):
            writer.data(0, what, loop.now_s())
        elif what == "midi":
            writer.event("midi", loop.now_s(), message="c004")
        else:
            writer.event(what, loop.now_s(), board=0, act="take")
    writer.close("stopped")
    take = Take(path)
    return Replay(take, show_of(take), None)


def readings(start_s: float, end_s: float, a: int = 20, b: int = 20) -> list[tuple[float, bytes]]:
    """The pier read every 2 ms."""
    count = round((end_s - start_s) * 500)
    return [(start_s + number / 500, b"%d,%d\n" % (a, b)) for number in range(count)]


def on_and_off(sent: list[tuple[float, int, bytes]]) -> list[tuple[float, str, int]]:
    names = {0x90: "on", 0x80: "off"}
    return [
        (round(time_s, 2), names[each[0] & 0xF0], each[1])
        for time_s, _, each in sent
        if each[0] & 0xF0 in names
    ]


def test_what_is_due_while_nothing_comes_is_played_when_it_is_due(tmp_path: Path) -> None:
    replay = pier(
        tmp_path / "a.take",
        [(0.0, b"\n"), *readings(0, 1), *readings(1, 1.1, b=900), *readings(5, 6)],
    )
    (on_s, *on), (off_s, *off) = on_and_off(messages(replay.steps()))
    assert (on, off) == (["on", 64], ["off", 64])
    assert on_s == pytest.approx(1.01, abs=0.02)
    assert off_s == pytest.approx(on_s + 0.5, abs=0.011)


# A hand on zone a from the first second to the fourth, and again from 4.5 to 5.
HELD = [
    (0.0, b"\n"), *readings(0, 1), *readings(1, 4, a=900), *readings(4, 4.5),
    *readings(4.5, 5, a=900), *readings(5, 6),
]  # fmt: skip


@pytest.mark.parametrize("name", ["lost", "silent"])
def test_what_was_held_when_a_board_went_ends_then(tmp_path: Path, name: str) -> None:
    whole = on_and_off(messages(pier(tmp_path / "a.take", HELD).steps()))
    assert [kind for _, kind, _ in whole] == ["on", "off", "on", "off"]
    assert whole[1][0] > 4.0
    replay = pier(tmp_path / "b.take", HELD, (2.5005, name))
    sent = on_and_off(messages(replay.steps()))
    assert sent == [whole[0], (2.5, "off", 60), *whole[2:]]
    found = report(replay.take, mat_of(replay.take), None)
    assert [zone.touches for zone in found.zones] == [2, 0]


def test_what_was_held_when_a_part_is_missing_ends_then(tmp_path: Path) -> None:
    replay = pier(tmp_path / "a.take", HELD)
    data = bytearray(replay.take.path.read_bytes())
    third = sum(map(len, parts(bytes(data))[:3]))
    data[third + 40] ^= 1
    replay.take.path.write_bytes(data)
    sent = on_and_off(messages(replay.steps()))
    assert replay.take.damage.startswith("a part is damaged after 2.0 s")
    assert [kind for _, kind, _ in sent] == ["on", "off", "on", "off"]
    assert sent[1][0] == pytest.approx(2.0, abs=0.01)


def test_a_link_that_was_opened_anew_begins_with_a_whole_line(tmp_path: Path) -> None:
    cut: list[tuple[float, bytes]] = [(0.0, b"\n20,20\n20,2"), (0.1, b"0,20\n"), (0.2, b"20,20\n")]
    replay = pier(tmp_path / "a.take", cut)
    list(replay.steps())
    assert (
        replay.pipeline.decoders[0].counts.scans,
        replay.pipeline.decoders[0].counts.damaged,
    ) == (2, 1)
    replay = pier(tmp_path / "b.take", cut, (0.05, "found"))
    list(replay.steps())
    assert (
        replay.pipeline.decoders[0].counts.scans,
        replay.pipeline.decoders[0].counts.damaged,
    ) == (2, 0)


def test_midi_that_came_in_comes_in_again_and_no_take_is_asked_for(tmp_path: Path) -> None:
    lines = [(0.0, b"\n"), *readings(0, 1), *readings(1, 2, a=900), *readings(2, 3)]
    replay = pier(tmp_path / "a.take", lines, (0.5005, "midi"), (0.6005, "act"))
    assert [note for _, _, note in on_and_off(messages(replay.steps()))] == [72, 72]
    assert replay.pipeline.player.requests == []


FACTS = st.dictionaries(
    st.sampled_from(["board", "reason", "act", "argument", "preset", "message", "name"]),
    st.one_of(
        st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=5),
        st.lists(st.integers(), max_size=2), st.dictionaries(st.text(max_size=2), st.none()),
        st.sampled_from([*(each.value for each in Act), "c005", "904040", "f8", "05", "9"]),
    ),
)  # fmt: skip


@given(
    st.lists(
        st.tuples(
            st.integers(0, 1999),
            st.sampled_from(["found", "lost", "silent", "act", "midi", "preset", "fault", "tide"]),
            FACTS,
        ),
        max_size=12,
    )
)
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=25)
def test_whatever_events_a_take_claims_every_note_ends(
    tmp_path: Path, events: list[tuple[int, str, dict[str, object]]]
) -> None:
    path = tmp_path / "any.take"
    path.unlink(missing_ok=True)
    timed = [(at_ms / 1000, name, facts) for at_ms, name, facts in events]
    simulated_take(path, seconds=2.0, events=timed)
    performance, mat = show_texts("text")
    performance += 'input: {port: "*", programs: {5: squall}, clock: true}\n'
    show = show_from(performance.encode(), mat.encode(), ("p", "m"))
    assert not balance(messages(Replay(Take(path), show, None).steps()))


def test_left_early_every_note_ends(takes: dict[str, Take]) -> None:
    replay = Replay(takes["text"], show_in("text"), None)
    sent: list[tuple[float, int, bytes]] = []
    for time_s, each in replay.steps():
        sent += messages([(time_s, each)])
        if time_s > 5 and balance(sent):
            break
    sent += messages([(time_s, replay.finish(time_s))])
    assert not balance(sent)


def test_the_files_of_a_take_are_those_that_were_played(takes: dict[str, Take]) -> None:
    take = takes["packed"]
    assert show_of(take).performance == show_in("packed").performance
    assert mat_of(take) == show_in("packed").mat
    assert calibration_of(take, mat_of(take)) is None


def test_a_take_without_a_performance_asks_for_one(tmp_path: Path) -> None:
    take = Take(write_take(tmp_path / "a.take", [], TakeHeader("", (BOARD,))))
    with pytest.raises(TakeError, match="--performance FILE"):
        show_of(take)
    with pytest.raises(TakeError, match="holds no mat file"):
        mat_of(take)


def test_a_file_in_a_take_that_is_wrong_is_named_with_its_take(tmp_path: Path) -> None:
    header = TakeHeader("", (BOARD,), (("performance", "p.yaml", "a: ["), ("mat", "m.yaml", "")))
    take = Take(write_take(tmp_path / "a.take", [], header))
    with pytest.raises(DocumentError) as caught:
        show_of(take)
    assert f"{take.path}: p.yaml:2:1" in str(caught.value)


def calibrated(show: Show, zones: int = 14) -> Calibration:
    wires = wiring(show.mat).zones[:zones]
    return Calibration(
        show.mat.name,
        show.mat.sensor,
        "2031-06-01T19:00:00+02:00",
        tuple(ZoneCalibration(wire.name, 3.0, 0.5, 300.0, 800.0, wire.board, wire.channel)
              for wire in wires),
    )  # fmt: skip


def test_the_calibration_of_a_take_is_used_where_it_fits(tmp_path: Path) -> None:
    show = show_in("text")
    whole, short = (
        TakeHeader("", (BOARD,), (calibration_file(calibrated(show, zones)),)) for zones in (14, 13)
    )
    take = Take(write_take(tmp_path / "a.take", [], whole))
    assert calibration_of(take, show.mat) == calibrated(show)
    take = Take(write_take(tmp_path / "b.take", [], short))
    with pytest.raises(CalibrationError, match=r"b\.take"):
        calibration_of(take, show.mat)


BOARD = RecordedBoard("simulated", 921_600, "text", 14, 10)


@pytest.mark.parametrize(
    ("boards", "words"),
    [
        ((BOARD, BOARD), "of 2 boards, mat 'stepping stones' has 1"),
        ((RecordedBoard("p", 0, "text", 13, 10),), "13 readings in a scan"),
        ((RecordedBoard("p", 0, "text", 14, 12),), "12 bits in a reading"),
        ((RecordedBoard("p", 0, "morse", 14, 10),), "'morse', which this matbridge does not read"),
    ],
)
def test_a_take_of_another_mat_is_refused(boards: tuple[RecordedBoard, ...], words: str) -> None:
    with pytest.raises(TakeError, match=words):
        make_decoders(TakeHeader("", boards), show_in("text").mat)


def test_the_wire_format_is_that_of_the_take(takes: dict[str, Take]) -> None:
    """The mat file may have been changed since; the bytes are what they are."""
    sent = messages(Replay(takes["packed"], show_in("text"), None).steps())
    assert sent == messages(Replay(takes["packed"], show_in("packed"), None).steps())
