"""Putting other channels into a mat file without touching anything else that was written."""

from collections.abc import Mapping, Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matbridge.mapping.load import mat_from
from matbridge.mapping.reading import read
from matbridge.mapping.rewire import Wire, board_names, rewire

HEAD = """\
mat: quay
board:
  port: simulated      # the one under the stairs
  baud: 921600
sensor: {type: force, bits: 10, fixed_resistor_ohm: 1000}
"""

FLOW = (
    HEAD
    + """\
zones:                 # from the left
  - {name: bow, at: [0, 0]}
  - {name: "mast", channel: 0x05, at: [40, 0]}   # squeaks
  - { at: [80, 0], name: keel , size: 20 }
"""
)

BLOCK = (
    HEAD
    + """\
zones:
  - name: bow          # red
    at: [0, 0]
  -
    name: 'mast'
    channel: 5         # squeaks
    at:
      - 40
      - 0
  - at: [80, 0]
    name: keel
"""
)

SEVERAL = """\
mat: quay
boards:
  port side: {port: /dev/ttyACM0}
  starboard:
    port: /dev/ttyACM1
sensor: {type: level}
zones:
- {name: bow, at: [0, 0], board: port side}
- {name: mast, at: [40, 0], board: "starboard", channel: 2}
- name: keel
  at: [80, 0]
  board: starboard
"""


def changed(text: str, wires: Sequence[Wire], channels: Mapping[str, int]) -> str:
    return rewire(read(text.encode(), "quay"), wires, channels)


def wires_in(text: str) -> list[tuple[int, int]]:
    """(board, channel) of each zone, as the loader reads them."""
    mat = mat_from(text.encode(), "quay")
    places = {
        zone: (board, channel)
        for board, plan in enumerate(mat.boards)
        for channel, zone in enumerate(plan.zones)
        if zone >= 0
    }
    return [places[zone] for zone in range(len(mat.zones))]


@pytest.mark.parametrize("text", [FLOW, BLOCK], ids=["flow", "block"])
def test_channels_are_replaced_or_added_and_the_rest_stays(text: str) -> None:
    new = changed(text, [Wire("", 3), Wire("", 12), Wire("", 0)], {"": 16})
    assert wires_in(new) == [(0, 3), (0, 12), (0, 0)]
    assert mat_from(new.encode(), "quay").boards[0].channels == 16
    for comment in ("# the one under the stairs", "# squeaks"):
        assert comment in new
    assert "  port: simulated      # the one under the stairs" in new
    before, after = mat_from(text.encode(), "quay"), mat_from(new.encode(), "quay")
    assert after.zones == before.zones
    assert after.sensor == before.sensor


def test_the_text_itself_reads_as_a_person_would_write_it() -> None:
    new = changed(FLOW, [Wire("", 3), Wire("", 12), Wire("", 0)], {})
    assert "  - {name: bow, channel: 3, at: [0, 0]}\n" in new
    assert '  - {name: "mast", channel: 12, at: [40, 0]}   # squeaks\n' in new
    assert "  - { at: [80, 0], name: keel, channel: 0 , size: 20 }\n" in new
    new = changed(BLOCK, [Wire("", 3), Wire("", 12), Wire("", 0)], {})
    assert "  - name: bow          # red\n    channel: 3\n    at: [0, 0]\n" in new
    assert "    channel: 12         # squeaks\n" in new
    assert new.endswith("    name: keel\n    channel: 0\n")


def test_zones_change_boards_by_name() -> None:
    assert board_names(read(SEVERAL.encode(), "quay")) == ("port side", "starboard")
    new = changed(
        SEVERAL,
        [Wire("starboard", 0), Wire("port side", 7), Wire("starboard", 1)],
        {"port side": 8, "starboard": 4},
    )
    assert wires_in(new) == [(1, 0), (0, 7), (1, 1)]
    assert [board.channels for board in mat_from(new.encode(), "quay").boards] == [8, 4]


def test_an_only_board_has_no_name() -> None:
    assert board_names(read(FLOW.encode(), "quay")) == ("",)


def test_quoted_names_may_hold_what_would_end_a_plain_one() -> None:
    text = SEVERAL.replace("starboard:", '"fore, aft #2":').replace('"starboard"', '"fore, aft #2"')
    text = text.replace("board: starboard", "board: 'fore, aft #2'")
    wires = [Wire("port side", 0), Wire("port side", 1), Wire("port side", 2)]
    new = changed(text, wires, {})
    assert wires_in(new) == [(0, 0), (0, 1), (0, 2)]


def test_the_same_wiring_twice_gives_the_same_text() -> None:
    wires = [Wire("", 3), Wire("", 12), Wire("", 0)]
    once = changed(BLOCK, wires, {"": 16})
    assert changed(once, wires, {"": 16}) == once


@given(
    st.permutations(range(8)),
    st.lists(st.tuples(st.booleans(), st.booleans(), st.booleans()), min_size=8, max_size=8),
)
def test_any_mixture_of_styles_takes_any_wiring(
    channels: list[int], styles: list[tuple[bool, bool, bool]]
) -> None:
    rows = []
    for number, (flow, has_channel, quoted) in enumerate(styles):
        name = f'"zone {number}"' if quoted else f"zone {number}"
        parts = [f"name: {name}", f"at: [{number}, 0]"]
        if has_channel:
            parts.append(f"channel: {number + 100}")
        rows.append(f"  - {{{', '.join(parts)}}}" if flow else "  - " + "\n    ".join(parts))
    text = HEAD + "zones:\n" + "\n".join(rows) + "\n"
    new = changed(text, [Wire("", channel) for channel in channels], {})
    assert wires_in(new) == [(0, channel) for channel in channels]
