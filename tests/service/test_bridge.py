"""The bridge as a whole: what becomes of notes when things around it fail."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from matbridge.board.link import BoardLink
from matbridge.board.take import TICKS_PER_S
from matbridge.errors import OutputUnavailable
from matbridge.loop import Loop
from matbridge.mapping.plan import Act, BoardPlan, MatPlan, Show
from matbridge.midi.memory_port import MemoryPort
from matbridge.midi.messages import note_off, note_on
from matbridge.playing.player import Player
from matbridge.playing.repertoire import Repertoire
from matbridge.service import boards, outlets
from matbridge.service import bridge as bridge_module
from matbridge.service.boards import LOOK_S, SILENCE_S
from matbridge.service.bridge import Bridge
from matbridge.service.inlet import Inlet
from matbridge.service.outlets import KEEP_S, Outlets
from matbridge.service.owed import OwedNotes, read
from matbridge.service.pipeline import Pipeline, Sent
from matbridge.service.recorder import Recorder
from tests.service.stage import (
    PLAIN,
    REST,
    ZONES,
    FakeLink,
    Stage,
    loaded,
    notes,
    pairs,
    write_show,
)
from tests.support.calibrations import calibration
from tests.support.jack import wait_until


@pytest.fixture
def stage(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Stage:
    return Stage(tmp_path, monkeypatch)


@pytest.fixture
def bridge(stage: Stage) -> Iterator[Bridge]:
    made = stage.start(loaded(write_show(stage.folder)))
    stage.link.plug()
    stage.scan(1.0)
    yield made
    made.close()
    made.close()
    assert stage.loop.pending == 0
    _, sounding = pairs(stage.ports["quay"].messages)
    assert not sounding


def test_a_press_is_a_note_on_and_a_lift_its_note_off(stage: Stage, bridge: Bridge) -> None:
    port = stage.ports["quay"]
    stage.press(2)
    assert pairs(port.messages) == ([(0, 62)], {(0, 62)})
    stage.lift(2)
    assert pairs(port.messages) == ([(0, 62)], set())
    assert len(bridge.latencies_s) == 2


@pytest.mark.usefixtures("bridge")
def test_it_plays_at_the_times_that_a_take_can_keep(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    played_s: list[float] = []
    feed = Pipeline.feed

    def heard(pipeline: Pipeline, board: int, data: bytes, now_s: float) -> Sent:
        played_s.append(now_s)
        return feed(pipeline, board, data, now_s)

    monkeypatch.setattr(Pipeline, "feed", heard)
    stage.loop.advance(0.0123456789)
    stage.press(2)
    assert played_s
    assert [round(time_s * TICKS_PER_S) / TICKS_PER_S for time_s in played_s] == played_s


def test_at_the_end_every_note_is_lifted_before_the_port_closes(
    stage: Stage, bridge: Bridge
) -> None:
    stage.press(0)
    stage.press(3)
    bridge.close()
    assert pairs(stage.ports["quay"].messages) == ([(0, 60), (0, 63)], set())
    assert not stage.ports["quay"].up
    assert stage.link.opened == 0


def test_a_board_that_cannot_be_let_go_leaves_no_note_sounding(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    bridge = stage.start(loaded(write_show(stage.folder)))
    stage.link.plug()
    stage.scan(1.0)
    stage.press(0)

    def fail() -> None:
        raise RuntimeError("a mistake of ours")

    monkeypatch.setattr(stage.link, "close", fail)
    with pytest.raises(RuntimeError):
        bridge.close()
    assert pairs(stage.ports["quay"].messages) == ([(0, 60)], set())
    assert not stage.ports["quay"].up


def test_an_unplugged_board_lifts_at_once_and_plays_again_when_it_is_back(
    stage: Stage, bridge: Bridge
) -> None:
    port = stage.ports["quay"]
    stage.press(1)
    stage.link.unplug()
    assert pairs(port.messages) == ([(0, 61)], set())
    assert bridge.boards[0].trouble() == "not there"
    stage.scan(1.0, z1=REST)
    stage.link.plug()
    stage.scan(1.0)
    stage.press(1)
    assert pairs(port.messages)[0] == [(0, 61), (0, 61)]
    assert [line for line in stage.logged() if "board" in line] == [
        "<6>board plays: port=/dev/mat channels=6\n",
        '<4>board lost: port=/dev/mat reason="not there"\n',
        "<6>board back: port=/dev/mat\n",
    ]


def test_a_silent_board_lifts_in_time_and_plays_again(stage: Stage, bridge: Bridge) -> None:
    port = stage.ports["quay"]
    stage.press(1)
    silent_s = stage.loop.now_s()
    stage.loop.advance(1.0)
    lifted_s = port.sent[-1][0]
    assert pairs(port.messages) == ([(0, 61)], set())
    assert SILENCE_S < lifted_s - silent_s < SILENCE_S + 2 * LOOK_S <= 0.3
    stage.scan(1.0, z1=REST)
    stage.press(1)
    assert pairs(port.messages)[0] == [(0, 61), (0, 61)]


def test_babble_is_silence_and_never_a_note(stage: Stage, bridge: Bridge) -> None:
    port = stage.ports["quay"]
    stage.press(1)
    for _ in range(500):
        stage.loop.advance(0.002)
        stage.link.on_data(b"800,800,x,800;;\n\xff\xfe9999\n", stage.loop.now_s())
    assert pairs(port.messages) == ([(0, 61)], set())
    assert "no scan" in bridge.boards[0].trouble()


def test_scans_of_another_shape_are_told_apart_from_noise(stage: Stage, bridge: Bridge) -> None:
    for _ in range(300):
        stage.loop.advance(0.002)
        stage.link.on_data(b"1,2,3,4,5,6,7,8\n", stage.loop.now_s())
    assert "8 readings" in bridge.boards[0].trouble()
    assert "the mat file says 6" in bridge.boards[0].trouble()


def test_a_rebooting_boards_banner_and_a_cut_line_are_no_notes(
    stage: Stage, bridge: Bridge
) -> None:
    stage.link.on_data(b"20,20,9", stage.loop.now_s())
    stage.link.unplug()
    stage.link.plug()
    stage.link.on_data(b"00,20,20,20\nets Jun  8 2016 boot:0x13\r\n", stage.loop.now_s())
    stage.scan(1.0)
    assert pairs(stage.ports["quay"].messages)[0] == []


def test_a_lost_output_is_owed_its_note_offs_and_gets_them_first(
    stage: Stage, bridge: Bridge
) -> None:
    port = stage.ports["quay"]
    stage.press(4)
    before = len(port.sent)
    port.lose("the cable")
    stage.lift(4)
    stage.press(5)
    stage.lift(5)
    assert len(port.sent) == before
    port.find()
    assert port.messages[before][0] == 0x80
    assert pairs(port.messages) == ([(0, 64)], set())
    stage.press(5)
    assert pairs(port.messages)[0] == [(0, 64), (0, 65)]


def test_a_receiver_that_joins_others_is_told_the_state_and_ends_nothing(stage: Stage) -> None:
    text = PLAIN.replace("channel: 2\n", "channel: 2\n    enter: {program: marimba}\n")
    made = stage.start(loaded(write_show(stage.folder, text)), preset=1)
    stage.link.plug()
    stage.scan(1.0)
    port = stage.ports["quay"]
    stage.press(2)
    before = list(port.messages)
    assert port.on_join is not None
    assert port.on_join() == [bytes.fromhex("c1 0c")]  # program 13, as the standard counts, less 1
    assert port.messages == before
    stage.lift(2)
    assert pairs(port.messages) == ([(1, 74)], set())
    made.close()


def test_an_output_that_raises_stops_nobody_else(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    show = write_show(
        stage.folder,
        f"""\
