"""Which port a pattern means, and what may name one."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matbridge.errors import OutputAmbiguous, OutputUnavailable
from matbridge.midi.port_names import MAX_NAME, find, fit_name, plain, valid_name

# As ALSA lists them, with numbers that differ from plug to plug, and as JACK does, without.
LISTED = [
    "Midi Through:Midi Through Port-0 14:0",
    "USB MIDI Interface:USB MIDI Interface MIDI 1 20:0",
    "Harbour Synth:in 24:0",
    "Harbour Synth:in 28:0",
    "organ:left",
    "organ:right",
]


@pytest.mark.parametrize(
    ("pattern", "index"),
    [
        ("USB MIDI*", 1),
        ("usb midi*", 1),
        ("USB MIDI Interface:USB MIDI Interface MIDI 1", 1),
        ("USB MIDI Interface", 1),
        ("left", 4),
        ("organ:r*", 5),
        ("Harbour Synth #1", 2),
        ("Harbour Synth #2", 3),
        ("harbour* #2", 3),
        ("organ #2", 5),
        ("Harbour Synth #3", None),
        ("piano*", None),
        ("USB", None),
        ("20:0", None),
    ],
)
def test_a_pattern_means_the_one_port_it_fits(pattern: str, index: int | None) -> None:
    assert find(pattern, LISTED) == index


def test_a_pattern_that_fits_several_is_refused_with_their_names_and_what_to_write() -> None:
    with pytest.raises(OutputAmbiguous) as caught:
        find("organ", LISTED)
    assert caught.value.names == ("organ:left", "organ:right")
    assert "#1 'organ:left', #2 'organ:right'" in str(caught.value)
    assert find("organ #1", LISTED) == LISTED.index("organ:left")


def test_a_port_with_a_number_sign_in_its_name_is_meant_by_its_name() -> None:
    assert find("Bus #2", ["Bus #1", "Bus #2"]) == 1


def test_alsa_numbers_are_no_part_of_a_name() -> None:
    assert plain("Harbour Synth:in 28:0") == "Harbour Synth:in"
    assert plain("Take 5:in") == "Take 5:in"


@pytest.mark.parametrize("name", ["matbridge", "a", "n" * MAX_NAME, "Mat (left) #2"])
def test_names_that_every_system_takes(name: str) -> None:
    assert valid_name(name) == name


@pytest.mark.parametrize("name", ["", "a:b", "möwe", "n" * (MAX_NAME + 1), "a\nb", " a", "a "])
def test_names_that_some_system_garbles_are_refused(name: str) -> None:
    with pytest.raises(OutputUnavailable, match="cannot name a MIDI port"):
        valid_name(name)


@given(st.text())
def test_any_text_can_be_made_to_fit(text: str) -> None:
    assert valid_name(fit_name(text))
