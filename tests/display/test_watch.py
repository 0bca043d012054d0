"""The live view: where zones are drawn, what is said of them, and that any screen will do."""

from __future__ import annotations

import io
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from matbridge.display.status import status_lines
from matbridge.display.watch import FORMS, Zone, draw, draw_mat, place

SCENE: dict[str, Any] = {
    "performance": "harbour lights",
    "mat": "stepping stones",
    "preset": "low tide",
    "presets": ["low tide", "squall"],
    "zones": [
        {"name": "a1", "at": [0, 0], "plays": "D2"},
        {"name": "a2", "at": [45, 0], "plays": "E3"},
        {"name": "b1", "at": [22, 40], "plays": "sustain"},
    ],
}
FRAME: dict[str, Any] = {
    "load": [0.5, 0.0, 0.0],
    "onset": [0.1, 0.1, 0.1],
    "sounding": [{"zone": 0, "channel": 1, "note": 38}],
    "transpose": -2,
    "muted": True,
    "boards": [
        {"port": "/dev/ttyACM0", "trouble": "", "scans_per_s": 998, "lost": 3, "damaged": 1}
    ],
    "outputs": [{"name": "synth", "up": True}, {"name": "rack", "up": False}],
    "faults": [{"zone": "b1", "kind": "stuck"}],
    "latency_us": {"median": 250, "p99": 900, "max": 2000},
}


def lines(scene: dict[str, Any], frame: dict[str, Any], width: int = 80, height: int = 24,
          plain: bool = False) -> list[str]:  # fmt: skip
    return draw(scene, frame, width, height, plain=plain).plain.split("\n")


def mat_of(columns: int, rows: int, name: str = "z") -> list[Zone]:
    return [
        Zone(f"{name}{number}", number % columns * 10.0, number // columns * 10.0, "", 0.0, 0.1,
             False, "")
        for number in range(columns * rows)
    ]  # fmt: skip


def test_everything_a_player_looks_for_is_there() -> None:
    text = "\n".join(lines(SCENE, FRAME))
    for part in (
        "harbour lights", "low tide (1 of 2)", "-2 semitones", "muted", "● a1", "D2", "! b1",
        "stuck", "D2/1", "/dev/ttyACM0  998 scans/s, 3 lost, 1 damaged", "synth up, rack DOWN",
        "latency 0.25 ms, p99 0.90",
    ):  # fmt: skip
        assert part in text, part


@pytest.mark.parametrize("width", [40, 60, 80])
@pytest.mark.parametrize("performance", ["harbour lights", "a very long night beside the harbour"])
def test_how_to_leave_and_what_holds_is_seen_beside_any_name(width: int, performance: str) -> None:
    scene = {**SCENE, "performance": performance}
    head, *_ = draw(scene, FRAME, width, 20, hint="Ctrl-C leaves").plain.split("\n")
    assert head.endswith("  -2 semitones  muted  Ctrl-C leaves"[-width:])
    assert len(head) == width
    assert head.startswith(performance[:3])


def test_no_hint_where_none_is_given_or_the_screen_is_too_narrow() -> None:
    assert "Ctrl" not in "\n".join(lines(SCENE, FRAME))
    assert "Ctrl" not in draw(SCENE, {}, 39, 20, hint="Ctrl-C leaves").plain
    assert "low tide (1 of 2)" in draw(SCENE, {}, 39, 20, hint="Ctrl-C leaves").plain


def test_the_take_that_is_made_has_a_line_and_none_has_none() -> None:
    take = {"take": "/takes/harbour-lights 2026-03-01 20-15-03.take", "seconds": 61.5, "bytes": 9}
    drawn = lines(SCENE, {**FRAME, "recording": take}, 60, 20)
    assert "take    recording, 1:02  harbour-lights 2026-03-01 20-15-03" in drawn
    assert len(drawn) == 20
    for none in ({}, {"take": "", "why": ""}, {"take": "", "why": "stopped"}):
        drawn = lines(SCENE, {**FRAME, "recording": none}, 60, 20)
        assert not [line for line in drawn if line.startswith("take")]
    full = {"take": "", "why": "the disk is full"}
    assert "take    ended by itself: the disk is full" in lines(SCENE, {**FRAME, "recording": full})


def test_zones_lie_as_they_do_before_the_player() -> None:
    drawn = lines(SCENE, FRAME)
    (far,) = [line for line in drawn if "b1 " in line and "faults" not in line]
    (near,) = [line for line in drawn if "a1 " in line]
    assert drawn.index(far) < drawn.index(near)  # y grows away from the player
    assert near.index("a1") < far.index("b1") < near.index("a2")


def test_the_load_is_a_bar_and_the_level_a_tick() -> None:
    (bar,) = [line for line in lines(SCENE, FRAME, plain=True) if "[###" in line]
    first, second = bar.split("[")[1:3]
    assert first.count("#") == pytest.approx(len(first.rstrip()) / 2, abs=4)
    assert "#" not in second
    assert second.index("|") == 1


def test_a_board_in_trouble_says_so() -> None:
    frame = {**FRAME, "boards": [{"port": "x", "trouble": "it sends nothing"}]}
    assert "x  it sends nothing" in "\n".join(lines(SCENE, frame))


def test_plain_is_ascii() -> None:
    assert "\n".join(lines(SCENE, FRAME, plain=True)).isascii()


