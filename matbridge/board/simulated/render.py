"""Presses to scans, through every flaw of the mat; no clock.

Work goes by blocks of scans and by columns, one a channel. A zone that nobody is on costs no more
than a slice of a column of rest codes drawn beforehand; only zones in motion are computed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from math import exp, pi, sin
from random import Random

from matbridge.board.scan import Scan
from matbridge.board.simulated.electrode import Electrode, area
from matbridge.board.simulated.faults import Fault, FaultyChannel
from matbridge.board.simulated.mat import CONVERTER_CHANNELS, SimulatedMat
from matbridge.board.simulated.score import Press, sample
from matbridge.board.simulated.sensor import ForceSensor, draw_part

# Scans computed at a time. Creep and temperature move once a block.
BLOCK = 16

# Rest codes are drawn anew when the rest has moved by this share of a code, looked at this often.
REST_MOVE_CODES = 0.1
REST_LOOK_S = 2.0

# Noise is drawn beforehand for so many looks; columns start in it at random, so that it is never
# seen to repeat, and drawing rest codes anew stays a small part of the work.
NOISE_LOOKS = 4

# Electrodes of one mat differ by this much, +- (our choice).
ELECTRODE_SPREAD = 0.2


def render(
    presses: Iterable[Press],
    mat: SimulatedMat,
    rate_hz: float,
    seed: int,
    *,
    seconds: float | None = None,
    faults: Sequence[Fault] = (),
) -> Iterator[Scan]:
    """Scans of a mat under some presses, from time 0 on.

    presses: by the time they start; may be endless. seconds: how long, or until a second after
    the last press when None.
    """
    renderer = Renderer(presses, mat, rate_hz, seed, faults)
    wanted = None if seconds is None else round(seconds * rate_hz)
    made = 0
    while wanted is None or made < wanted:
        if wanted is None and renderer.quiet_s > 1.0:
            return
        for scan in renderer.block():
            if made == wanted:
                return
            made += 1
            yield scan


class Renderer:
    """The mat as it goes on in time, a block of BLOCK scans a call."""

    def __init__(
        self,
        presses: Iterable[Press],
        mat: SimulatedMat,
        rate_hz: float,
        seed: int,
        faults: Sequence[Fault] = (),
    ) -> None:
        self._mat = mat
        self._step_s = 1.0 / rate_hz
        self._made = 0
        self._presses = iter(presses)
        self._next = next(self._presses, None)
        self._now_on: list[Press] = []
        self._quiet_since = 0
        rng = Random(seed)
        self._rng = rng
        self._full = (1 << mat.bits) - 1
        self._scale = float(1 << mat.bits)
        self._neighbours = mat.neighbours()
        self._sensors = self._draw_sensors(rng)
        zones = len(mat.places_cm)
        self._rested = [0] * zones
        self._phases = [rng.uniform(0.0, 2 * pi) for _ in range(zones)]
        self._channels = mat.zone_of_channel
        self._look_scans = max(BLOCK, round(REST_LOOK_S * rate_hz))
        self._looked = -self._look_scans
        hum = Fraction(rate_hz).limit_denominator(1000) / Fraction(mat.flaws.hum_hz)
        self._hum_scans = hum.numerator  # after so many scans the hum is where it was
        self._noise = self._draw_noise(rng)
        self._rest: list[float | None] = [None] * len(self._channels)
        self._pools: list[list[int]] = [[] for _ in self._channels]
        self._faults = [FaultyChannel(fault, self._full, Random(rng.random())) for fault in faults]

    @property
    def quiet_s(self) -> float:
        """For how long nothing has been on the mat, and nothing will be; 0.0 while something is."""
        if self._now_on or self._next is not None:
            return 0.0
        return (self._made - self._quiet_since) * self._step_s

    def block(self) -> list[Scan]:
        """The next BLOCK scans."""
        made, step_s = self._made, self._step_s
        if made - self._looked >= self._look_scans:
            self._look_at_rest()
        voltages = self._voltages()
        columns = self._codes(voltages)
        if self._faults:
            sound = [list(column) for column in columns]
            for fault in self._faults:
                fault.spoil(columns, sound, made * step_s, step_s)
        self._made = made + BLOCK
        return [
            Scan((made + index) * step_s, readings)
            for index, readings in enumerate(zip(*columns, strict=True))
        ]

    def _draw_sensors(self, rng: Random) -> list[ForceSensor | Electrode]:
        mat, step_s = self._mat, self._step_s
        sensors: list[ForceSensor | Electrode] = []
        for _ in mat.places_cm:
            if mat.sensor == "force":
                part = draw_part(rng, mat.flaws.spread, mat.flaws.rest_newton)
                sensors.append(ForceSensor(part, mat.fixed_resistor_ohm, step_s, BLOCK))
            else:
                depth = 1.0 - rng.uniform(0.0, ELECTRODE_SPREAD)
                sensors.append(Electrode(depth, mat.sensor == "switch", step_s))
        return sensors

    def _draw_noise(self, rng: Random) -> list[float]:
        """Noise and hum in codes; a whole number of hum's repeats long, and a block over."""
        flaws = self._mat.flaws
        if self._mat.sensor == "switch":
            return [0.0] * (self._hum_scans + BLOCK)
        repeats = -(-NOISE_LOOKS * self._look_scans // self._hum_scans)
        count = repeats * self._hum_scans
        turn = 2 * pi * flaws.hum_hz * self._step_s
        noise, hum = flaws.noise * self._scale, flaws.hum * self._scale
        codes = [rng.gauss(0.0, noise) + hum * sin(turn * index) for index in range(count)]
        return codes + codes[:BLOCK]

    def _look_at_rest(self) -> None:
        """Follow what moves slowly: temperature, drift, and so the codes of zones at rest."""
        self._looked = self._made
        now_s = self._made * self._step_s
        flaws = self._mat.flaws
        if flaws.warm_up_c:
            above_c = flaws.warm_up_c * (1.0 - exp(-now_s / flaws.warm_up_s))
            for sensor in self._sensors:
                if isinstance(sensor, ForceSensor):
                    sensor.set_temperature(above_c)
        rests = [
            0.0 if zone < 0 else self._sensors[zone].rest_voltage + self._drift(zone, now_s)
            for zone in self._channels
        ]
        for channel, rest in enumerate(self._ghosted(rests)):
            code, had = rest * self._scale, self._rest[channel]
            if had is None or abs(code - had) >= REST_MOVE_CODES:
                self._rest[channel] = code
                self._pools[channel] = _clipped([code + noise for noise in self._noise], self._full)

    def _drift(self, zone: int, now_s: float) -> float:
        flaws = self._mat.flaws
        if not flaws.drift:
            return 0.0
        return flaws.drift * sin(2 * pi * now_s / flaws.drift_s + self._phases[zone])

    def _ghosted(self, voltages: Sequence[float]) -> list[float]:
        share = self._mat.flaws.ghosting
        out = list(voltages)
        if share:
            for channel in range(1, len(out)):
                if channel % CONVERTER_CHANNELS:
                    out[channel] += share * (voltages[channel - 1] - voltages[channel])
        return out

    def _loads(self) -> dict[int, list[float]]:
        """What each pressed zone, and each neighbour that feels it, carries in this block."""
        first_s, step_s = self._made * self._step_s, self._step_s
        end_s = first_s + BLOCK * step_s
        while self._next is not None and self._next.start_s < end_s:
            self._now_on.append(self._next)
            self._next = next(self._presses, None)
        if not self._now_on:
            return {}
        forces: dict[int, list[float]] = {}
        for press in self._now_on:
            newtons = sample(press.curve, first_s - press.start_s, step_s, BLOCK)
            had = forces.get(press.zone)
            if had is not None:
                newtons = [old + new for old, new in zip(had, newtons, strict=True)]
            forces[press.zone] = newtons
        self._now_on = [press for press in self._now_on if press.end_s > end_s]
        if not self._now_on:
            self._quiet_since = self._made + BLOCK
        if self._mat.sensor != "force":
            forces = {zone: [area(newton) for newton in felt] for zone, felt in forces.items()}
        loads = dict(forces)
        for zone, felt in forces.items():
            for other, share in self._neighbours[zone]:
                had = loads.get(other)
                if had is None:
                    loads[other] = [share * force for force in felt]
                else:
                    loads[other] = [
                        old + share * force for old, force in zip(had, felt, strict=True)
                    ]
        return loads

    def _voltages(self) -> dict[int, list[float]]:
        """Voltages of the zones in motion; the others rest."""
        loads = self._loads()
        block = self._made // BLOCK
        now_s = self._made * self._step_s
        out = {}
        for zone, sensor in enumerate(self._sensors):
            load = loads.get(zone)
            if load is None:
                if sensor.settled:
                    continue
                load = [0.0] * BLOCK
            if self._rested[zone] < block:
                sensor.pass_time(block - self._rested[zone])
            self._rested[zone] = block + 1
            voltages = sensor.voltages(load)
            if self._mat.flaws.drift:
                drift = self._drift(zone, now_s)
                voltages = [voltage + drift for voltage in voltages]
            out[zone] = voltages
        return out

    def _codes(self, voltages: dict[int, list[float]]) -> list[list[int]]:
        """One column of codes a channel: ghosted, noisy, rounded down, clipped."""
        scale, full, noise = self._scale, self._full, self._noise
        ghosting = self._mat.flaws.ghosting
        hum_scans = self._hum_scans
        phase = self._made % hum_scans
        starts = (len(noise) - BLOCK) // hum_scans
        draw = self._rng.random
        columns = []
        before: list[float] | None = None  # the channel before, of the same converter, if in motion
        for channel, zone in enumerate(self._channels):
            start = int(draw() * starts) * hum_scans + phase
            now = voltages.get(zone) if zone >= 0 else None
            if channel % CONVERTER_CHANNELS == 0:
                before = None
            if now is None and (before is None or not ghosting):
                columns.append(self._pools[channel][start : start + BLOCK])
                before = None
                continue
            if now is None:
                now = [self._rest_voltage(zone)] * BLOCK
            seen = now
            if ghosting and channel % CONVERTER_CHANNELS:
                ghosts = before or [self._rest_voltage(self._channels[channel - 1])] * BLOCK
                seen = [
                    own + ghosting * (ghost - own) for own, ghost in zip(now, ghosts, strict=True)
                ]
            columns.append(
                _clipped(
                    [
                        voltage * scale + sway
                        for voltage, sway in zip(seen, noise[start : start + BLOCK], strict=True)
                    ],
                    full,
                )
            )
            before = now if zone in voltages else None
        return columns

    def _rest_voltage(self, zone: int) -> float:
        return self._sensors[zone].rest_voltage if zone >= 0 else 0.0


def _clipped(codes: list[float], full: int) -> list[int]:
    return [0 if code < 0.0 else full if code > full else int(code) for code in codes]
