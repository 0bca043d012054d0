"""What a running bridge says of itself: once for `status`, many times a second for `watch`.

Status, and with zones a frame, are plain values, as they go over the control socket. Times are in
the units of their names; counts are since the bridge started.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from math import ceil

from matbridge import __version__
from matbridge.service.boards import Board
from matbridge.service.bridge import Bridge

# More notes at once than anybody can read; a body on the mat.
MAX_SOUNDING = 64


def status(bridge: Bridge) -> dict[str, object]:
    """Everything but the zones."""
    show, player = bridge.show, bridge.pipeline.player
    return {
        "version": __version__,
        "process": os.getpid(),
        "performance": show.performance.name,
        "file": show.files[0],
        "mat": show.mat.name,
        "preset": bridge.preset,
        "presets": [preset.name for preset in show.performance.presets],
        "transpose": player.transpose,
        "muted": player.muted,
        "tempo_bpm": round(player.tempo_bpm, 2),
        "sounding": len(player.sounding()),
        "calibrated": bridge.calibration.date if bridge.calibration is not None else None,
        "boards": [_board(board) for board in bridge.boards],
        "outputs": [_plain(facts) for facts in bridge.outlets.status()],
        "input": _plain(bridge.inlet.status() or {}),
        "faults": faults(bridge),
        "latency_us": latency_us(bridge),
        "recording": bridge.recorder.status(),
    }


def scene(bridge: Bridge) -> dict[str, object]:
    """What stays as it is while a preset plays: for `watch`, before the frames that go with it."""
    show = bridge.show
    preset = show.performance.presets[bridge.pipeline.player.preset]
    return {
        "performance": show.performance.name,
        "mat": show.mat.name,
        "preset": preset.name,
        "presets": [each.name for each in show.performance.presets],
        "zones": [
            {"name": zone.name, "at": [zone.x_cm, zone.y_cm], "plays": plan.label}
            for zone, plan in zip(show.mat.zones, preset.zones, strict=True)
        ],
    }


def frame(bridge: Bridge) -> dict[str, object]:
    """This moment. load: of each zone, of a full press; onset: the load from which it sounds."""
    zones = len(bridge.show.mat.zones)
    load, onset = [0.0] * zones, [0.0] * zones
    for detector in bridge.pipeline.detectors:
        for view in detector.view():
            load[view.zone] = round(view.load, 3)
            onset[view.zone] = round(view.onset_level, 3)
    player = bridge.pipeline.player
    return {
        "load": load,
        "onset": onset,
        "sounding": [
            {"zone": each.zone, "channel": each.channel, "note": each.note}
            for each in player.sounding()[:MAX_SOUNDING]
        ],
        "transpose": player.transpose,
        "muted": player.muted,
        "boards": [_board(board) for board in bridge.boards],
        "outputs": [{"name": out.name, "up": out.up} for out in bridge.outlets.outputs],
        "faults": faults(bridge),
        "latency_us": latency_us(bridge),
        "recording": bridge.recorder.status(),
    }


def faults(bridge: Bridge) -> list[dict[str, object]]:
    """Every zone that has a fault, with its kind."""
    return [
        {"zone": bridge.show.mat.zones[zone].name, "kind": report.kind.value}
        for zone, report in sorted(bridge.faults.items())
    ]


def latency_us(bridge: Bridge) -> dict[str, int]:
    """From the read that brought a touch to the hand-over of its messages; of the latest."""
    seen = sorted(bridge.latencies_s)
    if not seen:
        return {}
    return {
        name: round(seen[max(0, ceil(share * len(seen)) - 1)] * 1e6)
        for name, share in (("median", 0.5), ("p99", 0.99), ("max", 1.0))
    }


def _board(board: Board) -> dict[str, object]:
    counts = board.decoder.counts
    return {
        **_plain(board.link.status()),
        "heard": board.heard,
        "trouble": board.trouble(),
        "format": board.plan.format,
        "scans_per_s": None if board.rate_hz is None else round(board.rate_hz),
        "scans": counts.scans,
        "lost": counts.lost,
        "damaged": counts.damaged,
    }


def _plain(facts: Mapping[str, object]) -> dict[str, object]:
    """Values that JSON has; whatever else a link or an output tells, as text."""
    return {
        key: value if value is None or isinstance(value, bool | int | float | str) else str(value)
        for key, value in facts.items()
    }