def test_without_colour_nothing_is_lost() -> None:
    screen = io.StringIO()
    console = Console(file=screen, width=80, height=24, no_color=True, force_terminal=False)
    console.print(draw(SCENE, FRAME, 80, 24))
    assert "● a1" in screen.getvalue()
    assert "\x1b" not in screen.getvalue()


@pytest.mark.parametrize("columns", [1, 2, 5, 8, 16, 40])
@pytest.mark.parametrize("rows", [1, 3, 12])
def test_no_zone_is_drawn_over_another(columns: int, rows: int) -> None:
    mat = mat_of(columns, rows)
    width, tall, cells = place(mat, 80, 18)
    taken = [
        (line, column)
        for cell in cells
        for line in range(cell.line, cell.line + tall)
        for column in range(cell.column, cell.column + width)
    ]
    assert len(taken) == len(set(taken))
    assert all(0 <= line < 18 and 0 <= column < 80 for line, column in taken)


def test_fewer_zones_are_drawn_larger() -> None:
    sizes = [place(mat_of(columns, 3), 80, 18)[:2] for columns in (2, 5, 8, 12, 20, 60)]
    assert sizes == sorted(sizes, reverse=True)
    assert sizes[0][1] == FORMS[0][1]
    assert sizes[-1] == (1, 1)


def test_of_more_zones_than_places_the_loudest_shows() -> None:
    mat = [zone._replace(load=1.0 if zone.name == "z77" else 0.0) for zone in mat_of(200, 10)]
    drawn = "".join(line.plain for line in draw_mat(mat, 20, 5))
    assert drawn.count("█") == 1


@given(
    st.lists(
        st.tuples(
            st.floats(-1e6, 1e6), st.floats(-1e6, 1e6), st.floats(-2, 3), st.booleans(),
            st.text(max_size=20), st.sampled_from(["", "dead"]),
        ),
        max_size=40,
    ),
    st.integers(1, 120),
    st.integers(1, 40),
    st.booleans(),
)  # fmt: skip
def test_any_mat_fits_any_screen(
    made: list[tuple[float, float, float, bool, str, str]], width: int, height: int, plain: bool
) -> None:
    names = [f"{index}{name}" for index, (*_, name, _) in enumerate(made)]
    scene = {**SCENE, "zones": [
        {"name": name, "at": [x, y], "plays": name}
        for name, (x, y, *_) in zip(names, made, strict=True)
    ]}  # fmt: skip
    frame = {
        **FRAME,
        "load": [load for _, _, load, *_ in made],
        "onset": [0.1] * len(made),
        "sounding": [
            {"zone": index, "channel": 1, "note": 60} for index, zone in enumerate(made) if zone[3]
        ],
        "faults": [
            {"zone": name, "kind": zone[5]}
            for name, zone in zip(names, made, strict=True)
            if zone[5]
        ],
    }
    drawn = draw(scene, frame, width, height, plain=plain)
    assert drawn.plain.count("\n") < max(height, 4)
    assert drawn.plain.replace("\n", "").isprintable()


@pytest.mark.parametrize(
    "frame", [{}, {"load": [], "boards": [{}], "outputs": [{}], "faults": [{}]}]
)
def test_what_is_missing_is_shown_as_nothing(frame: dict[str, Any]) -> None:
    assert "a1" in "\n".join(lines(SCENE, frame))
    lines({}, frame)


STATUS: dict[str, Any] = {
    "name": "quay", "process": 77, "version": "0.1.0", "running_s": 3725.0,
    "performance": "harbour lights", "mat": "stepping stones", "preset": "squall",
    "presets": ["low tide", "squall"], "transpose": 3, "muted": True, "tempo_bpm": 84.0,
    "sounding": 2, "calibrated": "2026-03-01", "faults": [{"zone": "b1", "kind": "stuck"}],
    "boards": [{"port": "/dev/ttyACM0", "trouble": "it sends nothing"}],
    "outputs": [
        {"name": "rack", "kind": "serial", "target": "/dev/ttyS0", "up": False, "why": "gone"},
    ],
    "latency_us": {"median": 250, "p99": 900, "max": 2000},
    "reload_error": "show.yaml:3:1: wrong\nshow.yaml:4:1: \x1b[2Jworse",
}  # fmt: skip


def test_status_in_words() -> None:
    text = "\n".join(status_lines(STATUS))
    for part in (
        "harbour lights on stepping stones: squall (2 of 2)", "transposed by +3", "muted",
        "calibrated 2026-03-01", "board /dev/ttyACM0: it sends nothing",
        "output rack (serial /dev/ttyS0): down: gone", "zone b1: stuck", "median 0.25",
        "the old mapping plays on: show.yaml:3:1: wrong", "'quay' runs for 1:02:05, process 77",
    ):  # fmt: skip
        assert part in text, part
    assert text.replace("\n", "").isprintable()


def test_status_tells_of_one_note_and_of_the_take_that_is_made() -> None:
    take = {"take": "/takes/quay.take", "seconds": 61.5, "bytes": 9}
    lines = list(status_lines({**STATUS, "sounding": 1, "recording": take}))
    assert any(line.startswith("  1 note sounds, 84 beats") for line in lines)
    assert "recording for 1:02, to /takes/quay.take" in lines
    full = {"take": "", "why": "the disk is full"}
    assert "the last take ended by itself: the disk is full" in list(
        status_lines({**STATUS, "recording": full})
    )
    ended = "\n".join(status_lines({**STATUS, "recording": {"take": "", "why": "stopped"}}))
    assert "take" not in ended


def test_an_empty_status_is_no_mistake() -> None:
    assert list(status_lines({}))
