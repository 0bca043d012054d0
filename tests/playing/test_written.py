"""What a performer can write, item by item, from the text to the bytes that come out.

Every example goes the whole way: text to plan; a board's bytes through decoder, detector and
player; mido reads what comes. Velocities are left out where they do not matter.
"""

from __future__ import annotations

from itertools import pairwise

import pytest

from matbridge.mapping.plan import Act
from tests.support.playing import kinds
from tests.support.written import Written, notes


def on_off(*keys: str) -> list[str]:
    return [f"{what} {key}" for key in keys for what in ("on", "off")]


# ---- 1. what a zone plays --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("zone", "heard"),
    [
        ("C#3", on_off("1 49")),
        ("{note: 60, channel: 5}", on_off("5 60")),
        ("{note: 60, output: rack}", ["1/on 1 60", "1/off 1 60"]),
        ("{notes: [D3, A3]}", ["on 1 50", "on 1 57", "off 1 50", "off 1 57"]),
        (
            "{chord: {root: D3, type: minor 7, inversion: 1}}",
            [f"{what} 1 {note}" for what in ("on", "off") for note in (53, 57, 60, 62)],
        ),
        (
            "{chord: {root: C3, type: major, spread: open}}",
            [f"{what} 1 {note}" for what in ("on", "off") for note in (48, 55, 64)],
        ),
        ("{degree: 3}", on_off("1 65")),
        ("{degree: 3, octave: -1}", on_off("1 53")),
        ("{degree: 9}", on_off("1 76")),
        ("{percussion: closed hi-hat}", on_off("10 42")),
        ("nothing", []),
        (
            "{layers: [{note: C3}, {note: C2, output: rack, channel: 4}, {percussion: cowbell}]}",
            [
                *("on 1 48", "1/on 4 36", "on 10 56"),
                *("off 1 48", "1/off 4 36", "off 10 56"),
            ],
        ),
    ],
)
def test_what_a_zone_plays(zone: str, heard: list[str]) -> None:
    play = Written(f"""
        channel: 1
        scale: {{root: D4, type: dorian}}
        zones: {{a1: {zone}}}
    """)
    assert notes(play.step("a1")) == heard


def test_a_sequence() -> None:
    play = Written("""
        zones:
          a1: {sequence: [C4, {notes: [E4, G4]}, rest, {chord: {root: C4}}]}
    """)
    assert [notes(play.down("a1") + play.up("a1"))[: n + 1] for n in (0, 1, 2, 2, 0)] == [
        ["on 1 60"],
        ["on 1 64", "on 1 67"],
        [],
        ["on 1 60", "on 1 64", "on 1 67"],
        ["on 1 60"],
    ]


def test_splits_by_velocity_and_by_pressure() -> None:
    play = Written(
        """
        velocity: {from: fixed, curve: {fixed: 90}}
        zones:
          a1: {layers: [{note: C3, when: {velocity: [1, 89]}}, {note: C5}]}
          a2: {layers: [{note: C3}, {note: C5, when: {pressure: [100, 127]}}]}
        """,
        sensor="level",
    )
    assert notes(play.step("a1")) == on_off("1 72")
    play.down("a2", reading=300)
    assert notes(play.down("a2", reading=1000)) == ["on 1 72"]
    assert notes(play.down("a2", reading=300)) == ["off 1 72"]
    assert notes(play.up("a2")) == ["off 1 48"]


@pytest.mark.parametrize(
    ("zone", "down", "up"),
    [
        ("{control: 20, values: [10, 90]}", ["control 1 20 90"], ["control 1 20 10"]),
        ("{control: 20, mode: toggle}", ["control 1 20 127"], []),
        (
            "{control: 1, bits: 14}",
            ["control 1 1 127", "control 1 33 127"],
            ["control 1 1 0", "control 1 33 0"],
        ),
        (
            "{program: 41, bank: 129, channel: 2}",
            ["control 2 0 1", "control 2 32 1", "program 2 40"],
            [],
        ),
        ("{bend: 1}", ["bend 1 12288"], ["bend 1 8192"]),
        ("{bend: -2}", ["bend 1 0"], ["bend 1 8192"]),
        ("{pedal: sustain}", ["control 1 64 127"], ["control 1 64 0"]),
    ],
)
def test_what_works_something_else(zone: str, down: list[str], up: list[str]) -> None:
    play = Written(f"zones: {{a1: {zone}}}")
    assert play.down("a1") == down
    assert play.up("a1") == up


