"""Distortion of one burst of a single tone, read from its later half, when couplings have settled.

THD(F): harmonics up to K, cut to the band, over the fundamental; THD+N: those and the noise within the band.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from sequencer.analysis.burst import fitted_frequency, locate_burst
from sequencer.analysis.cycles import (
    INSET,
    MOST_NOISE_HARMONICS,
    SAMPLES_PER_HARMONIC,
    fit_window,
    mean_and_rms,
    span,
)
from sequencer.analysis.harmonics import HarmonicFit, harmonics_in_band
from sequencer.analysis.noise import (
    ThdN,
    below_floor,
    distortion_of,
    thd_n_floor,
    thd_n_reading,
)
from sequencer.analysis.records import Record


@dataclass(frozen=True)
class ToneReading:
    """rms_ac_v: true rms of the later half, V; fundamental_v: Vrms. harmonics: K. thd: ratio, the noise's power taken
    away; thd_raw: with it; thd_floor: rms of what a clean tone would show; thd_u: standard uncertainty. All four None
    where no harmonic lies within the band. thd_n: ratio with its uncertainty; thd_n_floor: least this converter shows.
    """

    rms_ac_v: float
    fundamental_v: float
    harmonics: int
    thd: float | None
    thd_raw: float | None
    thd_floor: float | None
    thd_u: float | None
    thd_n: ThdN
    thd_n_floor: float

    @property
    def thd_below_floor(self) -> bool:
        """The raw ratio must not be called distortion."""
        if self.thd_raw is None or self.thd_floor is None:
            return False
        return below_floor(self.thd_raw, self.thd_floor, self.harmonics)


@dataclass(frozen=True)
class _Window:
    """What `thd_n_floor` asks for."""

    fit: HarmonicFit


def read_tone(
    record: Record, frequency_hz: float, cycles: int, harmonics: int, band_hz: tuple[float, float]
) -> ToneReading:
    """One input's record of a burst of `cycles` whole cycles, 6 at least. ValueError where it holds no such burst."""
    k = harmonics_in_band(frequency_hz, harmonics, band_hz)
    start_s = locate_burst(record, frequency_hz, cycles)
    hz = fitted_frequency(record, start_s, frequency_hz, cycles, k)
    begin_s, end_s = start_s + (cycles - cycles // 2) / hz, start_s + cycles / hz
    record = _without_drift(record, begin_s, end_s, hz, k)
    fit = fit_window(record, begin_s, end_s, hz, k)
    _, rms_v = mean_and_rms(record, begin_s, (cycles // 2) / hz)
    noisy = thd_n_reading(record, start_s, hz, cycles, k, band_hz)
    least = thd_n_floor(record, _Window(fit), band_hz)
    if k < 2:
        return ToneReading(rms_v, fit.fundamental_rms_v, k, None, None, None, None, noisy, least)
    residual_v = fit.residual_rms_v
    # What lies above the band is no noise: its size is that of a fit to as many harmonics as the rate shows.
    many = min(MOST_NOISE_HARMONICS, int(1.0 / (hz * record.sample_interval_s) / SAMPLES_PER_HARMONIC))
    if many > k:
        residual_v = fit_window(record, begin_s, end_s, hz, many).residual_rms_v
    seen = distortion_of(fit, record, hz, k, residual_v)
    return ToneReading(rms_v, fit.fundamental_rms_v, k, seen.thd, fit.thd_f, seen.floor, seen.u, noisy, least)


def _without_drift(record: Record, begin_s: float, end_s: float, frequency_hz: float, harmonics: int) -> Record:
    """The record without the straight line that is left between two times beside the tone: what a coupling capacitor
    still gives back lies far below the band, and a line through it would count as noise."""
    fit = fit_window(record, begin_s, end_s, frequency_hz, harmonics)
    part = span(record, begin_s + INSET / frequency_hz, end_s - INSET / frequency_hz)
    times_s = record.times_s
    left = record.volts[part] - fit.wave(times_s[part])
    away = times_s[part] - times_s[part].mean()
    slope = float(away @ left) / float(away @ away)
    return replace(record, volts=record.volts - slope * (times_s - times_s[part].mean()), codes=None)
