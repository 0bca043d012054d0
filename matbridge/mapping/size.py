"""How much a performance asks for once defaults, likeness and groups are applied; and the limit.

A few kilobytes can ask for millions of notes: what `defaults` say of a group of a thousand zones
holds in a thousand presets. So it is counted before it is compiled:

    a zone                              1
    each thing that it plays or works   1, a pedal as much as a sound
    each note of that                   1, in every step of a sequence
"""

from __future__ import annotations

from typing import Any

from matbridge.mapping.chords import CHORDS
from matbridge.mapping.resolve import PresetSaid
from matbridge.mapping.schema_zone import LayersZone, SoundZone, StepForm

# A mat of 1024 zones in 60 presets, or 24 zones that play all they can, four hundred times what the
# largest example asks for. Written to do harm, it takes some seconds and 150 MB.
MAX_SIZE = 200_000

_CHORD_NOTES = max(map(len, CHORDS.values()))


class Sizes:
    """Sizes of what is said in one performance. A form that many zones share is counted once."""

    def __init__(self) -> None:
        self._known: dict[int, int] = {}

    def of(self, preset: PresetSaid) -> int:
        """The size of a preset."""
        return sum(
            1 + (2 if zone.play is None else self._of_form(zone.play.value))
            for zone in preset.zones
        )

    def _of_form(self, form: Any) -> int:
        # The forms are the performance's own and stay, so an identity is not used twice.
        size = self._known.get(id(form))
        if size is None:
            layers = form.layers if isinstance(form, LayersZone) else (form,)
            size = self._known[id(form)] = sum(1 + _notes(layer) for layer in layers)
        return size


def _notes(form: Any) -> int:
    """How many notes something plays, at most."""
    if isinstance(form, SoundZone) and form.sequence is not None:
        return sum(map(_notes, form.sequence))
    if isinstance(form, SoundZone | StepForm):
        if form.notes is not None:
            return len(form.notes)
        if form.chord is not None:
            return _CHORD_NOTES
    return 1