@pytest.mark.parametrize("bits", [7, 14])
def test_a_control_that_follows_the_pressure(bits: int) -> None:
    play = Written(
        f"zones: {{a1: {{control: expression, mode: pressure, bits: {bits}}}}}", sensor="level"
    )
    heard = play.down("a1") + play.up("a1")
    coarse = [int(words.split()[-1]) for words in heard if words.startswith("control 1 11 ")]
    assert max(coarse) > 60
    assert coarse[-1] == 0
    fine = [words for words in heard if words.startswith("control 1 43 ")]
    assert len(fine) == (len(coarse) if bits == 14 else 0)


# ---- 2. how a scale lies on the mat ----------------------------------------------------------


@pytest.mark.parametrize(
    ("scale", "layout", "keys"),
    [
        ("{root: C4, type: major}", "order", [60, 62, 64, 65, 67, 69]),
        ("{root: C4, type: major}", "snake", [60, 62, 64, 69, 67, 65]),
        ("{root: C4, semitones: [0, 5]}", "rows", [60, 65, 72, 77, 84, 89]),
        ("{root: C4, type: major}", "[b3, b2, b1]", [None, None, None, 64, 62, 60]),
        ("{root: C4, type: major}", "{by: steps, across: 2, along: 3}", [60, 64, 67, 65, 69, 72]),
        ("{root: C4, type: major}", "{by: distance, from: [0, 0]}", [60, 62, 67, 64, 65, 69]),
    ],
)
def test_how_a_scale_lies(scale: str, layout: str, keys: list[int | None]) -> None:
    play = Written(f"{{scale: {scale}, layout: {layout}, zones: {{b1: {{}}}}}}")
    heard = [notes(play.step(zone))[:1] for zone in ("a1", "a2", "a3", "b1", "b2", "b3")]
    assert heard == [[] if key is None else [f"on 1 {key}"] for key in keys]


def test_a_scale_in_cents_bends_the_channel() -> None:
    play = Written("scale: {root: C4, cents: [0, 250, 702]}")
    assert kinds(play.step("a1", "a2", "a3"), "bend", "on") == [
        *("on 1 60 100",),
        *("bend 1 10240", "on 1 62 100"),
        *(f"bend 1 {8192 + round(8192 * 2 / 200)}", "on 1 67 100"),
    ]


# ---- 3. how long it sounds -------------------------------------------------------------------


def timed(play: Written, zone: str, seconds: float) -> list[tuple[float, str]]:
    """After a step on a zone: notes, and the seconds since the first."""
    play.readings[zone] = 700
    heard = play.wait_timed(0.1)
    play.readings[zone] = 0
    heard += [(0.1 + at_s, words) for at_s, words in play.wait_timed(seconds)]
    first_s = heard[0][0]
    return [(round(at_s - first_s, 3), words.rsplit(" ", 1)[0]) for at_s, words in heard]


@pytest.mark.parametrize(
    ("hold", "length_s"),
    [("1/4", 0.5), ("{beats: 3}", 1.5), ("{seconds: 0.7}", 0.7), ("1/8.", 0.375), ("1/8t", 1 / 6)],
)
def test_a_length(hold: str, length_s: float) -> None:
    play = Written(f"zones: {{a1: {{note: 60, hold: {hold}}}}}")
    assert timed(play, "a1", 2.0) == [(0.0, "on 1 60"), (round(length_s, 3), "off 1 60")]


def test_toggle_choke_and_latch() -> None:
    play = Written("""
        zones:
          a1: {note: 60, hold: toggle}
          a2: {percussion: open hi-hat, hold: choke, choke: hats}
          a3: {percussion: closed hi-hat, choke: hats}
          b1: {pedal: latch}
          b2: 72
          b3: {note: 74, latch: false}
    """)
    assert notes(play.step("a1")) == ["on 1 60"]
    assert notes(play.step("a1")) == ["off 1 60"]
    assert notes(play.step("a2", "a3")) == ["on 10 46", "off 10 46", "on 10 42", "off 10 42"]
    play.down("b1")
    assert notes(play.step("b2", "b3")) == ["on 1 72", "on 1 74", "off 1 74"]
    assert notes(play.up("b1")) == ["off 1 72"]


