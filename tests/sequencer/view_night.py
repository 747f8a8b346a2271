"""What a listener hears of a small invented night: a run, its points, and shots computed here from closed forms."""

from __future__ import annotations

import math

import numpy as np

from sequencer.analysis.records import Record
from sequencer.measurements.requests import BenchReading, Fire, Shot
from sequencer.night.setup import UnitRun
from sequencer.on_paper import read
from sequencer.plan.expand import expand
from sequencer.plan.points import Point

RATE_HZ = 1e6
THD = 0.01


def a_run(plan: str = "two_limits", serial: str = "MV-0117") -> UnitRun:
    """The shipped plan on the first shipped unit."""
    inputs, _ = read(plan, [], None)
    one = inputs.units[0]
    points = expand(inputs.plan.model, one.loaded.model, inputs.bench.model)
    return UnitRun("r1", one.loaded.model.model_copy(update={"serial": serial}), one.bay, points)


def powered(run: UnitRun) -> Point:
    return next(p for p in run.points if isinstance(p, Point) and p.cycles > 3)


def a_shot(point: Point, output_vrms: float, delay_s: float = 0.0) -> Shot:
    """Every channel: a burst with a third harmonic of 1 % of the fundamental, so THD(F) is 1 % by definition
    (IEC 60268-3, 14.12, from memory)."""
    hz, cycles = point.frequency_hz, point.cycles
    times = -0.0005 + np.arange(round((cycles / hz + 0.003) * RATE_HZ)) / RATE_HZ
    own = times - delay_s
    inside = (own >= 0.0) & (own < cycles / hz)
    w = 2.0 * math.pi * hz
    volts = np.where(inside, output_vrms * math.sqrt(2.0) * (np.sin(w * own) + THD * np.sin(3.0 * w * own)), 0.0)
    names = [f"ch{n}" for n in range(1, len(point.channels) + 1)]
    records = {name: Record(volts, 1.0 / RATE_HZ, -0.0005, 0.01, 50.0, False, 12) for name in names}
    fire = Fire(1.116, hz, cycles, dict.fromkeys(names, 40.0), "ramp")
    return Shot(12, fire, 1.116, records, 754_000_000_000, False, None, 23.96, 3.41)


def a_reading() -> BenchReading:
    return BenchReading(23.98, 1.12, False, None, {"A": 31.24, "B": 30.8}, 760_000_000_000)
