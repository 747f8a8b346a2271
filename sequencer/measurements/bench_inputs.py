"""What the bench declares of a digitiser input, and a harmless tone as it is seen there. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from sequencer.analysis.harmonics import fit_harmonics
from sequencer.analysis.records import Record
from sequencer.analysis.uncertainty import DEVIATION, Part, Source
from sequencer.plan.models import Bench, Input
from sequencer.plan.window import GAIN_HARMONICS

RANGE_ALIKE = 0.02  # replies carry rounded digits
SEEN_FACTOR = 10.0  # times the noise's share: below it nothing of the tone is seen
NORMAL_AT_MOST = 2.0  # standard deviations: what a source that is declared as one is taken to amount to at most
LEAST_SEEN_STEPS = 0.05  # of the converter: a tone below that is its own error, not a tone


@dataclass(frozen=True)
class ToneSeen:
    """A tone on one input. phasor: peak V at the trigger's instant, of a cosine; noise_v: standard uncertainty of
    its rms by the noise; record: where it was seen."""

    phasor: complex
    noise_v: float
    record: Record

    @property
    def rms_v(self) -> float:
        return abs(self.phasor) / math.sqrt(2.0)

    @property
    def relative_noise(self) -> float:
        return self.noise_v / self.rms_v if self.rms_v > 0.0 else math.inf

    @property
    def seen(self) -> bool:
        """Above the noise, and above what a converter makes of nothing."""
        return self.rms_v > max(SEEN_FACTOR * self.noise_v, LEAST_SEEN_STEPS * self.record.step_v)


def declared_input(bench: Bench, name: str) -> Input:
    return bench.input.get(name, Input())


def reaches(bench: Bench, name: str) -> tuple[float, ...]:
    """Largest magnitudes that the ranges of an input show, V at the unit, rising."""
    factor = declared_input(bench, name).factor
    return tuple(sorted({r.full_scale_v * factor for r in bench.range if r.input in ("all", name)}))


def sources_of(bench: Bench, name: str, full_scale_v: float) -> tuple[Source, ...]:
    """Gain of the range that reaches full_scale_v (V at the unit), and of the probe."""
    one = declared_input(bench, name)
    probe = Source.voltage(f"probe:{name}", one.kind, one.gain_uncertainty_pct)
    return (*_range_source(bench, name, full_scale_v / one.factor), probe)


def _range_source(bench: Bench, name: str, at_connector_v: float) -> tuple[Source, ...]:
    rising = sorted((r for r in bench.range if r.input in ("all", name)), key=lambda r: r.full_scale_v)
    fitting = [r for r in rising if r.full_scale_v >= at_connector_v * (1.0 - RANGE_ALIKE)] or rising[-1:]
    return tuple(
        Source.voltage(f"range:{name}:{r.full_scale_v:g}", r.kind, r.gain_uncertainty_pct) for r in fitting[:1]
    )


def parts_of(bench: Bench, name: str, record: Record, scale: float = 1.0) -> tuple[Part, ...]:
    """Parts of a quantity in proportion to the volts of this record; scale: that quantity."""
    return tuple(Part(s.id, scale * s.standard, s.kind) for s in sources_of(bench, name, record.full_scale_v))


def offset_part(bench: Bench, name: str) -> Part:
    """Of an input's offset, V at the unit."""
    one = declared_input(bench, name)
    return Part(f"offset:{name}", one.offset_uncertainty_v * one.factor * DEVIATION[one.kind], one.kind)


def at_most(sources: Iterable[Source]) -> float:
    """What the declared errors may amount to, all in the same sense, relative: a bound for findings, which must not
    be raised on an instrument that is as declared."""
    return sum(s.size_pct / 100.0 * (NORMAL_AT_MOST if s.kind == "normal" else 1.0) for s in sources)


def tone_seen(record: Record, frequency_hz: float, from_s: float, to_s: float) -> ToneSeen:
    """Least squares over from_s to to_s after the trigger, with the harmonics a gain is read with."""
    times = record.times_s
    within = (times >= from_s) & (times < to_s)
    fit = fit_harmonics(record.volts[within], times[within], frequency_hz, GAIN_HARMONICS)
    # Of a fitted amplitude in white noise of rms s: s sqrt(2/n), least squares (as in IEEE 1057); of its rms s/sqrt(n).
    noise_v = math.hypot(fit.residual_rms_v, record.step_v / math.sqrt(12.0)) / math.sqrt(fit.samples)
    return ToneSeen(complex(fit.phasors[0]), noise_v, record)


def second_half(record: Record, frequency_hz: float, cycles: int) -> ToneSeen:
    """Of a burst, when couplings have settled; its last half cycle, where a delay may cut it, left out."""
    return tone_seen(record, frequency_hz, cycles / 2.0 / frequency_hz, (cycles - 0.5) / frequency_hz)