def test_repeats() -> None:
    play = Written("{tempo: 150, zones: {a1: {note: 60, repeat: 1/16}}}")
    play.readings["a1"] = 700
    heard = [at_s for at_s, words in play.wait_timed(1.0) if words.startswith("on")]
    gaps = {round(later - earlier, 3) for earlier, later in pairwise(heard)}
    assert gaps == {0.1}
    assert notes(play.up("a1"))[-1] == "off 1 60"
    assert play.wait(1.0) == []


# ---- 4. voices -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("voices", "heard"),
    [
        ("{limit: 2}", ["on 1 60", "on 1 62", "off 1 60", "on 1 64"]),
        ("{limit: 2, priority: lowest}", ["on 1 60", "on 1 62"]),
        ("{limit: 2, priority: highest}", ["on 1 60", "on 1 62", "off 1 60", "on 1 64"]),
        ("{limit: 1}", ["on 1 60", "off 1 60", "on 1 62", "off 1 62", "on 1 64"]),
        (
            "{limit: 1, retrigger: false}",
            ["on 1 60", "on 1 62", "off 1 60", "on 1 64", "off 1 62"],
        ),
        ("{limit: 1, priority: lowest}", ["on 1 60"]),
    ],
)
def test_voices(voices: str, heard: list[str]) -> None:
    play = Written(f"{{voices: {voices}, zones: {{a1: 60, a2: 62, a3: 64}}}}")
    assert notes(play.down("a1") + play.down("a2") + play.down("a3")) == heard
    play.up("a1", "a2", "a3")
    assert play.receiver.sounding == set()


@pytest.mark.parametrize(("same", "second"), [("restrike", ["off 1 60", "on 1 60"]), ("join", [])])
def test_one_note_from_two_zones(same: str, second: list[str]) -> None:
    play = Written(f"{{voices: {{same_note: {same}}}, zones: {{a1: 60, b3: 60}}}}")
    play.down("a1")
    assert notes(play.down("b3")) == second
    assert play.up("a1") == []
    assert notes(play.up("b3")) == ["off 1 60"]


def test_a_body_on_the_mat() -> None:
    play = Written("{voices: {crowd: 3, crowd_ms: 40}, scale: {root: C4, type: major}}")
    play.readings.update(dict.fromkeys(play.readings, 700))
    assert len(notes(play.wait(0.1))) == 3


# ---- 5. expression ---------------------------------------------------------------------------


def test_velocity_and_release_velocity() -> None:
    play = Written(
        """
        velocity: {from: rise, range: [20, 110], release: true}
        zones: {a1: 60}
        """,
        sensor="level",
    )
    struck = kinds(play.down("a1"), "on")[0]
    assert 20 <= int(struck.split()[-1]) <= 110
    play.readings["a1"] = 0
    assert kinds(play.wait(0.1), "off")[0] != "off 1 60 64"
    fixed = Written("{velocity: {from: fixed, curve: {fixed: 77}}, zones: {a1: 60}}")
    assert fixed.step("a1") == ["on 1 60 77", "off 1 60 64"]


@pytest.mark.parametrize(
    ("pressure", "begins"),
    [
        ("{send: channel pressure}", "pressure 1 "),
        ("{send: polyphonic pressure}", "poly 1 60 "),
        ("{send: control, control: 74}", "control 1 74 "),
        ("{send: control, control: 1, bits: 14}", "control 1 1 "),
        ("{send: bend, semitones: 1}", "bend 1 "),
    ],
)
def test_pressure(pressure: str, begins: str) -> None:
    play = Written(f"{{pressure: {pressure}, zones: {{a1: 60}}}}", sensor="level")
    came = play.down("a1") + play.up("a1")
    values = [int(words.split()[-1]) for words in came if words.startswith(begins)]
    rest = 8192 if "bend" in pressure else 0
    assert values[-1] == rest
    assert max(values) > rest
    assert notes(came)[-1] == "off 1 60"


