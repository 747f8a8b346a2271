"""A unit on paper whose gain hangs on frequency, load and on which input is driven, with harmonics of its own.
Independent of simulators/: every formula is the test's own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from sequencer.analysis.records import Record
from sequencer.measurements.requests import Connect, Fire, Inputs, Reply, Request
from sequencer.measurements.values import Context, Value, ValueJob, Values
from sequencer.plan.load import load_bench, load_unit
from sequencer.plan.models import Bench, Unit
from tests.sequencer.paper_values import BITS, PaperBench, Volts
from tests.sequencer.paper_values import job as paper_job

INPUTS = {"A": "ch1", "B": "ch2"}


@dataclass
class PaperTones(PaperBench):
    """third: per Hz, 3rd harmonic over the fundamental. over: (driven, other, Hz) -> ratio of the other's output to the
    driven one's. source_ohm: behind every output; loads: name -> ohms of every channel."""

    third: Callable[[float], float] = lambda hz: 0.0
    over: Callable[[str, str, float], float] = lambda driven, other, hz: 0.0
    source_ohm: float = 0.0
    loads: Mapping[str, float] = field(default_factory=lambda: {"8R": 8.0})
    load: str = "8R"
    driven: tuple[str, ...] | None = None
    asked: list[Request] = field(default_factory=list)

    def answer(self, request: Request) -> Reply:
        self.asked.append(request)
        if isinstance(request, Connect):
            assert request.load is not None
            self.load = request.load
        elif isinstance(request, Inputs):
            self.driven = request.channels
        return super().answer(request)

    def output_gain(self, name: str, hz: float) -> float:
        """Volts per volt from the generator to the output of a channel as things are connected."""
        ohm = self.loads[self.load]
        own = self.gain[INPUTS[name]](hz) * ohm / (ohm + self.source_ohm)
        if self.driven is None or name in self.driven:
            return own
        (driven,) = self.driven
        return self.output_gain(driven, hz) * self.over(driven, name, hz)

    def _record(self, name: str, fire: Fire, times: Volts, scale: float, rng: Any) -> Record:
        channel = next(one for one, wire in INPUTS.items() if wire == name)
        hz = fire.frequency_hz
        inside = (times >= 0.0) & (times < fire.cycles / hz)
        peak = fire.level_vrms * np.sqrt(2.0) * self.output_gain(channel, hz)
        turns = 2.0 * np.pi * hz * times
        volts = np.where(inside, peak * (np.sin(turns) + self.third(hz) * np.sin(3.0 * turns)), 0.0)
        step, top = 2.0 * scale / 2**BITS, 2 ** (BITS - 1)
        codes = np.round(volts / step + rng.normal(0.0, self.noise_steps, volts.size))
        over = bool((codes >= top - 1).any() or (codes <= -top).any())
        kept = np.clip(codes, -top, top - 1).astype(np.int32)
        return Record(
            kept * step, float(times[1] - times[0]), float(times[0]), step, scale, over, BITS, kept, step, 0.0
        )


def apart_bench(**changed: Any) -> Bench:
    """The shipped bench with an input contact for each channel."""
    return load_bench("inputs_apart").model.model_copy(update=changed)


def unit(**changed: Any) -> Unit:
    """60 W into 8 ohm at 1 % by its file."""
    return load_unit("ferry_pa_60").model.model_copy(update=changed)


def job(
    measurement: str, tones_hz: tuple[float, ...], channels: str = "AB", bench: Bench | None = None, **other: Any
) -> ValueJob:
    """8 ohm, 26.02 dB and ranges of +-1 % by the files."""
    known = bench or apart_bench()
    made = paper_job(measurement, channels, frequencies_hz=tones_hz, **other)
    return replace(made, context=Context(unit(), known, known.bay[0]))


__all__ = ["PaperTones", "apart_bench", "job", "unit"]


def named(found: Values, begins: str, channel: str | None = "A") -> Value:
    (one,) = [v for v in found.values if v.name.startswith(begins) and v.channel == channel]
    return one
