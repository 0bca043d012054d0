"""What a full bend means, told anew wherever an earlier preset has told the synth otherwise."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from matbridge.mapping.plan import (
    DEFAULT_BEND_RANGE,
    ActionPart,
    ChannelEntry,
    PedalPart,
    PresetPlan,
)

Place = tuple[int, int]
"""Output and channel."""


def with_bend_ranges(presets: Sequence[PresetPlan]) -> tuple[PresetPlan, ...]:
    """The presets, each announcing the usual bend range on channels it plays on without a word.

    A synth keeps the range it was told last: without this a preset's bends would be as wide as
    those of whichever preset was played before it.
    """
    told = {place for preset in presets for place in _told(preset)}
    return tuple(_completed(preset, told) for preset in presets)


def _completed(preset: PresetPlan, told: set[Place]) -> PresetPlan:
    silent = (told & set(_played(preset))) - set(_told(preset))
    if not silent:
        return preset
    entries = {(entry.output, entry.channel): entry for entry in preset.entry}
    for output, channel in sorted(silent):
        entry = entries.get((output, channel), ChannelEntry(output, channel))
        entries[output, channel] = replace(entry, bend_range=DEFAULT_BEND_RANGE)
    return replace(preset, entry=tuple(entries.values()))


def _told(preset: PresetPlan) -> Iterator[Place]:
    """Where a preset tells the synth a range, itself or by its MPE zones."""
    for entry in preset.entry:
        if entry.bend_range is not None:
            yield entry.output, entry.channel
    for mpe in preset.mpe:
        yield mpe.output, mpe.manager
        for channel in mpe.channels:
            yield mpe.output, channel


def _played(preset: PresetPlan) -> Iterator[Place]:
    for zone in preset.zones:
        for part in zone.parts:
            if not isinstance(part, PedalPart | ActionPart):
                yield part.output, part.channel
