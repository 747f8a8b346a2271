"""The capture of a shot: sample rate, length, silence around the burst; and its floor. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

from sequencer.analysis import noise
from sequencer.plan.models import Bench

SAMPLES_PER_CYCLE = 1000.0
FULL_RATE_HZ = 1e6  # 1,000 samples a cycle at 1 kHz; above that frequency the rate stays
SAMPLES_PER_HARMONIC = 2.5  # least samples in a cycle, for each harmonic counted
SILENCE_S = 0.0005
SILENCE_CYCLES = 0.1
ROUNDING = 100  # record lengths in hundreds: instruments round to them
FILL = 0.8  # of the range, by the burst's crest
NOISE_STEPS = 0.3  # rms of the input's own noise, in converter steps
SILENCE_READ_S = 0.2  # whole cycles of 50 and of 60 Hz, so that hum leaves a mean alone; at least 0.15 s
TRIGGER_HZ, TRIGGER_CYCLES = 1000.0, 1  # the burst that triggers a record of silence
TRIGGER_PAST_S = 0.005  # after it the record counts: the burst and a converter's delay are over
GAIN_HARMONICS = 3
GAIN_BURST_S, GAIN_CYCLES = 0.25, (10, 20)
RESIDUAL_UP_TO = 3  # cycles: judged against a twin with a floor of its own
STEADY_RECORD_S, STEADY_CYCLES = 0.2, 10  # of a steady tone its last so many seconds are read, or so many cycles
CLOCKS_APART = 2e-4  # of two crystals together, twice over: the record must not outlast the tone


@dataclass(frozen=True)
class ShotWindow:
    """before_s, after_s: silence captured before and after the burst, seconds. delay_s: from the trigger to the first
    sample, where the record begins within the tone; before_s and after_s are then 0."""

    sample_rate_hz: float
    samples: int
    before_s: float
    after_s: float
    delay_s: float = 0.0

    @property
    def record_s(self) -> float:
        return self.samples / self.sample_rate_hz


class NoWindow(ValueError):
    """No sample rate of the digitiser suits this burst; the text says why.

    key: of the bench's [digitiser], what is too small. excess: how many times too small.
    """

    def __init__(self, key: str, excess: float, text: str) -> None:
        super().__init__(text)
        self.key, self.excess = key, excess


def shot_window(bench: Bench, frequency_hz: float, cycles: int, harmonics: int) -> ShotWindow:
    """The lowest rate with 1,000 samples a cycle (up to 1 kHz) whose record fits the depth, else the highest that
    fits.

    Never fewer than 2.5 samples a cycle for each harmonic. Raises NoWindow.
    """
    depth = bench.digitiser
    least_hz = SAMPLES_PER_HARMONIC * harmonics * frequency_hz
    wanted_hz = max(least_hz, min(SAMPLES_PER_CYCLE * frequency_hz, FULL_RATE_HZ))
    burst_s = cycles / frequency_hz
    before_s = max(SILENCE_S, SILENCE_CYCLES / frequency_hz)
    fitting = [
        rate
        for rate in sorted(depth.rates_hz)
        if rate >= least_hz and _samples(burst_s + 2.0 * before_s, rate) <= depth.samples_max
    ]
    if not fitting:
        raise _why_not(bench, burst_s + 2.0 * before_s, least_hz)
    rate_hz = next((r for r in fitting if r >= wanted_hz), fitting[-1])
    samples = _samples(burst_s + 2.0 * before_s, rate_hz)
    return ShotWindow(rate_hz, samples, before_s, samples / rate_hz - before_s - burst_s)


def steady_record_s(frequency_hz: float) -> float:
    """Seconds of a steady tone that are read, at its end: 0.2 s, and at least 10 cycles."""
    return max(STEADY_RECORD_S, STEADY_CYCLES / frequency_hz)


def steady_window(bench: Bench, frequency_hz: float, harmonics: int, cycles: int | None = None) -> ShotWindow:
    """The end of a steady tone of `cycles` (None: where it lies is not said, only its size), without silence:
    `steady_record_s` of it, at a rate chosen as for a burst.

    Never fewer than 2.5 samples a cycle for each harmonic. The record ends 0.02 % of the tone before the tone does:
    the digitiser counts the delay by its own clock. Raises NoWindow.
    """
    depth, record_s = bench.digitiser, steady_record_s(frequency_hz)
    least_hz = SAMPLES_PER_HARMONIC * harmonics * frequency_hz
    wanted_hz = max(least_hz, min(SAMPLES_PER_CYCLE * frequency_hz, FULL_RATE_HZ))
    fitting = [
        rate for rate in sorted(depth.rates_hz) if rate >= least_hz and _samples(record_s, rate) <= depth.samples_max
    ]
    if not fitting:
        raise _why_not(bench, record_s, least_hz)
    rate_hz = next((r for r in fitting if r >= wanted_hz), fitting[-1])
    samples = _samples(record_s, rate_hz)
    tone_s = (cycles or 0) / frequency_hz * (1.0 - CLOCKS_APART)
    return ShotWindow(rate_hz, samples, 0.0, 0.0, max(tone_s - samples / rate_hz, 0.0))


def silence_window(bench: Bench, seconds: float) -> ShotWindow:
    """A record that holds `seconds` of silence after its trigger's burst, at the highest rate that fits the depth.

    Raises NoWindow.
    """
    depth, burst_s = bench.digitiser, TRIGGER_CYCLES / TRIGGER_HZ
    record_s = SILENCE_S + burst_s + TRIGGER_PAST_S + seconds
    fitting = [rate for rate in depth.rates_hz if _samples(record_s, rate) <= depth.samples_max]
    if not fitting:
        raise _why_not(bench, record_s, 0.0)
    rate_hz = max(fitting)
    samples = _samples(record_s, rate_hz)
    return ShotWindow(rate_hz, samples, SILENCE_S, samples / rate_hz - SILENCE_S - burst_s)


def gain_cycles(frequency_hz: float) -> int:
    """Cycles of a burst that shows a gain: about 0.25 s, 10 to 20 cycles; its second half is read, when couplings
    have settled."""
    least, most = GAIN_CYCLES
    return min(most, max(least, math.ceil(GAIN_BURST_S * frequency_hz - 1e-9)))


def _samples(record_s: float, rate_hz: float) -> int:
    return ROUNDING * math.ceil(record_s * rate_hz / ROUNDING - 1e-6)


def _why_not(bench: Bench, record_s: float, least_hz: float) -> NoWindow:
    depth = bench.digitiser
    highest_hz, lowest_hz = max(depth.rates_hz), min(depth.rates_hz)
    if least_hz > highest_hz:
        words = f"the harmonics need {least_hz:.6g} samples/s, the highest rate is {highest_hz:g}"
        return NoWindow("rates_hz", least_hz / highest_hz, words)
    rate_hz = min(r for r in depth.rates_hz if r >= least_hz)
    why = "the lowest rate" if rate_hz == lowest_hz else f"{rate_hz:g} samples/s, which the harmonics need"
    samples = _samples(record_s, rate_hz)
    return NoWindow("samples_max", samples / depth.samples_max, f"{samples} samples even at {why}: fewer cycles")


def thd_floor(bits: int, samples: float, harmonics: int) -> float:
    """Ratio that the converter alone shows as THD over `samples` of a sine at 80 % of the range: the analysis' floor,
    for a residual of the input's noise and the converter's even error.
    """
    residual_steps = math.sqrt(NOISE_STEPS**2 + 1.0 / 12.0)
    return noise.thd_floor(residual_steps, FILL * 2.0 ** (bits - 1), samples, max(harmonics, 1), 1.0)


def noise_floor(bits: int, rate_hz: float, band_hz: tuple[float, float]) -> float:
    """Ratio that the converter's noise alone shows within the band, white up to half the sample rate."""
    amplitude = FILL * 2.0 ** (bits - 1)
    share = min((band_hz[1] - band_hz[0]) / (rate_hz / 2.0), 1.0)
    return math.sqrt(2.0 * (NOISE_STEPS**2 + 1.0 / 12.0) * share) / amplitude