def test_pressure_keeps_its_rate() -> None:
    play = Written(
        "{pressure: {send: channel pressure, every_ms: 50, smoothing_ms: 0}, zones: {a1: 60}}",
        sensor="level",
    )
    came = []
    for reading in range(300, 1000, 20):
        play.readings["a1"] = reading
        came += play.wait(0.01)
    assert 5 <= len(kinds(came, "pressure")) <= 8


def test_mpe_and_a_just_tuning() -> None:
    play = Written("""
        mpe: {zone: upper, members: 4, bend_range: 24}
        tuning: {type: just, root: C}
        zones: {a1: C4, a2: E4}
    """)
    assert "control 16 6 4" in play.entry
    assert play.entry.count("control 12 6 24") == 1
    # With A at 440 Hz a pure sixth below makes C 264 Hz, 15.64 cents above equal temperament, and
    # E a pure fifth below A, 1.96 cents above.
    c, e = (8192 + round(8192 * cents / 2400) for cents in (15.641, 1.955))
    assert play.down("a1", "a2") == [
        *(f"bend 15 {c}", "pressure 15 0", "control 15 74 64", "on 15 60 100"),
        *(f"bend 14 {e}", "pressure 14 0", "control 14 74 64", "on 14 64 100"),
    ]


# ---- 6. actions ------------------------------------------------------------------------------

THREE = """
presets:
  low tide:
    zones:
      a1: {action: next preset}
      a2: {action: previous preset}
      a3: {action: {preset: squall}}
      b1: 60
  high tide: {like: low tide, enter: {program: 2}}
  squall: {like: low tide, enter: {program: 3}}
"""


def test_presets_by_zone() -> None:
    play = Written(THREE)
    assert play.step("a1") == ["program 1 1"]
    assert play.step("a3") == ["program 1 2"]
    assert play.step("a2") == ["program 1 1"]


def test_transposing_and_muting_by_zone() -> None:
    play = Written("""
        zones:
          a1: {action: {transpose: 3}}
          a2: {action: {octave: -1}}
          a3: {action: {transpose_to: 0}}
          b1: {action: mute}
          b2: {layers: [{note: C4}, {percussion: cowbell}]}
          b3: {action: panic}
    """)
    play.down("b2")
    play.step("a1")
    assert notes(play.up("b2")) == ["off 1 60", "off 10 56"]
    assert notes(play.down("b2")) == ["on 1 63", "on 10 56"]
    assert notes(play.step("b1")) == ["off 1 63", "off 10 56"]
    assert notes(play.up("b2") + play.step("b2")) == []
    play.step("b1", "a2")
    assert notes(play.step("b2"))[0] == "on 1 51"
    play.step("a3")
    play.down("b2")
    panic = play.down("b3")
    assert notes(panic) == ["off 1 60", "off 10 56"]
    assert panic[2:] == [f"control {on} {number} 0" for number in (123, 120) for on in (1, 10)]


def test_tempo_and_takes_by_zone() -> None:
    play = Written("zones: {a1: {action: tap tempo}, a2: {action: take}}")
    for _ in range(4):
        play.down("a1", seconds=0.25)
        play.up("a1", seconds=0.25)
    assert play.pipeline.player.tempo_bpm == pytest.approx(120.0, rel=0.02)
    play.step("a2")
    assert play.pipeline.player.requests == [Act.TAKE]


# ---- 7. entering and leaving -----------------------------------------------------------------


def test_what_is_sent_at_entry() -> None:
    play = Written("""
        enter:
          - {bank: 129, program: marimba, bend_range: 12, controls: {volume: 100, 91: 40}}
          - {output: rack, channel: 3, program: 34}
        zones: {a1: 60}
    """)
    assert play.entry == [
        *("control 1 0 1", "control 1 32 1", "program 1 12"),
        *("control 1 101 0", "control 1 100 0", "control 1 6 12", "control 1 38 0"),
        *("control 1 101 127", "control 1 100 127"),
        *("control 1 7 100", "control 1 91 40"),
        "1/program 3 33",
    ]


