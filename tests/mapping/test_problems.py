"""From what validation finds to sentences: places, contexts, near words, and no consequences."""

from __future__ import annotations

import pytest

from matbridge.errors import Problem
from matbridge.mapping.problems import LINE_SHOWN, context, shown
from tests.support.mapping import problems


def test_all_problems_come_in_one_go_in_the_order_of_the_file() -> None:
    found = problems("""
        outputs: {synth: {virtual: matbridge, colour: blue}, rack: {serial: ttyS0}}
        defaults: {channel: 17, zones: {d1: D3}}
        presets:
          low tide:
            output: snyth
            scale: {root: D3, type: dorain}
            zones:
              a1: {note: H3, hold: togle}
              a2: on
              b1: {action: {preset: squal}}
          squall: {like: low tyde}
    """)
    assert [place for place, _ in found] == sorted(place for place, _ in found)
    assert [message.split("; ")[0] for _, message in found] == [
        "output 'synth': unknown key 'colour'",
        "output 'rack': 'ttyS0' is not a serial path",
        "defaults: channel 17 is not within 1-16",
        "defaults, zone d1: the mat has no zone 'd1'",
        "preset 'low tide': there is no output 'snyth'",
        "preset 'low tide': unknown scale type 'dorain'",
        "preset 'low tide', zone a1: 'H3' is not a note",
        "preset 'low tide', zone a1: unknown hold 'togle'",
        "'on' is true to some readers of YAML",
        "preset 'low tide', zone b1: there is no preset 'squal'",
        "preset 'squall': there is no preset 'low tyde'",
    ]


@pytest.mark.parametrize(
    ("text", "only"),
    [
        # A scale whose type is wrong is no scale without a type, nor are its degrees without one.
        (
            "presets: {p: {scale: {root: D3, type: dorain}, zones: {a1: {degree: 2}}}}",
            "unknown scale type 'dorain'",
        ),
        # What stands under a key that was written twice is looked at, but not taken for a zone.
        ("presets: {p: {zones: {a1: D3, a1: E3}}}", "'a1' is written twice"),
        # A control that is wrong leaves a zone of which nobody can say what else it may say.
        ("presets: {p: {zones: {a1: {control: 200, mode: toggle}}}}", "control 200 is not"),
        # A value that YAML would misread is not complained of as text, too.
        ("presets: {p: {channel: 010}}", "'010' is counted in eights"),
        ("presets: {p: {velocity: {on: 3}}}", "'on' is true to some readers"),
        # A pressure of an unknown kind has no other mistake.
        ("presets: {p: {pressure: {send: presure, control: 3}}}", "unknown pressure 'presure'"),
        ("presets: {p: {velocity: {curve: {pwer: 2}}}}", "unknown key 'pwer' in a curve"),
        ("presets: {p: {layout: {by: spiral, turns: 3}}}", "unknown layout 'spiral'"),
        # Degrees of a preset that is like one which is not there may have had its scale.
        ("presets: {p: {like: q, zones: {a1: {degree: 2}}}}", "there is no preset 'q'"),
        ("presets: {p: {zones: {a1: {layers: [{label: x}]}}}}", "unknown key 'label' in a layer"),
    ],
)
def test_one_mistake_is_one_problem(text: str, only: str) -> None:
    ((_, message),) = problems(text)
    assert only in message


def test_a_value_of_the_wrong_shape_says_which_shape() -> None:
    ((_, not_mapping),) = problems("presets: {p: 3}")
    assert not_mapping == "preset 'p': 'p' is a mapping with keys of its own, not 3"
    ((_, not_list),) = problems("groups: {near: a1}")
    assert not_list == "group 'near': 'near' is a list, [...], not 'a1'"
    ((_, empty),) = problems("presets: {}")
    assert empty == "'presets' is empty"


def test_a_near_word_is_offered_and_few_words_are_all_told() -> None:
    ((_, near_and_all),) = problems("presets: {p: {leave: ende}}")
    assert near_and_all.endswith("unknown leave 'ende'; did you mean 'end'? allowed: end, ring")
    ((_, only_near),) = problems("presets: {p: {scale: {root: D3, type: frigian}}}")
    assert only_near.endswith("did you mean 'phrygian'?")
    ((_, all_of_them),) = problems("presets: {p: {leave: fade}}")
    assert all_of_them.endswith("unknown leave 'fade'; allowed: end, ring")


@pytest.mark.parametrize(
    ("path", "text"),
    [
        (("presets", "low tide"), "preset 'low tide': "),
        (("presets", "low tide", "zones", "a1", "note"), "preset 'low tide', zone a1: "),
        (("presets", "p", "zones", "a1", "layers", 1, "note"), "preset 'p', zone a1, layer 2: "),
        (("defaults", "velocity"), "defaults: "),
        (("defaults", "zones", "row b"), "defaults, zone row b: "),
        (("outputs", "synth", "virtual"), "output 'synth': "),
        (("input", "port"), "input: "),
        (("zones", 2, "at"), "zone 3 of the list: "),
        (("boards", "left", "baud"), "board 'left': "),
        (("board", "baud"), "board: "),
        (("performance",), ""),
    ],
)
def test_context_is_in_the_words_of_the_file(path: tuple[str | int, ...], text: str) -> None:
    assert context(path) == text


def test_a_problem_is_shown_with_its_line_and_a_mark() -> None:
    problem = Problem("show.yaml", 3, 12, "channel 17 is not within 1-16", "  channel: 17")
    assert shown(problem) == (
        "show.yaml:3:12: channel 17 is not within 1-16\n      channel: 17\n               ^"
    )
    assert shown(Problem("show.yaml", 0, 0, "the file is empty")) == "show.yaml: the file is empty"


def test_a_long_line_is_cut_around_its_place() -> None:
    source = "x" * 500 + "HERE" + "y" * 500
    _, line, mark = shown(Problem("s", 1, 501, "m", source)).split("\n")
    assert line[mark.index("^") :].startswith("HERE")
    assert len(line) <= LINE_SHOWN + 4


def test_nothing_of_a_file_reaches_a_terminal_unescaped() -> None:
    text = shown(Problem("s\x1b[2J", 1, 3, "m\x07", "\x1b[31mx\u202e"))
    assert all(character.isprintable() or character == "\n" for character in text)
