"""The performance file, key by key, with a line on each for editors and the README."""

from __future__ import annotations

from typing import Annotated, Any, Never

from pydantic import Field

from matbridge.mapping.addresses import ALLOWED, LAST_PORT, PEER
from matbridge.mapping.choice import (
    NO_FORM,
    ONE,
    SEVERAL,
    by_key,
    form,
    no_form_by_key,
    one_or_several,
)
from matbridge.mapping.fields import (
    DRIVER_TEXT,
    Channel,
    Driver,
    Flag,
    Form,
    Name,
    Rule,
    line_of_text,
    number,
    one_of,
    refusal,
    said,
    whole,
)
from matbridge.mapping.schema_sound import (
    Hold,
    Layout,
    Pressure,
    Scale,
    TimeSpan,
    Velocity,
    control_number,
)
from matbridge.mapping.schema_zone import Action, Bank, Program, Zone
from matbridge.mapping.tunings import ROOTS, TUNINGS

# Slower than a breath, faster than any hand.
MIN_TEMPO, MAX_TEMPO = 20, 400

Tempo = Annotated[float, number(MIN_TEMPO, MAX_TEMPO)]

# ---- where MIDI goes ---------------------------------------------------------------------------


class _Output(Form):
    clock: Flag = Field(False, description="Send MIDI clock, start and stop there.")


class VirtualOutput(_Output):
    """A new port that other programs connect to."""

    virtual: Annotated[str, line_of_text("a port name", r"[ -9;-~]+", 32)] = Field(
        description="A new port of this name, that other programs connect to."
    )
    driver: Driver = Field("auto", description=DRIVER_TEXT)


class PortOutput(_Output):
    """A port that already exists."""

    port: Annotated[str, line_of_text("a port pattern")] = Field(
        description='A port that exists, by name or pattern: "USB MIDI*".'
    )
    driver: Driver = Field("auto", description=DRIVER_TEXT)


class SerialOutput(_Output):
    """A DIN jack on a serial line."""

    serial: Annotated[str, line_of_text("a serial path", r"/[!-~]+")] = Field(
        description="A serial line with a DIN jack: raw MIDI."
    )
    baud: Annotated[int, whole(31_250, 4_000_000)] = Field(
        31_250, description="31 250, as every DIN jack has it, unless the far end is faster."
    )


class FileOutput(_Output):
    """A Standard MIDI File."""

    file: Annotated[str, line_of_text("a file name")] = Field(
        description="A Standard MIDI File that is written as it is played."
    )
    replace: Flag = Field(
        False, description="Write over an earlier recording; else the new one gets a number."
    )


class NetworkOutput(_Output):
    """A session over the network (RTP-MIDI, RFC 6295)."""

    network: Annotated[str, line_of_text("a session name", longest=60)] = Field(
        description="The name of the session that others see."
    )
    interface: Annotated[str, line_of_text("an interface or address", r"[!-~]+", 60)] = Field(
        description="The network interface or own address that it is bound to: eth0."
    )
    port: Annotated[int, whole(1, LAST_PORT)] = Field(
        5004,
        description="The UDP port, best an even one: some peers take an odd port for one of data. "
        "The one after it is taken, too.",
    )
    invite: Annotated[list[Annotated[str, PEER]], Field(max_length=16)] | None = Field(
        None, description="Addresses to invite: [192.168.1.20]."
    )
    allow: Annotated[list[str], ALLOWED] | None = Field(
        None,
        description="Networks whose invitations are taken, [192.168.1.0/24], or any; none, unless "
        "given.",
    )
    advertise: Flag = Field(False, description="Let others find the session by its name (mDNS).")


class BluetoothOutput(_Output):
    """A Bluetooth LE MIDI device that phones and tablets connect to."""

    bluetooth: Annotated[str, line_of_text("a device name", r"[ -9;-~]+", 32)] = Field(
        description="The name that phones and tablets see."
    )
    adapter: Annotated[str, line_of_text("an adapter", r"[!-~]+", 20)] | None = Field(
        None, description="The Bluetooth adapter, hci0; the first that is there, unless given."
    )


OUTPUT_KEYS = ("virtual", "network", "bluetooth", "port", "serial", "file")

Output = Annotated[
    Annotated[VirtualOutput, form("virtual")]
    | Annotated[NetworkOutput, form("network")]
    | Annotated[BluetoothOutput, form("bluetooth")]
    | Annotated[PortOutput, form("port")]
    | Annotated[SerialOutput, form("serial")]
    | Annotated[FileOutput, form("file")]
    | Annotated[Never, no_form_by_key("an output", "{virtual: matbridge}", OUTPUT_KEYS), NO_FORM],
    by_key(OUTPUT_KEYS),
]

