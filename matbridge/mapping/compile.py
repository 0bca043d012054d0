"""A checked performance file to the plan that playing reads."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from matbridge.errors import Problem
from matbridge.mapping import lay
from matbridge.mapping.advice import advise
from matbridge.mapping.bend_ranges import with_bend_ranges
from matbridge.mapping.compile_mat import CompiledMat
from matbridge.mapping.document import Document, Path
from matbridge.mapping.fields import near, said
from matbridge.mapping.parts import PresetContext, action_part, compile_zone
from matbridge.mapping.pitches import EQUAL, ScaleNotes, TuningCents, tuning
from matbridge.mapping.plan import (
    ChannelEntry,
    InputPlan,
    Leaving,
    MpePlan,
    OutputKind,
    OutputPlan,
    PerformancePlan,
    PresetPlan,
    Priority,
    SameNote,
    VoicePlan,
)
from matbridge.mapping.problems import context
from matbridge.mapping.resolve import PresetSaid, Said, resolve, said_in
from matbridge.mapping.scales import SCALES
from matbridge.mapping.schema_performance import (
    OUTPUT_KEYS,
    Entry,
    Input,
    Mpe,
    PerformanceFile,
    Tuning,
)
from matbridge.mapping.schema_sound import PlainLayout, PointLayout, StepsLayout
from matbridge.mapping.settings import default_source, length
from matbridge.mapping.size import MAX_SIZE, Sizes
from matbridge.mapping.spelling import scale_has_flats, written_with_flats
from matbridge.mapping.tunings import ROOTS

LOWER_MANAGER, UPPER_MANAGER = 1, 16


class Compiler:
    """One performance on its way to a plan. Problems go to the document, warnings stay here."""

    def __init__(self, file: PerformanceFile, document: Document, mat: CompiledMat) -> None:
        self.file = file
        self.document = document
        self.mat = mat
        self.warnings: list[Problem] = []
        self._told: set[Problem] = set()
        # Names as the file has them, also of what was wrong in itself and so is not in `file`.
        self.outputs = _names(document, "outputs")
        self.presets = _names(document, "presets")

    def report(self, path: Path, message: str) -> None:
        """Add a problem, once: what presets share may be looked at for each of them."""
        problem = self.document.at(path, context(path) + message)
        if problem not in self._told:
            self._told.add(problem)
            self.document.problems.append(problem)

    def warn(self, path: Path, message: str) -> None:
        """Add a warning, once."""
        warning = self.document.at(path, context(path) + message, key=True)
        if warning not in self._told:
            self._told.add(warning)
            self.warnings.append(warning)

    def plan(self) -> PerformancePlan:
        file, names = self.file, self.mat.names
        names.add_groups(file.groups, ("groups",), self.report)
        resolved = self.resolved()
        presets = [_PresetCompiler(self, preset).plan() for preset in resolved]
        outputs = [_output(name, form) for name, form in file.outputs.items()]
        plan = PerformancePlan(
            name=file.performance,
            outputs=tuple(outputs),
            presets=with_bend_ranges(presets),
            first=self.first(),
            tempo_bpm=file.tempo,
            input=None if file.input is None else self.input(file.input),
            clock_outputs=tuple(
                index for index, form in enumerate(file.outputs.values()) if form.clock
            ),
        )
        if not self.document.problems:
            advise(plan, resolved, self.mat.plan, self.warn)
        return plan

    def resolved(self) -> list[PresetSaid]:
        """What holds in each preset; none where that is too much to be compiled."""
        sizes, size = Sizes(), 0
        found = []
        for preset in resolve(self.file, self.mat.names, self.presets, self.report):
            size += sizes.of(preset)
            if size > MAX_SIZE:
                self.report(
                    ("presets",),
                    f"presets, zones and notes are more than {MAX_SIZE} together by "
                    f"{said(preset.name)}; write fewer presets, or make several performances of it",
                )
                return []
            found.append(preset)
        return found

    def first(self) -> int:
        if self.file.first is None:
            return 0
        if self.file.first not in self.presets:
            hint = near(self.file.first, self.presets)
            self.report(("first",), f"there is no preset {said(self.file.first)}{hint}")
            return 0
        return self.presets.index(self.file.first)

    def input(self, form: Input) -> InputPlan:
        channel = form.channel or 0
        programs: list[tuple[int, int, int]] = []
        for program, name in form.programs.items():
            if name in self.presets:
                programs.append((channel, program - 1, self.presets.index(name)))
            else:
                path = ("input", "programs", str(program))
                self.report(path, f"there is no preset {said(name)}{near(name, self.presets)}")
        controls = []
        for control, action in form.controls.items():
            path = ("input", "controls", self.written(("input", "controls"), control))
            part = action_part(action, path, self.presets, self.report)
            if part is not None:
                controls.append((channel, control, part))
        return InputPlan(form.port, tuple(programs), tuple(controls), form.clock, form.driver)

    def written(self, path: Path, control: int) -> str:
        """How a control that is a key was written: by number or by name."""
        from matbridge.mapping.controls import CONTROL_NAMES

        return next(
            (
                key
                for key in (str(control), CONTROL_NAMES.get(control, ""))
                if (*path, key) in self.document.key_marks
            ),
            str(control),
        )


class _PresetCompiler:
    def __init__(self, show: Compiler, preset: PresetSaid) -> None:
        self.show = show
        self.preset = preset
        self.outputs = {name: index for index, name in enumerate(show.outputs)}
        self.output = self.output_of(preset.settings.get("output"))
        self.mpe = self.mpe_plans()
        self.channel = self.default_channel()
        self.entry = self.entries()

    def plan(self) -> PresetPlan:
        preset = self.preset
        bend_ranges = self.bend_ranges()
        zones = self.zone_context(bend_ranges)
        degrees = self.degrees()
        plans = tuple(
            compile_zone(zone, degrees.get(index), zones) for index, zone in enumerate(preset.zones)
        )
        return PresetPlan(
            name=preset.name,
            zones=plans,
            voices=_voices(preset.completed.get("voices", {})),
            entry=tuple(self.entry.values()),
            mpe=self.mpe,
            bend_ranges=tuple(
                (output, channel, semitones) for (output, channel), semitones in bend_ranges.items()
            ),
            leaving=Leaving(preset.get("leave") or Leaving.RING),
            quantise=None if preset.get("quantise") is None else length(preset.get("quantise")),
            tempo_bpm=preset.get("tempo"),
            flats=zones.flats,
        )

    def zone_context(self, bend_ranges: dict[tuple[int, int], int]) -> PresetContext:
        preset = self.preset
        scale = self.scale()
        return PresetContext(
            outputs=self.outputs,
            presets=self.show.presets,
            output=self.output,
            channel=self.channel,
            settings=preset.settings,
            velocity=preset.completed.get("velocity", {}),
            scale=scale,
            tuning=self.tuning(),
            transpose=preset.get("transpose") or 0,
            source=default_source(self.show.mat.plan),
            flats=self.flats(scale),
            bend_ranges=bend_ranges,
            note_ranges=bend_ranges
            | {(mpe.output, mpe.manager): mpe.bend_range for mpe in self.mpe},
            report=self.show.report,
            warn=self.show.warn,
            no_scale=self.no_scale,
        )

    def no_scale(self, path: Path) -> None:
        """A degree without a scale is wrong, unless the scale itself was, or what it came from."""
        document = self.show.document
        sources = [(*self.preset.path, key) for key in ("scale", "like")] + [("defaults", "scale")]
        if all(map(document.is_whole, sources)) and self.preset.whole:
            self.show.report(path, "a degree needs a scale; give the preset one")

    def flats(self, scale: ScaleNotes | None) -> bool:
        """Whether notes are named with flats: as the scale has them, else as notes are written."""
        root = self.preset.completed.get("scale", {}).get("root")
        written = None if root is None else self.written(root.path)
        if scale is not None and isinstance(written, str):
            return scale_has_flats(written, [step / 100 for step in scale.steps])
        return written_with_flats(self.written(self.preset.path))

    def written(self, path: Path) -> Any:
        """What stands in the file at a path."""
        value: Any = self.show.document.data
        for part in path:
            if isinstance(value, dict):
                value = value.get(str(part))
        return value

    # ---- notes -----------------------------------------------------------------------------

    def scale(self) -> ScaleNotes | None:
        keys = self.preset.completed.get("scale")
        if not keys:
            return None
        paths = {said_of.path[:-1] for said_of in keys.values()}
        whole = all(map(self.show.document.is_whole, paths))
        if "root" not in keys:
            if whole:
                path = next(iter(keys.values())).path[:-1]
                self.show.report(path, "the scale has no root; write root: D3, for example")
            return None
        kinds = [keys[key] for key in ("type", "semitones", "cents") if key in keys]
        if len(kinds) > 1:
            last = kinds[-1]
            self.show.report(last.path, "a scale has one of type, semitones and cents")
        if not kinds:
            if whole:
                path = keys["root"].path[:-1]
                self.show.report(path, "the scale has no type; write type: dorian, for example")
            return None
        kind, value = kinds[0].path[-1], kinds[0].value
        if kind == "cents":
            steps = tuple(map(float, value))
        else:
            semitones = SCALES[value] if kind == "type" else value
            steps = tuple(100.0 * step for step in semitones)
        return ScaleNotes(keys["root"].value, steps)

    def tuning(self) -> TuningCents:
        form: Tuning | None = self.preset.get("tuning")
        if form is None:
            return EQUAL
        if form.type is not None and form.cents is not None:
            path = self.preset.settings["tuning"].path
            self.show.report((*path, "cents"), "a tuning has one of type and cents")
        return tuning(form.type or "equal", form.cents, ROOTS[form.root], form.a4_hz)

    def degrees(self) -> dict[int, int]:
        """The place in the scale, from 0, of each zone that takes part in it."""
        zones = self.show.mat.plan.zones
        everything = range(len(zones))
        found = self.preset.settings.get("layout")
        if found is None:
            return lay.in_order(zones, everything)
        layout, path = found
        if isinstance(layout, str):
            return lay.PLAIN[layout](zones, everything)
        if isinstance(layout, list):
            return lay.in_order(zones, self.find(layout, path))
        taking: Sequence[int] = everything
        if layout.zones is not None:
            taking = self.find(layout.zones, (*path, "zones"))
        match layout:
            case PlainLayout():
                return lay.PLAIN[layout.by](zones, taking)
            case PointLayout() if layout.by == "distance":
                return lay.by_distance(zones, taking, layout.from_)
            case PointLayout():
                return lay.by_angle(zones, taking, layout.from_)
            case StepsLayout():
                return lay.by_steps(zones, taking, layout.across, layout.along)
        raise AssertionError(layout)

    def find(self, words: Sequence[str], path: Path) -> list[int]:
        zones: dict[int, None] = {}
        for place, word in enumerate(words):
            found = self.show.mat.names.find(word, (*path, place), self.show.report)
            zones.update(dict.fromkeys(found))
        return list(zones)

    # ---- channels --------------------------------------------------------------------------

    def output_of(self, found: Said | None) -> int:
        if found is None:
            return 0
        if found.value not in self.outputs:
            hint = near(found.value, self.outputs)
            self.show.report(found.path, f"there is no output {said(found.value)}{hint}")
            return 0
        return self.outputs[found.value]

    def default_channel(self) -> int:
        channel = self.preset.get("channel")
        if channel is not None:
            return int(channel)
        own = [each.manager for each in self.mpe if each.output == self.output]
        return own[0] if own else 1

    def mpe_plans(self) -> tuple[MpePlan, ...]:
        found = self.preset.settings.get("mpe")
        if found is None:
            return ()
        several = isinstance(found.value, list)
        forms: list[Mpe] = found.value if several else [found.value]
        plans: list[MpePlan] = []
        for place, form in enumerate(forms):
            path = (*found.path, place) if several else found.path
            output = self.output
            if form.output is not None:
                output = self.output_of(Said(form.output, (*path, "output")))
            manager = LOWER_MANAGER if form.zone == "lower" else UPPER_MANAGER
            beside = [each for each in plans if each.output == output]
            if any(each.manager == manager for each in beside):
                self.show.report(path, f"the {form.zone} zone of this output is written twice")
            elif beside and beside[0].members + form.members > 14:
                self.show.report(
                    (*path, "members"),
                    f"{beside[0].members} and {form.members} members do not fit into 14 channels",
                )
            plans.append(MpePlan(output, manager, form.members, form.bend_range))
        return tuple(plans)

    def entries(self) -> dict[tuple[int, int], ChannelEntry]:
        found = self.preset.settings.get("enter")
        if found is None:
            return {}
        several = isinstance(found.value, list)
        forms: list[Entry] = found.value if several else [found.value]
        entries: dict[tuple[int, int], ChannelEntry] = {}
        for place, form in enumerate(forms):
            path = (*found.path, place) if several else found.path
            output = self.output
            if form.output is not None:
                output = self.output_of(Said(form.output, (*path, "output")))
            channel = form.channel or self.channel
            if (output, channel) in entries:
                self.show.report(path, f"channel {channel} of this output is written twice")
            entries[output, channel] = ChannelEntry(
                output=output,
                channel=channel,
                bank=form.bank,
                program=None if form.program is None else form.program - 1,
                bend_range=form.bend_range,
                controls=tuple(form.controls.items()),
            )
        return entries

    def bend_ranges(self) -> dict[tuple[int, int], int]:
        return {
            place: entry.bend_range
            for place, entry in self.entry.items()
            if entry.bend_range is not None
        }


def _voices(said_of: Mapping[str, Said]) -> VoicePlan:
    keys = {key: found.value for key, found in said_of.items()}
    default = VoicePlan()
    return VoicePlan(
        limit=keys.get("limit", default.limit),
        priority=Priority(keys.get("priority", default.priority)),
        retrigger=keys.get("retrigger", default.retrigger),
        same_note=SameNote(keys.get("same_note", default.same_note)),
        crowd=keys.get("crowd", default.crowd),
        crowd_s=keys.get("crowd_ms", default.crowd_s * 1000) / 1000,
    )


def _output(name: str, form: Any) -> OutputPlan:
    kind = OutputKind(next(key for key in OUTPUT_KEYS if hasattr(form, key)))
    options = tuple(
        (key, tuple(value) if isinstance(value, list) else value)
        for key, value in said_in(form)
        if key not in (kind.value, "clock")
    )
    return OutputPlan(name, kind, getattr(form, kind.value), options)


def _names(document: Document, key: str) -> list[str]:
    data = document.data
    named = data.get(key) if isinstance(data, dict) else None
    return list(named) if isinstance(named, dict) else []
