from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matbridge.midi.messages import KEYS
from matbridge.playing.ledger import Ledger, Sent, Sounding, key_of, recover
from tests.support.playing import Receiver, said

C4 = key_of(0, 1, 60)
E4 = key_of(1, 16, 64)


def test_keys_are_numbered_by_output_channel_and_note() -> None:
    assert key_of(0, 1, 0) == 0
    assert key_of(0, 16, 127) == KEYS - 1
    assert key_of(1, 1, 0) == KEYS


def test_a_note_is_struck_and_released() -> None:
    ledger, out = Ledger(2), list[Sent]()
    ledger.strike(C4, 90, 7, out)
    ledger.strike(E4, 91, 8, out)
    assert list(ledger.sounding()) == [Sounding(0, 1, 60, 7), Sounding(1, 16, 64, 8)]
    assert [key for key, byte in enumerate(ledger.image) if byte] == [C4, E4]
    assert not ledger.empty
    ledger.release(C4, 30, out)
    ledger.release(C4, 30, out)
    ledger.release(E4, 31, out)
    assert said(out) == ["on 1 60 90", "1/on 16 64 91", "off 1 60 30", "1/off 16 64 31"]
    assert ledger.empty
    assert not any(ledger.image)


def test_a_second_strike_is_heard_and_the_last_release_ends_it() -> None:
    ledger, out = Ledger(1), list[Sent]()
    for zone in range(3):
        ledger.strike(C4, 90 + zone, zone, out)
    assert list(ledger.sounding()) == [Sounding(0, 1, 60, 2)]
    for _ in range(3):
        ledger.release(C4, 20, out)
    assert said(out) == [
        "on 1 60 90",
        *("off 1 60 64", "on 1 60 91"),
        *("off 1 60 64", "on 1 60 92"),
        "off 1 60 20",
    ]


def test_joining_is_silent() -> None:
    ledger, out = Ledger(1), list[Sent]()
    ledger.join(C4, 90, 0, out)
    ledger.join(C4, 91, 1, out)
    assert [sounding.zone for sounding in ledger.sounding()] == [1]
    ledger.release(C4, 20, out)
    assert said(out) == ["on 1 60 90"]
    ledger.release(C4, 21, out)
    assert said(out)[1:] == ["off 1 60 21"]


def test_again_keeps_the_holders() -> None:
    ledger, out = Ledger(1), list[Sent]()
    ledger.again(C4, 90, out)
    assert out == []
    ledger.strike(C4, 90, 0, out)
    ledger.again(C4, 91, out)
    ledger.release(C4, 64, out)
    assert said(out) == ["on 1 60 90", "off 1 60 64", "on 1 60 91", "off 1 60 64"]


def test_clear_ends_a_key_once_however_many_hold_it() -> None:
    ledger, out = Ledger(2), list[Sent]()
    ledger.strike(E4, 1, 0, out)
    ledger.strike(C4, 1, 1, out)
    ledger.join(C4, 1, 2, out)
    out.clear()
    ledger.clear(out)
    assert said(out) == ["1/off 16 64 64", "off 1 60 64"]
    ledger.release(C4, 64, out)
    assert len(out) == 2


def test_the_image_may_live_elsewhere_and_tells_what_is_owed() -> None:
    elsewhere = memoryview(bytearray(2 * KEYS + 5))[5:]
    ledger, out = Ledger(2, elsewhere), list[Sent]()
    ledger.strike(C4, 90, 0, out)
    ledger.strike(E4, 90, 0, out)
    assert said(recover(elsewhere)) == ["off 1 60 64", "1/off 16 64 64"]
    ledger.clear(out)
    assert recover(elsewhere) == []
    with pytest.raises(ValueError, match="image of 7 bytes for 1 outputs"):
        Ledger(1, bytearray(7))


def test_what_sounded_on_a_lost_output_is_owed_until_it_is_back() -> None:
    ledger, out = Ledger(2), list[Sent]()
    ledger.strike(C4, 90, 0, out)
    ledger.strike(E4, 90, 0, out)
    ledger.lose(0, unseen=False)
    ledger.strike(C4 + 1, 90, 0, out)  # into the void
    ledger.lose(0, unseen=False)
    ledger.release(C4 + 1, 64, out)
    assert list(ledger.lost) == [0]
    ledger.release(C4, 64, out)
    ledger.keep_owed()
    assert said(recover(ledger.image)) == ["off 1 60 64", "1/off 16 64 64"]
    out.clear()
    ledger.back(0, out)
    assert said(out) == ["off 1 60 64"]
    assert not ledger.lost
    assert said(recover(ledger.image)) == ["1/off 16 64 64"]


def test_of_an_unseen_loss_the_latest_note_offs_are_owed_again() -> None:
    ledger, out = Ledger(2), list[Sent]()
    for key in (C4, E4):
        ledger.strike(key, 90, 0, out)
        ledger.release(key, 64, out)
    out.clear()
    ledger.lose(0, unseen=True)
    ledger.back(0, out)
    assert said(out) == ["off 1 60 64"]
    ledger.lose(0, unseen=True)
    assert said(recover(ledger.image)) == ["off 1 60 64"]


def test_another_ledger_takes_over_what_is_owed() -> None:
    old, out = Ledger(2), list[Sent]()
    old.strike(C4, 90, 0, out)
    old.strike(E4, 90, 0, out)
    old.lose(0, unseen=False)
    old.lose(1, unseen=False)
    new = Ledger(3)
    new.inherit(old, {1: 2})
    assert said(recover(new.image)) == ["2/off 16 64 64"]
    out.clear()
    new.back(2, out)
    assert said(out) == ["2/off 16 64 64"]


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["strike", "join", "again", "release", "clear"]),
            st.integers(0, 5),
        )
    )
)
def test_any_order_of_requests_pairs_every_note(requests: list[tuple[str, int]]) -> None:
    ledger, receiver = Ledger(1), Receiver()
    for request, key in requests:
        out: list[Sent] = []
        match request:
            case "strike":
                ledger.strike(key, 90, 0, out)
            case "join":
                ledger.join(key, 90, 0, out)
            case "again":
                ledger.again(key, 90, out)
            case "release":
                ledger.release(key, 64, out)
            case _:
                ledger.clear(out)
        receiver.hear(out)
        assert receiver.sounding == {(s.output, s.channel - 1, s.note) for s in ledger.sounding()}
        assert {key for key, byte in enumerate(ledger.image) if byte} == {
            note for _, _, note in receiver.sounding
        }
    out = []
    ledger.clear(out)
    receiver.hear(out)
    assert not receiver.sounding
    assert receiver.unasked_offs == 0