# ---- what comes from outside -------------------------------------------------------------------


def _numbered(what: str, low: int, high: int) -> Rule:
    """A key that is a whole number, written as text by the reader of the file."""

    def check(value: Any) -> int:
        digits = str(value)
        if not digits.isascii() or not digits.isdigit() or not low <= int(digits) <= high:
            raise refusal(f"{said(value)} is not {what} {low}-{high}")
        return int(digits)

    return Rule(check, {"type": "string", "pattern": "^[0-9]{1,3}$"})


def _control_key(value: Any) -> int:
    return control_number(int(value) if isinstance(value, str) and value.isdigit() else value)


class Input(Form):
    """A port whose messages act on the bridge."""

    port: Annotated[str, line_of_text("a port pattern")] = Field(
        description="The port to listen to, by name or pattern."
    )
    driver: Driver = Field("auto", description=DRIVER_TEXT)
    channel: Channel | None = Field(
        None, description="Listen to this channel only, 1-16; to all, unless given."
    )
    clock: Flag = Field(False, description="Take the tempo from its MIDI clock.")
    programs: dict[Annotated[int, _numbered("a program", 1, 128)], Name] = Field(
        default_factory=dict, description="Which preset a program 1-128 switches to: {1: low tide}."
    )
    controls: dict[Annotated[int, Rule(_control_key, {"type": "string"})], Action] = Field(
        default_factory=dict,
        description="What a control does when it comes with 64 or more: {20: panic}.",
    )


# ---- voices, channels, entering and leaving ----------------------------------------------------


class Voices(Form):
    """How many notes sound at once, and which give way."""

    limit: Annotated[int, whole(1, 128)] | None = Field(
        None,
        description="So many notes at once on a channel, 1 for one voice; no limit, unless given.",
    )
    priority: Annotated[str, one_of("priority", ("last", "lowest", "highest"))] | None = Field(
        None,
        description="Which notes stay when there are too many: last (the oldest gives way), lowest "
        "or highest.",
    )
    retrigger: Flag | None = Field(
        None,
        description="true (one note ends before the next is struck) or false (after, so that a "
        "synth plays them bound together).",
    )
    same_note: Annotated[str, one_of("same_note", ("restrike", "join"))] | None = Field(
        None,
        description="When two zones play one note: restrike (strike it anew) or join (it goes on).",
    )
    crowd: Annotated[int, whole(0, 128)] | None = Field(
        None,
        description="So many zones may be struck within crowd_ms; the rest is a body on the mat "
        "and stays silent. 0 for no limit.",
    )
    crowd_ms: Annotated[float, number(1, 1000)] | None = Field(
        None, description="The time that crowd speaks of; 50 unless given."
    )


class Mpe(Form):
    """Every note on a channel of its own, so that each can be bent and pressed by itself."""

    zone: Annotated[str, one_of("MPE zone", ("lower", "upper"))] = Field(
        "lower", description="lower (led by channel 1) or upper (led by channel 16)."
    )
    members: Annotated[int, whole(1, 15)] = Field(
        15, description="How many channels notes are spread over."
    )
    bend_range: Annotated[int, whole(1, 96)] = Field(
        48, description="Semitones that full bend stands for on those channels."
    )
    output: Name | None = Field(None, description="Another output than the preset's.")


MpeSaid = Annotated[Annotated[list[Mpe], SEVERAL] | Annotated[Mpe, ONE], one_or_several(word=False)]


class Entry(Form):
    """What is sent on one channel when the preset is entered."""

    output: Name | None = Field(None, description="Another output than the preset's.")
    channel: Channel | None = Field(None, description="Another channel than the preset's, 1-16.")
    bank: Bank | None = Field(
        None, description="The bank, 0-16383: 128 times control 0, plus control 32."
    )
    program: Program | None = Field(
        None, description="Program 1-128, or a General MIDI name: marimba."
    )
    bend_range: Annotated[int, whole(1, 96)] | None = Field(
        None, description="Semitones that full bend stands for, announced to the synth."
    )
    controls: dict[
        Annotated[int, Rule(_control_key, {"type": "string"})], Annotated[int, whole(0, 127)]
    ] = Field(
        default_factory=dict, description="Controls by number or name: {volume: 100, 91: 40}."
    )


EntrySaid = Annotated[
    Annotated[list[Entry], SEVERAL] | Annotated[Entry, ONE], one_or_several(word=False)
]


