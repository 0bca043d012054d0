"""What holds in a preset and a zone, once defaults, likeness, groups and patterns are applied.

    defaults  ->  the preset it is like  ->  the preset itself        later ones go before earlier
    in each:      groups and patterns, as written  ->  zones by name

A later one replaces what an earlier one said of the same key. `velocity`, `voices` and `scale` are
completed key by key instead. What a zone plays is one such thing, and the settings around it are
others: `row b: {hold: toggle}` and `b1: {note: D2}` together make b1 a toggling D2.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from matbridge.mapping.document import Path
from matbridge.mapping.fields import Form, near, said
from matbridge.mapping.patterns import Report, ZoneNames
from matbridge.mapping.schema_performance import PerformanceFile, Preset, PresetSettings
from matbridge.mapping.schema_zone import PLAY_KEYS, SoundZone

# Keys of a preset whose mappings are completed key by key, and keys in them of which only the last
# that was said counts.
COMPLETED: dict[str, frozenset[str]] = {
    "velocity": frozenset(),
    "voices": frozenset(),
    "scale": frozenset(("type", "semitones", "cents")),
}


class Said(NamedTuple):
    """A value, and where it was written."""

    value: Any
    path: Path


@dataclass(slots=True)
class ZoneSaid:
    """What holds for one zone: what it plays (None: its degree of the scale), and settings.

    beyond: whether its degree of the scale turned out to lie beyond what MIDI can number.
    """

    play: Said | None = None
    settings: dict[str, Said] = field(default_factory=dict)
    beyond: bool = False


@dataclass(slots=True)
class PresetSaid:
    """What holds in one preset. settings: by key; those in COMPLETED are dicts by key again.

    whole: whether every preset that it is like is there.
    """

    name: str
    path: Path
    settings: dict[str, Said] = field(default_factory=dict)
    completed: dict[str, dict[str, Said]] = field(default_factory=dict)
    zones: list[ZoneSaid] = field(default_factory=list)
    whole: bool = True

    def get(self, key: str) -> Any:
        """The value of a setting, or None."""
        found = self.settings.get(key)
        return None if found is None else found.value


def resolve(
    file: PerformanceFile, names: ZoneNames, presets: Sequence[str], report: Report
) -> Iterator[PresetSaid]:
    """Each preset of the file as it holds; `presets` are the names that `like` may use."""
    defaults: list[tuple[PresetSettings, Path]] = []
    if file.defaults is not None:
        defaults.append((file.defaults, ("defaults",)))
    for name, preset in file.presets.items():
        path: Path = ("presets", name)
        like = list(_likeness(file, name, presets, report))
        chain: list[tuple[PresetSettings, Path]] = [(preset, path), *like]
        said_here = PresetSaid(name, path, zones=[ZoneSaid() for _ in names.names])
        said_here.whole = (like[-1][0] if like else preset).like is None
        for settings, where in (*defaults, *reversed(chain)):
            # What is wrong in an earlier one has been reported where it stands.
            own = where == path or (where == ("defaults",) and name == next(iter(file.presets)))
            _apply(said_here, settings, where, names, report if own else _silent)
        yield said_here


def _silent(_path: Path, _message: str) -> None:
    return


def _likeness(
    file: PerformanceFile, name: str, presets: Sequence[str], report: Report
) -> Iterator[tuple[Preset, Path]]:
    """The presets that a preset is like, the nearest first."""
    seen = [name]
    preset = file.presets[name]
    while preset.like is not None:
        like = preset.like
        path: Path = ("presets", name, "like")
        if like in seen:
            if len(seen) == 1 or like == name:
                report(path, "presets are like each other in a circle: " + ", ".join([*seen, like]))
            return
        if like not in file.presets:
            if like not in presets and len(seen) == 1:
                others = [other for other in presets if other != name]
                report(path, f"there is no preset {said(like)}{near(like, others)}")
            return
        seen.append(like)
        preset = file.presets[like]
        yield preset, ("presets", like)


def _apply(
    preset: PresetSaid, settings: PresetSettings, path: Path, names: ZoneNames, report: Report
) -> None:
    for key, value in said_in(settings):
        if key in COMPLETED:
            _complete(preset.completed.setdefault(key, {}), value, (*path, key), COMPLETED[key])
        elif key not in ("zones", "like"):
            preset.settings[key] = Said(value, (*path, key))
    zones = settings.zones or {}
    for by_name in (False, True):
        for word, zone in zones.items():
            if (word in names.index) is by_name:
                here = (*path, "zones", word)
                for index in names.find(word, here, report):
                    _apply_zone(preset.zones[index], zone, here)


def _complete(held: dict[str, Said], form: Form, path: Path, exclusive: frozenset[str]) -> None:
    fresh = {key: Said(value, (*path, key)) for key, value in said_in(form)}
    if exclusive & fresh.keys():
        for key in exclusive:
            held.pop(key, None)
    held.update(fresh)


def _apply_zone(zone: ZoneSaid, form: object, path: Path) -> None:
    if not isinstance(form, Form):
        zone.play = Said(form, path)
        return
    keys = dict(said_in(form))
    played = [key for key in keys if key in PLAY_KEYS]
    if played:
        zone.play = Said(form, path)
        zone.settings.pop("label", None)
    for key, value in keys.items():
        if key in SETTING_KEYS:
            zone.settings[key] = Said(value, (*path, key))


def said_in(form: Form) -> Iterator[tuple[str, Any]]:
    """The keys that a file wrote in a form, as the file spells them, with their values."""
    for name, info in type(form).model_fields.items():
        if name in form.model_fields_set:
            yield info.alias or name, getattr(form, name)


# What may be said of a zone beside what it plays.
SETTING_KEYS = frozenset(
    name for name in SoundZone.model_fields if name not in PLAY_KEYS and name != "octave"
)
