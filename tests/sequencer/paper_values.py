"""A bench on paper for measurements of single values: outputs from formulas of its own, a quantiser, a clock.

Independent of simulators/: what it knows of offset, gain and idle current is written here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.records import Record
from sequencer.analysis.uncertainty import DEVIATION, Part, Source
from sequencer.measurements.power_job import ChannelJob, LevelLimits
from sequencer.measurements.requests import BenchReading, Fire, Quiet, ReadBench, Reply, Request, Rest, Shot
from sequencer.measurements.values import Expected, ValueJob, Values
from sequencer.plan.points import ValuePoint

Volts = NDArray[np.float64]
Wave = Callable[[Volts], Volts]
BITS = 12
READ_S = 0.2  # one meter window of the supply


def steady(volts: float) -> Wave:
    return lambda times_s: np.full_like(times_s, volts)


@dataclass
class PaperBench:
    """idle: per input, volts of its output without signal. gain: per input, volts per volt at a frequency.

    amps: supply current at a time in s.
    """

    idle: Mapping[str, Wave] = field(default_factory=lambda: {"ch1": steady(0.0)})
    gain: Mapping[str, Callable[[float], float]] = field(default_factory=lambda: {"ch1": lambda hz: 20.0})
    amps: Callable[[float], float] = lambda t_s: 1.0
    noise_a: float = 0.0
    noise_steps: float = 0.5
    limited: bool = False
    tripped: str | None = None
    seed: int = 1
    rate_hz: float = 100_000.0
    now_s: float = 0.0
    fired: list[Fire] = field(default_factory=list)
    quiet: list[Quiet] = field(default_factory=list)
    readings: int = 0

    def answer(self, request: Request) -> Reply:
        match request:
            case Rest(seconds=seconds):
                self.now_s += seconds
                return None
            case ReadBench():
                return self._reading()
            case Quiet():
                self.quiet.append(request)
                fire = Fire(0.0001, 1000.0, 1, request.full_scale_v, "quiet")
                return self._shot(fire, 0.006 + request.seconds)
            case Fire():
                self.fired.append(request)
                return self._shot(request, request.cycles / request.frequency_hz)

    def _reading(self) -> BenchReading:
        self.now_s += READ_S
        self.readings += 1
        noise = np.random.default_rng([self.seed, self.readings]).normal(0.0, self.noise_a) if self.noise_a else 0.0
        amps = self.amps(self.now_s) + float(noise)
        return BenchReading(24.0, amps, self.limited, self.tripped, {}, round(self.now_s * 1e9))

    def _shot(self, fire: Fire, seconds: float) -> Shot:
        number = len(self.fired) + len(self.quiet)
        rate_hz = max(self.rate_hz, 50.0 * fire.frequency_hz)
        times = (np.arange(math.ceil((seconds + 0.002) * rate_hz)) + 0.37) / rate_hz - 0.0005
        self.now_s += seconds
        records = {
            name: self._record(name, fire, times, scale, np.random.default_rng([self.seed, number, int(name[2:])]))
            for name, scale in fire.full_scale_v.items()
        }
        return Shot(number, fire, fire.level_vrms, records, round(self.now_s * 1e9), False, None, 24.0, 1.0)

    def _record(self, name: str, fire: Fire, times: Volts, scale: float, rng: Any) -> Record:
        inside = (times >= 0.0) & (times < fire.cycles / fire.frequency_hz)
        peak = fire.level_vrms * math.sqrt(2.0) * self.gain.get(name, lambda hz: 20.0)(fire.frequency_hz)
        volts = np.where(inside, peak * np.sin(2.0 * np.pi * fire.frequency_hz * times), 0.0)
        volts = volts + self.idle.get(name, steady(0.0))(times)
        step, top = 2.0 * scale / 2**BITS, 2 ** (BITS - 1)
        codes = np.round(volts / step + rng.normal(0.0, self.noise_steps, volts.size))
        over = bool((codes >= top - 1).any() or (codes <= -top).any())
        kept = np.clip(codes, -top, top - 1).astype(np.int32)
        dt, start = float(times[1] - times[0]), float(times[0])
        return Record(kept * step, dt, start, step, scale, over, BITS, kept, step, 0.0)


def job(measurement: str, channels: str = "A", offset_half_v: float = 0.02, **other: Any) -> ValueJob:
    """Channels on ch1, ch2, ...; 26.0206 dB (20 times) by the file; offset of the input rectangular, at the unit."""
    expected = other.pop("expected", Expected())
    point = ValuePoint(
        id="p001", stage="one", measurement=measurement, load="8R", supply_v=24.0, channels=tuple(channels), group=1,
        after_trip="stop", keep_traces=2, rest="normal", **other,
    )  # fmt: skip
    return ValueJob(
        point=point,
        channels=tuple(
            ChannelJob(
                name, f"ch{n}", 8.0, 30.0, 20.0 * math.log10(20.0), (),
                ((2.0, Source.voltage(f"range:ch{n}", "rectangular", 1.0)),),
            )
            for n, name in enumerate(channels, start=1)
        ),
        limits=LevelLimits(generator_vrms=4.0, output_crest_v=100.0, burst_j=100.0, largest_range_v=200.0),
        offset_parts={
            name: Part(f"offset:{name}", offset_half_v * DEVIATION["rectangular"], "rectangular") for name in channels
        },
        expected=expected,
        rest_s=1.0,
    )  # fmt: skip


def drive(talk: Generator[Request, Reply, Values], bench: PaperBench) -> Values:
    """Runs a measurement against the bench on paper and returns what it returns."""
    reply: Reply = None
    try:
        while True:
            reply = bench.answer(talk.send(reply))
    except StopIteration as end:
        found: Values = end.value
        return found
