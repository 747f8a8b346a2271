"""A burst in its record: where it begins, its clock, its cycles, and the last one, on which all is judged.

A burst is a whole number of cycles of a sine that starts at its zero crossing, with silence before it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sequencer.analysis.cycles import CycleRow, many_cycles, one_cycle, window_frequency, with_own_noise
from sequencer.analysis.harmonics import HarmonicFit
from sequencer.analysis.locate import locate_burst
from sequencer.analysis.noise import distortion_of
from sequencer.analysis.records import Record

__all__ = [
    "BurstReading",
    "CycleRow",
    "LastCycle",
    "cycle_table",
    "first_to_last_cycle_pct",
    "fitted_frequency",
    "last_cycle",
    "locate_burst",
    "read_burst",
]

CLOCK_FROM_CYCLES = 3
FEW_CYCLES = 3  # so few are compared with a twin
CLOCK_AWAY = 300e-6  # two crystal clocks differ by less (common practice, no source); more is drift, not clock


@dataclass(frozen=True)
class LastCycle:
    """The last cycle of a burst. thd: ratio, the noise's power taken away; thd_floor: rms of what a clean tone
    would show; thd_u: standard uncertainty of thd, from noise and converter."""

    row: CycleRow
    thd: float
    thd_floor: float
    thd_u: float

    @property
    def fit(self) -> HarmonicFit:
        return self.row.fit

    @property
    def rms_ac_v(self) -> float:
        """True rms about the mean, V."""
        return self.row.rms_ac_v

    @property
    def offset_v(self) -> float:
        return self.row.offset_v

    @property
    def crest_pos_v(self) -> float:
        return self.row.crest_pos_v

    @property
    def crest_neg_v(self) -> float:
        return self.row.crest_neg_v


@dataclass(frozen=True)
class BurstReading:
    """Everything of one burst on one input. frequency_hz: on the digitiser's clock."""

    start_s: float
    frequency_hz: float
    rows: tuple[CycleRow, ...]
    last: LastCycle


def read_burst(record: Record, frequency_hz: float, cycles: int, harmonics: int = 20) -> BurstReading:
    """Locates the burst, takes its clock from 3 cycles on, and reads all its cycles."""
    start_s = locate_burst(record, frequency_hz, cycles)
    hz = fitted_frequency(record, start_s, frequency_hz, cycles)
    rows = cycle_table(record, start_s, hz, cycles, harmonics)
    return BurstReading(start_s, hz, rows, _judged_last(record, rows[-1], hz))


def fitted_frequency(record: Record, start_s: float, frequency_hz: float, cycles: int, harmonics: int = 20) -> float:
    """Hz on the digitiser's clock, by a joint fit of the burst without its first cycle; from 3 cycles on.

    The given frequency where there are fewer, or where the fit differs by more than two clocks can: what follows
    coupling capacitors slides in phase for a while, and that must not be taken for a clock.
    """
    if cycles < CLOCK_FROM_CYCLES:
        return frequency_hz
    begin_s, end_s = start_s + 1.0 / frequency_hz, start_s + cycles / frequency_hz
    try:
        hz = window_frequency(record, begin_s, end_s, frequency_hz, harmonics)
    except ValueError:
        return frequency_hz
    return hz if abs(hz / frequency_hz - 1.0) <= CLOCK_AWAY else frequency_hz


def cycle_table(
    record: Record, start_s: float, frequency_hz: float, cycles: int, harmonics: int = 20
) -> tuple[CycleRow, ...]:
    """Every cycle of the burst, in order. ValueError where the burst does not lie inside the record."""
    if cycles > FEW_CYCLES:
        return many_cycles(record, start_s, frequency_hz, cycles, harmonics)
    return tuple(
        one_cycle(record, i + 1, start_s + i / frequency_hz, frequency_hz, harmonics, few=True) for i in range(cycles)
    )


def last_cycle(record: Record, start_s: float, frequency_hz: float, cycles: int, harmonics: int = 20) -> LastCycle:
    """The last cycle, with floor and uncertainty of its distortion.

    ValueError where it is not inside the record.
    """
    begin_s = start_s + (cycles - 1) / frequency_hz
    return _judged_last(
        record, one_cycle(record, cycles, begin_s, frequency_hz, harmonics, few=cycles <= FEW_CYCLES), frequency_hz
    )


def _judged_last(record: Record, row: CycleRow, frequency_hz: float) -> LastCycle:
    row = with_own_noise(record, row, frequency_hz)
    fit = row.fit
    seen = distortion_of(fit, record, frequency_hz, fit.harmonics)
    return LastCycle(row, seen.thd, seen.floor, seen.u)


def first_to_last_cycle_pct(rows: Sequence[CycleRow]) -> float:
    """Change of true rms from the first to the last cycle, in percent of the first."""
    return 100.0 * (rows[-1].rms_ac_v / rows[0].rms_ac_v - 1.0)