@pytest.mark.parametrize("leave", ["end", "ring"])
def test_leaving(leave: str) -> None:
    play = Written(f"""
        presets:
          low tide:
            leave: {leave}
            zones: {{a1: 60, a2: {{note: 62, hold: toggle}}, a3: {{action: next preset}}}}
          high tide:
            zones: {{a1: 72}}
    """)
    play.step("a2")
    play.down("a1")
    left = notes(play.step("a3"))
    assert sorted(left) == (["off 1 60", "off 1 62"] if leave == "end" else ["off 1 62"])
    assert notes(play.up("a1")) == ([] if leave == "end" else ["off 1 60"])
    assert notes(play.step("a1")) == on_off("1 72")


# ---- 8. time ---------------------------------------------------------------------------------


def test_clock_out_and_quantised_onsets_on_one_beat() -> None:
    play = Written("""
        tempo: 120
        outputs: {synth: {virtual: matbridge}, rack: {serial: /dev/ttyAMA0, clock: true}}
        presets: {low tide: {quantise: 1/8, zones: {a1: 60}}}
    """)
    assert play.entry == ["1/start"]
    ticks, onsets = [], []
    for turn in range(6):
        play.readings["a1"] = 700 if turn % 2 else 0
        began_s = play.now_s
        for at_s, words in play.wait_timed(0.537):
            if words == "1/clock":
                ticks.append(began_s + at_s)
            elif words.startswith("on"):
                onsets.append(began_s + at_s)
    assert len(onsets) == 3
    assert (ticks[-1] - ticks[0]) / (len(ticks) - 1) == pytest.approx(0.5 / 24, abs=1e-5)
    for onset_s in onsets:
        assert min(abs(onset_s - tick_s) for tick_s in ticks) < 2e-4


def test_the_tempo_of_an_outside_clock() -> None:
    play = Written("""
        outputs: {synth: {virtual: matbridge}}
        input: {port: "desk*", clock: true}
        presets: {low tide: {zones: {a1: {note: 60, hold: 1/4}}}}
    """)
    for _ in range(48):
        play.midi_in(0xF8)
        play.wait(0.025)  # 100 a minute
    assert timed(play, "a1", 1.0)[-1] == (0.6, "off 1 60")


# ---- 9. from outside -------------------------------------------------------------------------


def test_programs_and_controls_from_outside() -> None:
    play = Written("""
        outputs: {synth: {virtual: matbridge}}
        input:
          port: "desk*"
          channel: 2
          programs: {1: low tide, 9: squall}
          controls: {20: panic, 21: {transpose: 12}}
        presets:
          low tide: {zones: {a1: 60}}
          squall: {zones: {a1: 72}}
    """)
    assert play.midi_in(0xC0, 8) == []
    play.midi_in(0xC1, 8)
    assert notes(play.down("a1")) == ["on 1 72"]
    assert notes(play.midi_in(0xB1, 20, 127)) == ["off 1 72"]
    play.up("a1")
    play.midi_in(0xB1, 21, 127)
    assert notes(play.step("a1")) == on_off("1 84")


# ---- 10. economy -----------------------------------------------------------------------------


def test_defaults_groups_patterns_and_presets_like_others() -> None:
    play = Written("""
        outputs: {synth: {virtual: matbridge}, rack: {serial: /dev/ttyAMA0}}
        groups: {far: [b1, b2]}
        defaults:
          channel: 4
          zones: {b3: {action: next preset}}
        presets:
          low tide:
            zones: {far: {note: 48, output: rack}, "a*": 60, a2: {note: 61, channel: 5}}
          high tide:
            like: low tide
            channel: 6
            zones: {b2: 50}
    """)
    assert notes(play.step("a1", "a2", "b1", "b2")) == [
        *on_off("4 60", "5 61"),
        *("1/on 4 48", "1/off 4 48", "1/on 4 48", "1/off 4 48"),
    ]
    play.step("b3")
    assert notes(play.step("a1", "a2", "b1", "b2")) == [
        *on_off("6 60", "5 61"),
        *("1/on 6 48", "1/off 6 48", "1/on 6 50", "1/off 6 50"),
    ]
    assert play.finish() == []
