"""What is odd in a performance that plays as it stands."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from textwrap import dedent

import pytest

from matbridge.mapping.load import load, warnings
from tests.support.mapping import MAT, performance_text

Odd = Callable[..., list[str]]

FULL = "scale: {root: D3, type: dorian}"


@pytest.fixture
def odd(tmp_path: Path) -> Odd:
    def find(text: str, mat: str = MAT) -> list[str]:
        (tmp_path / "quay.mat.yaml").write_text(mat)
        file = tmp_path / "show.yaml"
        file.write_text(performance_text(text))
        assert load(file).problems == ()
        return [f"{each.line}:{each.column} {each.message}" for each in warnings(file)]

    return find


def test_nothing_odd(odd: Odd) -> None:
    assert odd(f"presets: {{p: {{{FULL}}}}}") == []


def test_zones_that_play_nothing(odd: Odd) -> None:
    text = """
    presets:
      p: {zones: {a1: {action: next preset}}}
      q: {zones: {a1: D3, a2: nothing, b1: {action: next preset}}}
      r: {zones: {a1: D2, a2: D3}}
    """
    found = odd(dedent(text))
    meant = "write 'nothing' for one that is meant to be silent"
    first = f"6:3 preset 'p': zones a2, b1 play nothing; {meant}"
    assert found == [first, f"8:3 preset 'r': zone b1 plays nothing; {meant}"]


def test_notes_beyond_the_keyboard(odd: Odd) -> None:
    text = """
    presets:
      p:
        scale: {root: D3, type: dorian}
        transpose: 12
        zones: {a1: G9, a2: {degree: 60}, b1: {notes: [G9, D3]}}
    """
    silent, first, second, third = odd(text)
    assert "zone a1: note G10 is number 139, not within 0-127, and stays silent" in first
    assert "zone a2: note G12 is number 163" in second
    assert "zone b1: note G10" in third
    assert "zones a1, a2 play nothing" in silent


def test_a_scale_that_runs_out_of_notes(odd: Odd) -> None:
    (found,) = odd("presets: {p: {scale: {root: E9, type: major}, transpose: 2}}")
    assert "zones a2, b1 lie beyond the notes 0-127 of MIDI, in silence" in found
    (one,) = odd("presets: {p: {scale: {root: E9, type: major}}}")
    assert "zone b1 lies beyond" in one


def test_more_voices_than_mpe_channels(odd: Odd) -> None:
    chords = f"{FULL}, zones: {{a1: {{chord: {{root: D3, type: minor 7}}}}}}"
    (found,) = odd(f"presets: {{p: {{{chords}, mpe: {{members: 4}}}}}}")
    assert "up to 6 notes at once share 4 MPE channels" in found
    assert odd(f"presets: {{p: {{{chords}, mpe: {{members: 6}}}}}}") == []
    assert odd(f"presets: {{p: {{{chords}, mpe: {{members: 4}}, voices: {{limit: 4}}}}}}") == []


def test_polyphonic_pressure_under_mpe(odd: Odd) -> None:
    poly = "pressure: {send: polyphonic pressure}"
    (found,) = odd(f"presets: {{p: {{{FULL}, mpe: {{}}, {poly}}}}}")
    assert "use channel pressure" in found


def test_pressure_on_an_output_too_slow_for_it(odd: Odd) -> None:
    fast = "pressure: {send: polyphonic pressure, every_ms: 2}"
    (found,) = odd(f"presets: {{p: {{{FULL}, output: rack, {fast}}}}}")
    # Three zones, three bytes each, five hundred times a second.
    assert "takes 4500 of the 3125 bytes a second of output 'rack'" in found
    assert odd(f"presets: {{p: {{{FULL}, output: synth, {fast}}}}}") == []
    slow = "pressure: {send: channel pressure}"
    assert odd(f"presets: {{p: {{{FULL}, output: rack, {slow}}}}}") == []
    following = "output: rack, zones: {'*': {control: 11, mode: pressure, every_ms: 0}}"
    (found,) = odd(f"presets: {{p: {{{following}}}}}")
    assert "takes 9000 of" in found


def test_more_than_a_switch_knows(odd: Odd) -> None:
    switches = MAT.replace("force, bits: 10, fixed_resistor_ohm: 1000", "switch")
    more = "velocity: {from: rise}, pressure: {send: channel pressure}"
    text = f"presets: {{p: {{{FULL}, {more}}}}}"
    velocity, pressure = odd(text, switches)
    assert "switches, which know no velocity; write from: fixed" in velocity
    assert "switches, which know no pressure" in pressure
    assert odd(f"presets: {{p: {{{FULL}}}}}", switches) == []


PLAIN = f"{{{FULL}}}"
NEXT = f"{{{FULL}, zones: {{a1: {{action: next preset}}}}}}"
PREVIOUS = NEXT.replace("next", "previous")
TO_C = NEXT.replace("next preset", "{preset: c}")


@pytest.mark.parametrize(
    ("a", "b", "c", "rest", "unreached"),
    [
        (PLAIN, PLAIN, PLAIN, "", ["b", "c"]),
        (NEXT, PLAIN, PLAIN, "", ["c"]),
        (NEXT, NEXT, PLAIN, "", []),
        (PREVIOUS, PLAIN, PLAIN, "", ["b"]),
        (PREVIOUS, PLAIN, PREVIOUS, "", []),
        (TO_C, PLAIN, PLAIN, "", ["b"]),
        (PLAIN, PLAIN, PLAIN, "first: b", ["a", "c"]),
        (PLAIN, PLAIN, PLAIN, "input: {port: x, programs: {4: b}}", ["c"]),
        (PLAIN, PLAIN, PLAIN, "input: {port: x, controls: {4: {preset: c}}}", ["b"]),
        (PLAIN, PLAIN, PLAIN, "input: {port: x, controls: {4: next preset}}", []),
    ],
)
def test_presets_to_which_nothing_leads(
    odd: Odd, a: str, b: str, c: str, rest: str, unreached: list[str]
) -> None:
    found = odd(f"{rest}\npresets: {{a: {a}, b: {b}, c: {c}}}")
    assert [each.split("'")[1] for each in found] == unreached
    assert all("no action of a zone and no program leads to it" in each for each in found)


def test_an_only_preset_is_reached(odd: Odd) -> None:
    assert odd(f"presets: {{a: {PLAIN}}}") == []