outputs:
  bad: {{virtual: bad}}
  good: {{virtual: good}}
presets:
  both:
    channel: 1
    zones:
      z0: {{layers: [{{note: 60, output: bad}}, {{note: 60, output: good}}]}}
{notes(60, more=", output: good").partition(chr(10))[2]}
""",
    )
    bridge = stage.start(loaded(show))

    def fail(messages: object) -> None:
        raise OSError(5, "no")

    monkeypatch.setattr(stage.ports["bad"], "send", fail)
    stage.link.plug()
    stage.scan(1.0)
    stage.press(0)
    stage.lift(0)
    bridge.close()
    assert pairs(stage.ports["good"].messages) == ([(0, 60)], set())
    assert sum("output failed" in line for line in stage.logged()) == 1


def test_an_output_that_can_never_come_is_an_error_and_nothing_is_left_open(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    show = write_show(stage.folder, "outputs:\n  a: {virtual: a}\n  b: {virtual: b}\n"
                      f"presets:\n  x:\n    output: a\n    zones:\n{notes(60)}")  # fmt: skip
    make = stage.make_output

    def fussy(name: str, kind: str, target: str, options: object) -> object:
        port = make(name, kind, target, options)
        if name == "b":

            def refuse(loop: object, wait_s: float = 0.0) -> None:
                raise OutputUnavailable("there is no driver")

            monkeypatch.setattr(port, "open", refuse)
        return port

    monkeypatch.setattr(outlets, "make_output", fussy)
    with pytest.raises(OutputUnavailable, match="no driver"):
        stage.start(loaded(show))
    assert not stage.ports["a"].up
    assert stage.loop.pending == 0


def test_an_output_that_is_down_at_the_start_plays_once_it_is_there(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    make = stage.make_output

    def down(name: str, kind: str, target: str, options: object) -> object:
        port = make(name, kind, target, options)
        monkeypatch.setattr(port, "_why", "not plugged in")
        return port

    monkeypatch.setattr(outlets, "make_output", down)
    bridge = stage.start(loaded(write_show(stage.folder)))
    stage.link.plug()
    stage.scan(1.0)
    stage.press(0)
    stage.lift(0)
    port = stage.ports["quay"]
    assert port.messages == []
    port.find()
    stage.press(0)
    bridge.close()
    assert pairs(port.messages) == ([(0, 60)], set())
    assert any("not plugged in" in line for line in stage.logged())


def test_a_kill_leaves_notes_sounding_and_the_next_start_ends_them_first(stage: Stage) -> None:
    show = write_show(stage.folder)
    stage.start(loaded(show))
    stage.link.plug()
    stage.scan(1.0)
    stage.press(0)
    stage.press(5)
    stage.press(2)
    stage.lift(2)
    port = stage.ports["quay"]
    before = len(port.sent)
    assert pairs(port.messages)[1] == {(0, 60), (0, 65)}
    stage.kill()
    second = stage.start(loaded(show))
    offs = stage.ports["quay"].messages[before : before + 2]
    assert {(off[0], off[1]) for off in offs} == {(0x80, 60), (0x80, 65)}
    second.close()
    assert pairs(stage.ports["quay"].messages)[1] == set()
    count = len(stage.ports["quay"].sent)
    third = stage.start(loaded(show))
    third.close()
    assert not [m for m in stage.ports["quay"].messages[count:] if m[0] & 0xF0 in (0x80, 0x90)]


def test_presets_by_command_and_by_the_mat_are_told(stage: Stage, bridge: Bridge) -> None:
    seen: list[str] = []
    bridge.on_preset = seen.append
    stage.press(0)
    bridge.act(Act.NEXT_PRESET)
    stage.lift(0)
    stage.press(0)
    assert bridge.preset == "flood"
    assert seen == ["flood"]
    assert [text for _, text in stage.ports["quay"].marks] == ["ebb", "flood"]
    assert pairs(stage.ports["quay"].messages)[0] == [(0, 60), (1, 72)]


def test_a_reload_plays_the_new_mapping_in_the_same_preset(stage: Stage, bridge: Bridge) -> None:
    bridge.act(Act.NEXT_PRESET)
    show = write_show(stage.folder)
    show.write_text(show.read_text().replace("note: 72", "note: 80"))
    stage.press(1)
    links = dict(stage.links)
    bridge.swap(loaded(show).show, None)
    assert bridge.preset == "flood"
    assert stage.links == links  # the board's link was left alone
    stage.lift(1)
    stage.press(0)
    assert pairs(stage.ports["quay"].messages)[0] == [(1, 73), (1, 80)]


def test_a_reload_with_other_outputs_ends_what_sounds_on_the_old(
    stage: Stage, bridge: Bridge
) -> None:
    stage.press(0)
    show = write_show(stage.folder)
    show.write_text(show.read_text().replace("virtual: quay", "virtual: pier"))
    bridge.swap(loaded(show).show, None)
    assert pairs(stage.ports["quay"].messages) == ([(0, 60)], set())
    assert not stage.ports["quay"].up
    stage.lift(0)
    stage.press(0)
    assert pairs(stage.ports["pier"].messages) == ([(0, 60)], {(0, 60)})
    bridge.close()
    assert pairs(stage.ports["pier"].messages) == ([(0, 60)], set())


def edited(stage: Stage, *changes: tuple[str, str]) -> Show:
    """The show with other words in its performance file."""
    file = write_show(stage.folder)
    text = file.read_text()
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    file.write_text(text)
    return loaded(file).show


RENAMED = (("  synth:", "  rack:"), ("output: synth", "output: rack"))
OTHER_DRIVER = ("{virtual: quay}", "{virtual: quay, driver: alsa}")


def test_a_renamed_output_stays_open_under_its_new_name(stage: Stage, bridge: Bridge) -> None:
    port = stage.ports["quay"]
    stage.press(0)
    bridge.swap(edited(stage, *RENAMED), None)
    assert bridge.outlets.outputs == [port]
    assert port.up
    assert [facts["name"] for facts in bridge.outlets.status()] == ["rack"]
    stage.lift(0)
    stage.press(1)
    assert pairs(port.messages) == ([(0, 60), (0, 61)], {(0, 61)})
    port.lose("the cable")
    port.find()
    assert [line for line in stage.logged() if "output" in line] == [
        "<6>output open: output=synth\n",
        "<6>output renamed: output=rack before=synth\n",
        '<4>output lost: output=rack reason="the cable"\n',
        "<6>output back: output=rack\n",
    ]


def test_an_output_that_is_renamed_while_it_is_gone_is_still_owed(
    stage: Stage, bridge: Bridge
) -> None:
    port = stage.ports["quay"]
    stage.press(0)
    port.lose("the cable")
    bridge.swap(edited(stage, *RENAMED), None)
    stage.lift(0)
    port.find()
    assert pairs(port.messages) == ([(0, 60)], set())
    assert stage.logged()[-1] == "<6>output back: output=rack\n"


def test_outputs_that_change_names_stay_open(stage: Stage) -> None:
    two = PLAIN.replace(
        "  synth: {virtual: quay}", "  synth: {virtual: quay}\n  desk: {virtual: d}"
    )
    bridge = stage.start(loaded(write_show(stage.folder, two)))
    quay, desk = bridge.outlets.outputs
    other = two.replace("synth: {virtual: quay}", "desk: {virtual: quay}")
    other = other.replace("desk: {virtual: d}", "synth: {virtual: d}")
    bridge.swap(loaded(write_show(stage.folder, other)).show, None)
    assert bridge.outlets.outputs == [quay, desk]
    assert (quay.name, desk.name) == ("desk", "synth")
    bridge.close()


class Door:
    """What happened to the ports of target `quay`, in order; only one at a time can have it.

    refuses: an option is one that can never be.
    """

    def __init__(self, stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
        self.seen: list[str] = []
        self.refuses = False
        self._holder: MemoryPort | None = None
        self._make = stage.make_output
        self._patch = monkeypatch
        monkeypatch.setattr(outlets, "make_output", self.make)

    def make(self, name: str, kind: str, target: str, options: dict[str, object]) -> MemoryPort:
        port = self._make(name, kind, target, options)
        if target != "quay":
            return port
        title = str(options.get("driver", "any"))
        opened, closed, sent = port.open, port.close, port.send

        def open_it(loop: Loop, wait_s: float = 0.0) -> None:
            assert self._holder is None, "in use by ourselves"
            if self.refuses and title != "any":
                raise OutputUnavailable("not at this rate")
            opened(loop, wait_s)
            self._holder = port
            self.seen.append(f"{title} opened")

        def close_it() -> None:
            if self._holder is port:
                self._holder = None
                self.seen.append(f"{title} closed")
            closed()

        def send_it(messages: list[bytes]) -> None:
            self.seen += [f"{title} off" for message in messages if message[0] & 0xF0 == 0x80]
            sent(messages)

        for method, instead in (("open", open_it), ("close", close_it), ("send", send_it)):
            self._patch.setattr(port, method, instead)
        return port


@pytest.mark.parametrize("name", ["synth", "rack"])
def test_other_options_of_an_output_end_its_notes_then_close_then_open(
    stage: Stage, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    door = Door(stage, monkeypatch)
    bridge = stage.start(loaded(write_show(stage.folder)))
    stage.link.plug()
    stage.scan(1.0)
    stage.press(0)
    changes = RENAMED if name == "rack" else ()
    bridge.swap(edited(stage, OTHER_DRIVER, *changes), None)
    assert door.seen == ["any opened", "any off", "any closed", "alsa opened"]
    assert bridge.outlets.outputs[0].up
    assert bridge.outlets.outputs[0].name == name
    stage.lift(0)
    stage.press(1)
    bridge.close()
    assert pairs(stage.ports["quay"].messages) == ([(0, 60), (0, 61)], set())


def test_a_lost_output_with_other_options_is_still_owed(stage: Stage, bridge: Bridge) -> None:
    stage.press(0)
    stage.pull("quay")
    bridge.swap(edited(stage, OTHER_DRIVER), None)
    stage.lift(0)
    stage.put_back("quay")
    assert pairs(stage.ports["quay"].messages) == ([(0, 60)], set())


def test_options_that_can_never_be_leave_the_show_as_it_was(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    door = Door(stage, monkeypatch)
    bridge = stage.start(loaded(write_show(stage.folder)), preset=1)
    stage.link.plug()
    stage.scan(1.0)
    bridge.act(Act.TRANSPOSE, 2)
    seconds = iter(range(60))
    bridge.recorder._now = lambda: datetime(2026, 3, 1, 20, 0, next(seconds), tzinfo=UTC)
    bridge.record(True)
    stage.press(0)
    door.refuses = True
    show = edited(stage, OTHER_DRIVER, *RENAMED, ("note: 72", "note: 90"),
                  ("outputs:", "outputs:\n  new: {virtual: new}"))  # fmt: skip
    with pytest.raises(OutputUnavailable, match="not at this rate"):
        bridge.swap(show, None)
    assert door.seen == ["any opened", "any off", "any closed", "any opened"]
    assert not stage.ports["new"].up
    assert bridge.show.performance.outputs[0].name == "synth"
    assert bridge.preset == "flood"
    assert bridge.recorder.path is not None
    stage.lift(0)
    stage.press(0)
    assert pairs(stage.ports["quay"].messages) == ([(1, 74), (1, 74)], {(1, 74)})
    bridge.close()
    assert pairs(stage.ports["quay"].messages)[1] == set()


def test_a_reload_with_another_mat_keeps_the_link_and_takes_its_zones(
    stage: Stage, bridge: Bridge
) -> None:
    stage.press(0)
    link = stage.link
    show = write_show(stage.folder)
    text = (stage.folder / "quay.mat.yaml").read_text().replace("z0", "first").replace("z1", "z0")
    (stage.folder / "quay.mat.yaml").write_text(text.replace("first", "z1"))
    bridge.swap(loaded(show).show, None)
    assert stage.link is link
    assert link.opened == 1
    assert pairs(stage.ports["quay"].messages) == ([(0, 60)], set())
    stage.scan(1.0, z0=REST)
    stage.press(0)
    assert pairs(stage.ports["quay"].messages)[0][-1] == (0, 61)


def test_a_reload_with_another_board_lets_the_old_one_go(stage: Stage, bridge: Bridge) -> None:
    old = stage.link
    show = write_show(stage.folder, port="/dev/other")
    bridge.swap(loaded(show).show, None)
    assert old.opened == 0
    assert stage.links["/dev/other"].opened == 1
    assert len(bridge.boards) == 1


def test_a_reload_keeps_or_ends_every_one_of_several_simulated_boards(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[BoardLink] = []

    def make(plan: BoardPlan, mat: MatPlan, **_: object) -> BoardLink:
        made.append(boards.make_link(plan, mat))
        return made[-1]

    monkeypatch.setattr(bridge_module, "make_link", make)
    show = write_show(stage.folder)
    mat = stage.folder / "quay.mat.yaml"
    text = mat.read_text().replace(
        "board: {port: /dev/mat, format: text}",
        "boards: {near: {port: simulated}, far: {port: simulated}}",
    )
    for zone in range(ZONES):
        board = "near" if zone < 3 else "far"
        text = text.replace(f"{{name: z{zone},", f"{{name: z{zone}, board: {board},")
    mat.write_text(text)
    bridge = stage.start(loaded(show))
    stage.loop.advance(0.5)
    bridge.swap(loaded(show).show, calibration(mat))
    stage.loop.advance(0.5)
    assert len(made) == 2
    mat.write_text(text + "sensing: {threshold: 0.2}\n")
    bridge.swap(loaded(show).show, None)
    stage.loop.advance(0.5)
    assert [link.status()["found"] for link in made] == [False, False, True, True]
    bridge.close()
    assert stage.loop.pending == 0


def test_a_reload_with_an_output_that_can_never_come_changes_nothing(
    stage: Stage, bridge: Bridge, monkeypatch: pytest.MonkeyPatch
) -> None:
    show = write_show(stage.folder)
    show.write_text(show.read_text().replace("virtual: quay", "virtual: pier"))

    def refuse(*_: object) -> None:
        raise OutputUnavailable("there is no driver")

    monkeypatch.setattr(outlets, "make_output", refuse)
    with pytest.raises(OutputUnavailable):
        bridge.swap(loaded(show).show, None)
    stage.press(3)
    assert pairs(stage.ports["quay"].messages) == ([(0, 63)], {(0, 63)})


MISTAKES = (
    (Recorder, "end"),
    (Outlets, "_adopt"),
    (Outlets, "use"),
    (Outlets, "keep_owed"),
    (MemoryPort, "open"),
    (FakeLink, "open"),
    (FakeLink, "close"),
    (bridge_module, "make_decoder"),
    (bridge_module, "make_detector"),
    (Repertoire, "__init__"),
    (Player, "swap"),
    (Player, "start"),
    (Inlet, "use"),
)


@pytest.mark.parametrize(
    ("owner", "method", "port"),
    [
        (owner, method, port)
        for owner, method in MISTAKES
        for port in ("/dev/mat", "/dev/other")
        if owner is not FakeLink or port == "/dev/other"  # a link that stays is left alone
    ],
)
def test_a_mistake_while_it_is_taken_up_leaves_the_old_show_playing(
    stage: Stage,
    bridge: Bridge,
    monkeypatch: pytest.MonkeyPatch,
    owner: object,
    method: str,
    port: str,
) -> None:
    """Everything is another: zones, board, outputs, notes; and one step of it fails, once."""
    old = bridge.show
    bridge.act(Act.NEXT_PRESET)
    stage.press(0)
    text = PLAIN.replace("virtual: quay", "virtual: quay, driver: alsa").replace(
        "note: 72", "note: 90"
    )
    text = text.replace("outputs:", "outputs:\n  new: {virtual: new}").replace("synth", "rack")
    zones = "".join(f"      z{zone}: {{note: {40 + zone}}}\n" for zone in range(ZONES, ZONES + 2))
    new = loaded(write_show(stage.folder, text + zones, zones=ZONES + 2, port=port))
    right = getattr(owner, method)
    left = [1]

    def fail(*given: Any, **named: Any) -> Any:
        if left:
            left.pop()
            raise RuntimeError("a mistake of ours")
        return right(*given, **named)

    with monkeypatch.context() as patched:
        patched.setattr(owner, method, fail)
        with pytest.raises(RuntimeError):
            bridge.swap(new.show, None)
    assert not left
    assert bridge.show is old
    assert bridge.preset == "flood"
    assert [facts["name"] for facts in bridge.outlets.status()] == ["synth"]
    stage.link.plug()
    stage.scan(1.0, z0=REST)
    assert pairs(stage.ports["quay"].messages) == ([(1, 72)], set())
    for zone in (0, 5):
        stage.press(zone)
        stage.lift(zone)
    assert pairs(stage.ports["quay"].messages)[0] == [(1, 72), (1, 72), (1, 77)]
    assert "new" not in stage.ports or not stage.ports["new"].up
    stage.channels = ZONES + 2
    stage.readings = [REST] * stage.channels
    bridge.swap(new.show, None)
    stage.links[port].plug()
    stage.links["/dev/mat"] = stage.links[port]
    stage.scan(1.0)
    stage.press(0)
    stage.press(7)
    stage.lift(7)
    assert pairs(stage.ports["quay"].messages)[0][3:] == [(1, 90), (1, 47)]


def test_a_lost_output_is_still_owed_after_a_reload(stage: Stage, bridge: Bridge) -> None:
    stage.press(0)
    port = stage.ports["quay"]
    port.lose()
    show = write_show(stage.folder)
    show.write_text(show.read_text().replace("outputs:", "outputs:\n  new: {virtual: new}"))
    bridge.swap(loaded(show).show, None)
    stage.lift(0)
    port.find()
    assert pairs(port.messages) == ([(0, 60)], set())


def test_messages_that_a_mistake_lost_leave_no_note_sounding(
    stage: Stage, bridge: Bridge, monkeypatch: pytest.MonkeyPatch
) -> None:
    stage.press(0)
    stage.press(1)
    with monkeypatch.context() as patched:

        def fail(sent: object) -> None:
            raise RuntimeError("a mistake of ours")

        patched.setattr(bridge.outlets, "send", fail)
        with pytest.raises(RuntimeError):
            stage.lift(0)
    assert pairs(stage.ports["quay"].messages)[1] == {(0, 60), (0, 61)}
    bridge.amend()
    assert pairs(stage.ports["quay"].messages)[1] == set()
    stage.lift(1)
    stage.press(2)
    assert pairs(stage.ports["quay"].messages)[1] == {(0, 62)}


def test_an_output_that_left_the_show_while_it_was_gone_is_still_owed(
    stage: Stage,
) -> None:
    bridge = stage.start(loaded(write_show(stage.folder)))
    stage.link.plug()
    stage.scan(1.0)
    stage.press(0)
    stage.pull("quay")
    show = write_show(stage.folder)
    text = show.read_text()
    show.write_text(text.replace("virtual: quay", "virtual: pier"))
    bridge.swap(loaded(show).show, None)
    assert not stage.ports["quay"].up
    stage.put_back("quay")  # nobody has it open now
    # In a later process even, once a show has it again.
    stage.kill()
    stage.start(loaded(show)).close()
    assert pairs(stage.ports["quay"].messages)[1] == {(0, 60)}
    show.write_text(text)
    stage.start(loaded(show)).close()
    assert pairs(stage.ports["quay"].messages) == ([(0, 60)], set())


def test_what_sounds_is_brought_to_the_disk_soon_and_not_once_a_note(
    stage: Stage, bridge: Bridge, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = stage.folder / "state" / "mat.owed"
    wait_until(kept.exists, "the file")
    asked: list[float] = []
    keep = OwedNotes.keep

    def noted(owed: OwedNotes) -> None:
        asked.append(stage.loop.now_s())
        keep(owed)

    monkeypatch.setattr(OwedNotes, "keep", noted)
    stage.press(0)
    wait_until(lambda: read(kept) != {}, "the disk")
    asked.clear()
    began_s = stage.loop.now_s()
    for _ in range(200):
        bridge.outlets.send([(0, note_on(1, 99, 100)), (0, note_off(1, 99))])
        stage.loop.advance(0.001)
    assert 0 < len(asked) <= (stage.loop.now_s() - began_s) / KEEP_S
