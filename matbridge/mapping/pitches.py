"""Degrees, notes, chords and tunings to pitches."""

from __future__ import annotations

from dataclasses import dataclass

from matbridge.mapping.notes import note_name
from matbridge.mapping.plan import Pitch
from matbridge.mapping.tunings import TUNINGS, cents

OCTAVE_CENTS = 1200.0
SEMITONE_CENTS = 100.0


@dataclass(frozen=True, slots=True)
class ScaleNotes:
    """A scale: its root as a note, and its steps within the octave, in cents."""

    root: int
    steps: tuple[float, ...]

    def cents(self, place: int) -> float:
        """How high the degree at `place` (0 is the root; below 0 goes down) is, note 0 being 0."""
        octave, step = divmod(place, len(self.steps))
        return self.root * SEMITONE_CENTS + octave * OCTAVE_CENTS + self.steps[step]


@dataclass(frozen=True, slots=True)
class TuningCents:
    """How far each pitch class departs from equal temperament at A4 = 440 Hz, from C upwards.

    shift: what the pitch of A4 adds to every note, also to those of a scale in cents.
    """

    departures: tuple[float, ...] = (0.0,) * 12
    shift: float = 0.0


EQUAL = TuningCents()


def tuning(type_: str, own: tuple[float, ...] | None, root: int, a4_hz: float) -> TuningCents:
    """The departures of a tuning by name, or by 12 cents of one's own, from its root.

    A4 itself keeps the pitch it is given, whatever the tuning makes of the other notes.
    """
    from_root = TUNINGS[type_] if own is None else own
    departures = tuple(from_root[(pitch_class - root) % 12] for pitch_class in range(12))
    return TuningCents(departures, cents(a4_hz / 440.0) - departures[A_PITCH_CLASS])


A_PITCH_CLASS = 9


def pitch_of_note(note: int, transpose: int, tuned: TuningCents) -> Pitch:
    """A note, transposed and tuned. May lie outside 0-127."""
    note += transpose
    return pitch_of_cents(note * SEMITONE_CENTS + tuned.departures[note % 12] + tuned.shift)


def pitch_of_cents(height: float) -> Pitch:
    """The nearest note, and by how many cents the height departs from it."""
    note = round(height / SEMITONE_CENTS)
    return Pitch(note, round(height - note * SEMITONE_CENTS, 4))


def pitch_label(pitch: Pitch, *, flats: bool = False) -> str:
    """ "D3", or "D3 -14 c" where the sound departs from it by a cent or more."""
    name = note_name(pitch.note, flats=flats)
    departure = round(pitch.cents)
    return name if departure == 0 else f"{name} {departure:+d} c"