def _tuning_cents(value: Any) -> tuple[float, ...]:
    if not isinstance(value, list) or len(value) != 12:
        raise refusal("cents of a tuning are a list of 12, from the root upwards")
    for each in value:
        if isinstance(each, bool) or not isinstance(each, int | float) or not -100 <= each <= 100:
            raise refusal(f"{said(each)} in cents is not a number within -100 to 100")
    return tuple(map(float, value))


class Tuning(Form):
    """How notes depart from equal temperament."""

    type: Annotated[str, one_of("tuning", TUNINGS)] | None = Field(
        None, description="A tuning by name: " + ", ".join(TUNINGS) + "."
    )
    root: Annotated[str, one_of("root", ROOTS)] = Field(
        "C", description="The note the tuning is pure from: C, F#, Bb."
    )
    cents: (
        Annotated[
            tuple[float, ...],
            Rule(
                _tuning_cents,
                {
                    "type": "array",
                    "items": {"type": "number", "minimum": -100, "maximum": 100},
                    "minItems": 12,
                    "maxItems": 12,
                },
            ),
        ]
        | None
    ) = Field(
        None,
        description="Instead of type: how many cents each of 12 notes departs, from the root up.",
    )
    a4_hz: Annotated[float, number(392, 494)] = Field(440, description="The pitch of A4 in Hz.")


# ---- presets and the file ----------------------------------------------------------------------


class PresetSettings(Form):
    """What a preset, and the defaults of all presets, may say."""

    output: Name | None = Field(
        None, description="The output of its zones; the first, unless given."
    )
    channel: Channel | None = Field(None, description="The MIDI channel of its zones, 1-16.")
    scale: Scale | None = Field(
        None, description="The notes of all zones that say none of their own."
    )
    layout: Layout | None = Field(
        None,
        description="How the scale lies on the mat: order, rows, snake, {by: ...}, or some zones.",
    )
    transpose: Annotated[int, whole(-48, 48)] | None = Field(
        None, description="Semitones that all its notes are moved by."
    )
    tuning: Tuning | None = Field(None, description="Another tuning than equal temperament.")
    velocity: Velocity | None = Field(None, description="How hard becomes how loud.")
    pressure: Pressure | None = Field(
        None, description="What the pressure of a held zone drives: {send: channel pressure}."
    )
    hold: Hold | None = Field(
        None,
        description="How long notes sound: touch, toggle, choke, or a length such as 1/4; touch "
        "unless given.",
    )
    repeat: TimeSpan | None = Field(None, description="Strike again and again while held: 1/16.")
    latch: Flag | None = Field(
        None, description="false for notes that a latch pedal does not keep."
    )
    voices: Voices | None = Field(None, description="How many notes sound at once.")
    mpe: MpeSaid | None = Field(None, description="Play over MPE channels: {zone: lower}.")
    enter: EntrySaid | None = Field(
        None, description="What is sent when the preset is entered: {program: marimba}."
    )
    leave: Annotated[str, one_of("leave", ("end", "ring"))] | None = Field(
        None,
        description="What becomes of held notes when it is left: end (at once) or ring (until "
        "lifted); ring unless given.",
    )
    tempo: Tempo | None = Field(None, description="Beats a minute, set when the preset is entered.")
    quantise: TimeSpan | None = Field(
        None, description="Strikes wait for the next multiple of it: 1/16."
    )
    zones: dict[str, Zone] | None = Field(
        None,
        description="What single zones play: by name, group (row b) or pattern (a*); a zone's own "
        "name goes before a group or pattern.",
    )


class Preset(PresetSettings):
    """One piece."""

    like: Name | None = Field(
        None, description="Another preset that this one is like, but for what it says itself."
    )


class PerformanceFile(Form):
    """A performance: where MIDI goes, and what the mat plays, piece by piece."""

    performance: Name = Field(description="The name of the show.")
    mat: Annotated[str, line_of_text("a file name")] = Field(
        description="The mat file, beside this one or by its path."
    )
    outputs: Annotated[dict[str, Output], Field(min_length=1, max_length=32)] = Field(
        description="Where MIDI goes, by names of your own."
    )
    tempo: Tempo = Field(120, description="Beats a minute at the start.")
    first: Name | None = Field(
        None, description="The preset to begin with; the first, unless given."
    )
    input: Input | None = Field(None, description="A port whose messages switch presets and act.")
    groups: dict[str, list[Name]] | None = Field(
        None, description="Names for several zones: lists of zone names and patterns."
    )
    defaults: PresetSettings | None = Field(
        None, description="What holds for every preset that does not say otherwise."
    )
    presets: Annotated[dict[str, Preset], Field(min_length=1, max_length=1000)] = Field(
        description="The pieces, by name, in the order in which next preset goes through them."
    )
