"""Every kind of message on every channel, as mido reads it."""

from __future__ import annotations

from collections.abc import Callable

import mido
import pytest

from matbridge.midi import messages

CHANNELS = range(1, 17)


@pytest.mark.parametrize("channel", CHANNELS)
@pytest.mark.parametrize(
    ("message", "expected"),
    [
        (lambda c: messages.note_on(c, 60, 1), ("note_on", {"note": 60, "velocity": 1})),
        (lambda c: messages.note_off(c, 61, 0), ("note_off", {"note": 61, "velocity": 0})),
        (lambda c: messages.note_off(c, 62), ("note_off", {"note": 62, "velocity": 64})),
        (lambda c: messages.poly_pressure(c, 63, 9), ("polytouch", {"note": 63, "value": 9})),
        (
            lambda c: messages.control_change(c, 119, 127),
            ("control_change", {"control": 119, "value": 127}),
        ),
        (lambda c: messages.program_change(c, 127), ("program_change", {"program": 127})),
        (lambda c: messages.channel_pressure(c, 5), ("aftertouch", {"value": 5})),
        (lambda c: messages.pitch_bend(c, 0), ("pitchwheel", {"pitch": -8192})),
        (lambda c: messages.pitch_bend(c, 8192), ("pitchwheel", {"pitch": 0})),
        (lambda c: messages.pitch_bend(c, 16383), ("pitchwheel", {"pitch": 8191})),
    ],
)
def test_each_message_says_what_mido_hears(
    channel: int, message: Callable[[int], bytes], expected: tuple[str, dict[str, int]]
) -> None:
    kind, facts = expected
    assert mido.Message.from_bytes(message(channel)) == mido.Message(
        kind, channel=channel - 1, **facts
    )
    assert messages.kind_and_channel(message(channel)) == (message(channel)[0] & 0xF0, channel)


@pytest.mark.parametrize(
    ("message", "kind"),
    [
        (messages.CLOCK, "clock"),
        (messages.START, "start"),
        (messages.CONTINUE, "continue"),
        (messages.STOP, "stop"),
    ],
)
def test_timing_messages(message: bytes, kind: str) -> None:
    assert mido.Message.from_bytes(message).type == kind
    assert messages.kind_and_channel(message) == (message[0], 0)


def test_heads_make_the_same_messages() -> None:
    for channel in CHANNELS:
        for note in (0, 1, 60, 127):
            key = messages.key(channel, note)
            assert (messages.key_channel(key), messages.key_note(key)) == (channel, note)
            data = messages.DATA[77]
            assert messages.NOTE_ON_HEADS[key] + data == messages.note_on(channel, note, 77)
            assert messages.NOTE_OFF_HEADS[key] + data == messages.note_off(channel, note, 77)
            assert messages.POLY_PRESSURE_HEADS[key] + data == messages.poly_pressure(
                channel, note, 77
            )
    assert len({messages.key(c, n) for c in CHANNELS for n in range(128)}) == messages.KEYS
    with pytest.raises(IndexError):
        messages.DATA[128]


@pytest.mark.parametrize(
    "mistake",
    [
        lambda: messages.note_on(0, 60, 1),
        lambda: messages.note_on(17, 60, 1),
        lambda: messages.note_on(1, 128, 1),
        lambda: messages.note_on(1, -1, 1),
        lambda: messages.note_on(1, 60, 128),
        lambda: messages.note_on(1, 60, 0),
        lambda: messages.program_change(1, 128),
        lambda: messages.channel_pressure(1, -1),
        lambda: messages.pitch_bend(1, 16384),
        lambda: messages.pitch_bend(1, -1),
        lambda: messages.control_14(1, 32, 0),
        lambda: messages.control_14(1, 0, 16384),
        lambda: messages.key(1, 128),
        lambda: messages.key(0, 0),
    ],
)
def test_what_midi_cannot_say_is_refused(mistake: Callable[[], object]) -> None:
    with pytest.raises(ValueError, match=r"not within|note-off"):
        mistake()
