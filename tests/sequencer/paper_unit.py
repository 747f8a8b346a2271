"""An amplifier on paper: answers a measurement's requests from formulas of its own, with a quantiser.

Independent of simulators/: what it knows of physics is written here, so that a test's truth is the test's own.
"""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.records import Record
from sequencer.measurements.requests import BenchReading, Fire, ReadBench, Reply, Request, Shot

Volts = NDArray[np.float64]


@dataclass
class PaperUnit:
    """One channel per name. clip_pos_v, clip_neg_v: crests at clipping. corner_hz: coupling high-pass (0: none).

    sag: (source ohm referred to the output stage's rail, time constant s, load ohm): the rail V obeys tau dV/dt = V0
    - Rs |v|/R - V, with V0 = clip_pos_v, and clips at +-V.
    """

    gain: float = 20.0
    clip_pos_v: float = 30.0
    clip_neg_v: float = 30.0
    corner_hz: float = 0.0
    sag: tuple[float, float, float] | None = None

    def output(self, times_s: Volts, level_vrms: float, frequency_hz: float, cycles: int) -> Volts:
        w = 2.0 * math.pi * frequency_hz
        inside = (times_s >= 0) & (times_s < cycles / frequency_hz)
        peak = level_vrms * math.sqrt(2.0) * self.gain
        wave = np.where(inside, peak * np.sin(w * times_s), 0.0)
        if self.corner_hz > 0:
            wave = peak * self._high_passed(times_s, w, cycles / frequency_hz)
        if self.sag is not None:
            return self._sagging(times_s, wave)
        return np.clip(wave, -self.clip_neg_v, self.clip_pos_v)

    def _high_passed(self, t: Volts, w: float, burst_s: float) -> Volts:
        """First-order high-pass of sin(w t) switched on at 0 and off at burst_s, closed form (Laplace)."""
        a = 2.0 * math.pi * self.corner_hz

        def on(x: Volts) -> Volts:
            steady = (w * w * np.sin(w * x) + a * w * np.cos(w * x)) / (w * w + a * a)
            return np.where(x >= 0, steady - a * w / (w * w + a * a) * np.exp(-a * np.maximum(x, 0)), 0.0)

        return on(t) - on(t - burst_s)

    def _sagging(self, times_s: Volts, wave: Volts) -> Volts:
        assert self.sag is not None
        source_ohm, tau_s, load_ohm = self.sag
        rail = self.clip_pos_v
        out = np.empty_like(wave)
        dt = float(times_s[1] - times_s[0])
        decay = math.exp(-dt / tau_s)
        for k, v in enumerate(wave):
            out[k] = max(-rail, min(rail, v))
            target = self.clip_pos_v - source_ohm * abs(out[k]) / load_ohm
            rail = target + (rail - target) * decay
        return out


@dataclass
class PaperBench:
    """Answers requests: every input sees the same unit; "ch3" sees a steady rail."""

    unit: PaperUnit
    bits: int = 12
    noise_steps: float = 0.3
    clock_ppm: float = 20.0
    per_cycle: int = 1000
    seed: int = 1
    rail_v: float = 24.0
    fired: list[Fire] = field(default_factory=list)
    others: dict[str, PaperUnit] = field(default_factory=dict)  # inputs that see another unit

    def answer(self, request: Request) -> Reply:
        match request:
            case Fire():
                self.fired.append(request)
                return self._shot(request)
            case ReadBench():
                return BenchReading(self.rail_v, 1.0, False, None, {})
        return None

    def _shot(self, fire: Fire) -> Shot:
        number = len(self.fired)
        dt = 1.0 / (self.per_cycle * fire.frequency_hz)
        n = round((fire.cycles / fire.frequency_hz + fire.before_s + fire.after_s) / dt)
        rng = np.random.default_rng([self.seed, number])
        start = -fire.before_s + rng.uniform(0, dt)
        true_times = (start + dt * np.arange(n)) * (1.0 + 1e-6 * self.clock_ppm)

        def seen(name: str) -> Volts:
            if name == "ch3":
                return np.full(n, self.rail_v)
            unit = self.others.get(name, self.unit)
            return unit.output(true_times, fire.level_vrms, fire.frequency_hz, fire.cycles)

        records = {name: self._record(seen(name), scale, start, dt, rng) for name, scale in fire.full_scale_v.items()}
        return Shot(number, fire, fire.level_vrms, records, number * 10**9, False, None, self.rail_v, 1.0)

    def _record(self, volts: Volts, scale: float, start: float, dt: float, rng: Any) -> Record:
        step = 2.0 * scale / 2**self.bits
        codes = np.round(volts / step + rng.normal(0.0, self.noise_steps, volts.size))
        top = 2 ** (self.bits - 1)
        over = bool((codes >= top - 1).any() or (codes <= -top).any())
        codes = np.clip(codes, -top, top - 1).astype(np.int32)
        return Record(codes * step, dt, start, step, scale, over, self.bits, codes, step, 0.0)


def drive(talk: Generator[Request, Reply, Any], bench: PaperBench) -> Any:
    """Runs a measurement against the bench on paper and returns what it returns."""
    reply: Reply = None
    try:
        while True:
            reply = bench.answer(talk.send(reply))
    except StopIteration as end:
        return end.value
