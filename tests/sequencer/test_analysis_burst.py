"""Bursts in their records against closed forms: clipped sines, a coupling capacitor, a converter with noise."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sequencer.analysis.burst import (
    cycle_table,
    first_to_last_cycle_pct,
    fitted_frequency,
    last_cycle,
    locate_burst,
    read_burst,
)
from sequencer.analysis.twin import twin_residual
from tests.sequencer.analysis_waves import Converter, Real, Wave, burst, clipped

CLIP_1_PCT, POWER_1_PCT = (
    0.971360054,
    1.0476998,
)  # clipped sine, THD 1 % to the 19th harmonic (Fourier series)
POWER_10_PCT, CLIP_10_PCT = 1.2877619, 0.778651164  # 10 % of all harmonics


def just_clipped(frequency_hz: float, cycles: int, ratio: float) -> Wave:
    """A burst whose crests are flat at 1 V, driven 1/ratio above the onset."""
    return clipped(burst(frequency_hz, cycles), -1.0, 1.0, 1.0 / ratio)


def scaled(wave: Wave, factor: float) -> Wave:
    return lambda times: factor * wave(times)


def shifted(wave: Wave, delay_s: float, sign: float = 1.0, offset_v: float = 0.0) -> Wave:
    return lambda times: sign * wave(times - delay_s) + offset_v


@pytest.mark.parametrize("cycles", [1, 2, 8, 20])
@pytest.mark.parametrize("per_cycle", [51.3, 1000.0])
@pytest.mark.parametrize("drive", [1.0, 1.03, 2.0])
def test_the_start_is_found(cycles: int, per_cycle: float, drive: float) -> None:
    """Truth: the delay put in.

    Inverted or not, clipped or not, 8 bits, offset, any sampling phase.
    """
    rng = np.random.default_rng(cycles)
    converter = Converter(8, 1.3)
    for _ in range(6):
        delay = rng.uniform(0.0, 0.1) / 1000.0
        wave = shifted(clipped(burst(1000.0, cycles), -1.0, 1.0, drive), delay, rng.choice([-1.0, 1.0]), 0.03)
        record = converter.record(wave, 1000.0, cycles, per_cycle=per_cycle, phase=rng.uniform())
        assert abs(locate_burst(record, 1000.0, cycles) - delay) * 1000.0 < (4e-3 if per_cycle < 100 else 1e-3)


@pytest.mark.parametrize("cycles", [1, 8])
def test_the_start_behind_a_coupling_capacitor(cycles: int) -> None:
    """Truth: the delay put in; the settled wave leads by 11.3 degrees (3 % of a cycle), its start does not move."""
    record = Converter(12, 1.3).record(shifted(burst(50.0, cycles, 10.0), 3e-4), 50.0, cycles)
    assert abs(locate_burst(record, 50.0, cycles) - 3e-4) * 50.0 < 2.5e-3


def test_the_start_where_the_output_goes_away() -> None:
    """Truth: the delay put in; a protection takes the output away after 3 of 8 cycles."""
    whole = shifted(burst(1000.0, 8), 2e-5)
    record = Converter(12, 1.3).record(lambda t: np.where(t < 3e-3, whole(t), 0.0), 1000.0, 8, before=6.0)
    start_s = locate_burst(record, 1000.0, 8)
    assert abs(start_s - 2e-5) < 2e-6
    rows = cycle_table(record, start_s, 1000.0, 8)
    assert [row.fundamental_v > 0.5 for row in rows] == [True] * 3 + [False] * 5


def test_what_cannot_be_located_is_said() -> None:
    """An empty record and one shorter than the burst hold no start; a burst beyond the record has no cycles."""
    silent = Converter(None, 1.0).record(lambda t: 0.0 * t, 1000.0, 2)
    with pytest.raises(ValueError, match="no trace"):
        locate_burst(silent, 1000.0, 2)
    with pytest.raises(ValueError, match="shorter"):
        locate_burst(silent, 1000.0, 20)
    with pytest.raises(ValueError, match="inside the record"):
        cycle_table(silent, 1e-3, 1000.0, 2)


def test_the_digitisers_clock() -> None:
    """Truth: 60 ppm between the clocks, put in; 1,000 Hz reads 1,000.06 Hz on the slower one."""
    record = Converter(12, 1.3).record(burst(1000.0, 20), 1000.0, 20, clock_ppm=60.0)
    assert fitted_frequency(record, 0.0, 1000.0, 20) == pytest.approx(1000.06, abs=2e-3)
    assert fitted_frequency(record, 0.0, 1000.0, 2) == 1000.0
    assert fitted_frequency(record, 0.0, 1001.0, 20) == 1001.0  # 1,000 ppm is no clock


@pytest.mark.parametrize("cycles", [1, 8, 20])
@pytest.mark.parametrize(("ratio", "factor"), [(1.0, 1.0), (CLIP_1_PCT, POWER_1_PCT), (CLIP_10_PCT, POWER_10_PCT)])
@pytest.mark.parametrize("per_cycle", [1000.0, 1024.7])
def test_power_of_the_last_cycle(cycles: int, ratio: float, factor: float, per_cycle: float) -> None:
    """Twice the mean square of a sine clipped at 1 V (closed form), without a converter: within 0.002 % of power."""
    wave = just_clipped(1000.0, cycles, ratio)
    for phase in (0.0, 0.31, 0.77):
        record = Converter(None, 1.3).record(wave, 1000.0, cycles, per_cycle=per_cycle, phase=phase)
        reading = read_burst(record, 1000.0, cycles)
        assert 2.0 * reading.last.rms_ac_v**2 == pytest.approx(factor, rel=2e-5)


@pytest.mark.parametrize(("bits", "most"), [(12, 2e-4), (8, 2e-3)])
def test_power_through_a_converter(bits: int, most: float) -> None:
    """The same closed form; noise leaves 2 sqrt(2/N) s/A of power (0.002 % at 12 bits, 0.04 at 8): five of them
    allowed.
    """
    converter = Converter(bits, 1.2)
    for phase in np.linspace(0.0, 1.0, 12):
        record = converter.record(just_clipped(1000.0, 8, CLIP_1_PCT), 1000.0, 8, phase=float(phase), clock_ppm=50.0)
        assert 2.0 * read_burst(record, 1000.0, 8).last.rms_ac_v ** 2 == pytest.approx(POWER_1_PCT, rel=most)


@pytest.mark.parametrize("per_cycle", [1000.0, 487.3])
def test_thd_of_the_last_cycle(per_cycle: float) -> None:
    """1 % to the 19th harmonic by the Fourier series; harmonics above K leak 0.003 percentage points at most."""
    record = Converter(None, 1.3).record(just_clipped(1000.0, 8, CLIP_1_PCT), 1000.0, 8, per_cycle=per_cycle)
    assert read_burst(record, 1000.0, 8).last.thd == pytest.approx(0.01, abs=4e-5)


def test_one_sided_clip() -> None:
    """Positive peaks cut at 0.9: dc -0.009538, fundamental 0.981307, h2 1.7910 %, h3 1.6119 % (closed form)."""
    wave = clipped(burst(1000.0, 8), -2.0, 0.9)
    last = read_burst(Converter(None, 1.3).record(wave, 1000.0, 8), 1000.0, 8).last
    assert last.offset_v == pytest.approx(-0.009538, abs=2e-6)
    assert last.fit.amplitude_v == pytest.approx(0.981307, abs=1e-5)
    rms = last.fit.harmonic_rms
    assert rms[1] / rms[0] == pytest.approx(0.017910, abs=5e-5)  # harmonics above K leak that much
    assert rms[2] / rms[0] == pytest.approx(0.016119, abs=5e-5)
    assert [last.crest_pos_v, last.crest_neg_v] == pytest.approx([0.9, -1.0], abs=1e-4)


def test_cycle_table_of_a_falling_burst() -> None:
    """Truth: amplitude falls by 1 % of the first per cycle, put in; rms of a slowly falling sine to second order."""

    def wave(t: Real) -> Real:
        return burst(1000.0, 10)(t) * (1.0 - 10.0 * np.clip(t, 0.0, 1.0))

    record = Converter(None, 1.3).record(wave, 1000.0, 10)
    rows = cycle_table(record, 0.0, 1000.0, 10)
    assert [row.number for row in rows] == list(range(1, 11))
    middles = 1.0 - 0.01 * (np.arange(10) + 0.5)
    assert [row.rms_ac_v for row in rows] == pytest.approx(middles / math.sqrt(2.0), rel=1e-4)
    assert first_to_last_cycle_pct(rows) == pytest.approx(100.0 * (0.905 / 0.995 - 1.0), abs=0.01)


@pytest.mark.parametrize(
    ("fault", "bias_pp"),
    [("none", 0.0), ("clock", 0.009), ("offset and phase", 0.0), ("droop", 0.118)],
)
def test_one_cycle_of_a_clean_sine(fault: str, bias_pp: float) -> None:
    """Bias of THD from one cycle, K = 20, measured once by orthogonal least squares on the same faults.

    A clock off by 50 ppm, 2 % offset at any sampling phase, gain falling by 1 % a cycle.
    """
    offset, ppm, wave = 0.0, 0.0, burst(1000.0, 1)
    if fault == "clock":
        ppm = 50.0
    elif fault == "offset and phase":
        offset = 0.02
    elif fault == "droop":
        wave = lambda t: burst(1000.0, 1)(t) * (1.0 - 10.0 * np.clip(t, 0.0, 1.0))  # noqa: E731
    for phase in (0.0, 0.4):
        record = Converter(None, 2.0).record(shifted(wave, 0.0, 1.0, offset), 1000.0, 1, phase=phase, clock_ppm=ppm)
        thd_pp = 100.0 * last_cycle(record, 0.0, 1000.0, 1).thd
        assert thd_pp == pytest.approx(bias_pp, abs=0.006 + 0.1 * bias_pp)


def test_one_cycle_behind_a_coupling_capacitor_needs_its_twin() -> None:
    """50 Hz behind 10 Hz, a perfect unit: plain THD reads 3.5 to 3.7 % (orthogonal least squares on the closed
    form).

    The same burst 12 dB lower, scaled and turned, leaves less than 0.1 % at 12 bits and two floors at 8 bits.
    """
    rng = np.random.default_rng(5)
    for bits in (12, 8):
        residuals, floors = [], []
        for _ in range(12):
            where = rng.uniform(0.0, 1e-3)
            wave = shifted(burst(50.0, 1, 10.0), where)
            shot = Converter(bits, 1.3, seed=int(rng.integers(1_000_000_000)))
            twin = Converter(bits, 0.33, seed=int(rng.integers(1_000_000_000)))
            high = read_burst(shot.record(wave, 50.0, 1, phase=rng.uniform(), clock_ppm=50.0), 50.0, 1)
            quarter = scaled(wave, 0.25)
            low_record = twin.record(quarter, 50.0, 1, phase=rng.uniform(), clock_ppm=50.0)
            low = read_burst(low_record, 50.0, 1)
            assert 0.034 < high.last.thd < 0.037
            residual, floor = twin_residual(high.last.fit, low.last.fit, shot.step_v, twin_step_v=twin.step_v)
            residuals.append(residual)
            floors.append(floor)
        assert max(residuals) < (1e-3 if bits == 12 else 2.0 * floors[0])


def test_the_twin_leaves_a_plain_clip_as_it_is() -> None:
    """DC-coupled, 1 % by the Fourier series: the twin is a pure sine, so nothing of the clip is taken away."""
    shot = Converter(None, 1.3).record(just_clipped(1000.0, 1, CLIP_1_PCT), 1000.0, 1)
    twin = Converter(None, 1.3).record(lambda t: 0.25 * burst(1000.0, 1)(t), 1000.0, 1, phase=0.5)
    high, low = (read_burst(record, 1000.0, 1).last.fit for record in (shot, twin))
    residual, floor = twin_residual(high, low, 0.0)
    assert residual == pytest.approx(0.01, abs=5e-5)
    assert floor < 1e-3


def test_a_turned_and_scaled_copy_leaves_nothing() -> None:
    """Definition: the same wave, three times as large and half a cycle later, differs from its twin by nothing."""
    wave = clipped(burst(1000.0, 5, 30.0), -0.8, 0.9)
    low = last_cycle(Converter(None, 1.0).record(wave, 1000.0, 5), 0.0, 1000.0, 5)
    later = Converter(None, 1.0).record(lambda t: 3.0 * wave(t - 5e-4), 1000.0, 5, after=1.3)
    high = last_cycle(later, 5e-4, 1000.0, 5)
    assert twin_residual(high.fit, low.fit, 0.0)[0] < 1e-8


def test_no_fundamental_is_no_number_made_up() -> None:
    """Silence has no ratio: residual 0 with an infinite floor."""
    silent = last_cycle(Converter(None, 1.0).record(lambda t: 0.0 * t, 1000.0, 2), 0.0, 1000.0, 2)
    assert (silent.thd, silent.thd_floor) == (0.0, math.inf)
    assert twin_residual(silent.fit, silent.fit, 0.0) == (0.0, math.inf)
