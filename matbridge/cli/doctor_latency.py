"""The latency budget of one board that was listened to."""

from __future__ import annotations

import time

from matbridge.board import adapter
from matbridge.cli.doctor_listen import Heard
from matbridge.display import latency
from matbridge.mapping.plan import MatPlan, Show
from matbridge.sensing.rules import Rules
from matbridge.sensing.touch import VelocitySource
from matbridge.service.boards import make_decoder, make_detector


def budget(mat: MatPlan, show: Show | None, heard: Heard) -> latency.Budget:
    """From contact to the note leaving, part by part."""
    plan = heard.plan
    rate_hz = heard.rate_hz
    device = str(heard.status.get("device", ""))
    timer = adapter.latency_timer(device) if device else None
    scan_bytes = heard.received / max(heard.decoder.counts.scans, 1)
    timer_s = timer[1] / 1000 if timer else 0.0
    return latency.Budget(
        (
            latency.scan_part(rate_hz),
            latency.link_part(_way(device), plan.baud or 1, scan_bytes, rate_hz, timer_s),
            latency.window_part(_windows(mat, show)),
            latency.program_part(*_work(mat, heard)),
        ),
        tuple(map(latency.output_part, show.performance.outputs if show else ())),
    )


def _way(device: str) -> latency.Way:
    driver = adapter.driver(device) if device else ""
    if not driver:
        return latency.Way.NONE
    if driver == "cdc_acm":
        return latency.Way.USB
    is_usb = adapter.latency_timer(device) is not None or "ttyUSB" in device
    return latency.Way.ADAPTER if is_usb else latency.Way.UART


def _windows(mat: MatPlan, show: Show | None) -> list[tuple[str, float]]:
    """The velocity sources in use, each with its window; peak where no performance says."""
    rules = Rules(mat.sensing, mat.sensor)
    sources = {VelocitySource.PEAK}
    if show is not None:
        presets = show.performance.presets
        sources = {
            zone.velocity.source for preset in presets for zone in preset.zones if zone.parts
        }
    return [(source.value, rules.window_s(source)) for source in sources or {VelocitySource.PEAK}]


def _work(mat: MatPlan, heard: Heard) -> tuple[float, float]:
    """Seconds that decoding and detecting one read takes here: median, and nearly the most."""
    decoder = make_decoder(heard.plan, mat)
    detector = make_detector(heard.plan, mat, None)
    times = []
    for data, read_s in heard.reads:
        begun = time.perf_counter()
        for scan in decoder.feed(data, read_s):
            detector.scan(scan.time_s, scan.readings)
        times.append(time.perf_counter() - begun)
    times.sort()
    return times[len(times) // 2], times[int(len(times) * 0.99)]
