"""A unit on paper whose path is a curve y = f(x), x in volts wanted at the output: one tone or two, quantiser, clock.

Independent of simulators/: what it makes of a sine is the test's own formula.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.records import Record
from sequencer.measurements.requests import BenchReading, Fire, ReadBench, Reply, Request, Rest, Shot
from sequencer.measurements.values import Context, ValueJob, Values
from sequencer.plan.load import load_inputs
from sequencer.plan.models import Bench, Unit
from tests.sequencer.paper_values import job as paper_job
from tests.sequencer.sound_inputs import SOUND, Kind, write

Volts = NDArray[np.float64]
Curve = Callable[[Volts], Volts]
GAIN, OHM, BITS = 20.0, 8.0, 16
RATING = """\
[[rating]]
load_ohm = 8.0
supply_v = 24.0
power_w = {power_w}
thd_pct = 1.0
channels_driven = 2
cycles = {cycles}
"""


def straight(wanted: Volts) -> Volts:
    return wanted


def hard(clip_v: float) -> Curve:
    return lambda wanted: np.clip(wanted, -clip_v, clip_v)


@dataclass
class CurveBench:
    """gone_above_vrms: of the generator; from there on nothing comes out. gap_s: between two bursts without a rest."""

    curve: Curve = straight
    gain_at: Callable[[float], float] = lambda hz: GAIN
    noise_steps: float = 0.4
    clock_ppm: float = 40.0
    gone_above_vrms: float = 99.0
    gap_s: float = 0.05
    now_s: float = 0.0
    fired: list[Fire] = field(default_factory=list)

    def answer(self, request: Request) -> Reply:
        match request:
            case Rest(seconds=seconds):
                self.now_s += seconds
            case ReadBench():
                return BenchReading(24.0, 1.0, False, None, {})
            case Fire():
                self.fired.append(request)
                return self._shot(request)
        return None

    def loud(self) -> list[Fire]:
        return [one for one in self.fired if one.purpose not in ("gain proof", "twin")]

    def _wanted(self, t: Volts, fire: Fire) -> Volts:
        """By the words of the request: the level is that of a sine with the crest of the sum."""
        peak = math.sqrt(2.0) * fire.level_vrms
        if fire.second is None:
            return self.gain_at(fire.frequency_hz) * peak * np.sin(2 * np.pi * fire.frequency_hz * t)
        ratio = fire.second.ratio
        low = peak * ratio / (1 + ratio) * self.gain_at(fire.frequency_hz) * np.sin(2 * np.pi * fire.frequency_hz * t)
        hz = fire.second.frequency_hz
        return low + peak / (1 + ratio) * self.gain_at(hz) * np.sin(2 * np.pi * hz * t)

    def _shot(self, fire: Fire) -> Shot:
        length_s = fire.cycles / fire.frequency_hz
        rate_hz = max(200_000.0, 20.0 * fire.frequency_hz)
        if fire.second is not None or length_s < 0.1:
            rate_hz = 500_000.0
        t = -0.0011 + np.arange(round((length_s + 0.0022) * rate_hz)) / rate_hz
        true_s = t * (1.0 + 1e-6 * self.clock_ppm)
        inside = (true_s >= 0) & (true_s < length_s)
        alive = fire.level_vrms <= self.gone_above_vrms
        out = np.where(inside, self.curve(self._wanted(true_s, fire)), 0.0) if alive else np.zeros_like(t)
        rail = np.full_like(t, 24.0)  # ch3 sees it
        records = {n: self._record(rail if n == "ch3" else out, t, scale) for n, scale in fire.full_scale_v.items()}
        at_ns = round(1e9 * self.now_s)
        self.now_s += length_s + self.gap_s
        return Shot(len(self.fired), fire, fire.level_vrms, records, at_ns, False, None, 24.0, 1.0)

    def _record(self, out: Volts, t: Volts, scale: float) -> Record:
        step, top = 2.0 * scale / 2**BITS, 2 ** (BITS - 1)
        codes = np.round(out / step + np.random.default_rng(len(self.fired)).normal(0.0, self.noise_steps, t.size))
        over = bool((np.abs(codes) >= top - 1).any())
        dt = float(t[1] - t[0])
        return Record(np.clip(codes, -top, top - 1) * step, dt, float(t[0]), step, scale, over, BITS)


def declared(folder: Path, rating: str = "") -> tuple[Unit, Bench]:
    texts: dict[Kind, str] = dict(SOUND)
    texts["unit"] = texts["unit"].replace("[idle_current]", rating + "[idle_current]")
    paths = write(folder, texts)
    inputs = load_inputs(paths["plan"], [paths["unit"]], paths["bench"])
    return inputs.units[0].loaded.model, inputs.bench.model


def limit_row(output_vrms: float, frequency_hz: float = 1000.0, **other: Any) -> dict[str, Any]:
    """A finished search of 20 cycles, as the results have it, at the level that gives output_vrms."""
    return {
        "id": "p001", "measurement": "output_power", "outcome": "measured", "load": "8R", "supply_nominal_v": 24.0,
        "frequency_hz": frequency_hz, "channels_driven": ["A"], "steady": False, "cycles": 20, "stop_limit": 1.0,
        "stop_quantity": "thd", "stopped_by": "thd", "level_vrms": output_vrms / GAIN,
        "channels": [{"channel": "A", "output_vrms": output_vrms, "power_w": output_vrms**2 / OHM}],
    } | other  # fmt: skip


def job(
    folder: Path, measurement: str, rows: tuple[dict[str, Any], ...] = (), rating: str = "", **point: Any
) -> ValueJob:
    """Channel A into 8 ohm; by the file it clips at 30 V. two_tones: whether the generator plays them."""
    two_tones = point.pop("two_tones", True)
    unit, bench = declared(folder, rating)
    one = paper_job(measurement, **point)
    return replace(one, context=Context(unit, bench, bench.bay[0], rows, two_tones=two_tones))


def drive(talk: Generator[Request, Reply, Values], bench: CurveBench) -> Values:
    reply = cast(Reply, None)
    try:
        while True:
            reply = bench.answer(talk.send(reply))
    except StopIteration as end:
        return cast(Values, end.value)
