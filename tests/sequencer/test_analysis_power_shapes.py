"""Residue on the crests, the moment an output goes away, and the rail inside: against formulas of the tests' own."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from sequencer.analysis.crest import PARABOLA, crest_residue
from sequencer.analysis.cut_in import cut_in
from sequencer.analysis.harmonics import fit_harmonics
from sequencer.analysis.inner_rail import Knee, fit_inner_rail, source_between
from sequencer.analysis.records import Record
from tests.wire.truth_forms import BANDED, Sag, ac_mean_square

Volts = NDArray[np.float64]
STEP_V, RATE_HZ, HZ = 0.02, 1e6, 1000.0


def times(cycles: int) -> Volts:
    return -0.0005 + np.arange(round((cycles / HZ + 0.001) * RATE_HZ)) / RATE_HZ


def record(volts: Volts, seed: int = 1) -> Record:
    """Rounded to a converter's steps, with half a step of noise before."""
    noise = np.random.default_rng(seed).normal(0.0, 0.5 * STEP_V, volts.size)
    seen = STEP_V * np.round((volts + noise) / STEP_V)
    return Record(seen, 1.0 / RATE_HZ, -0.0005, STEP_V, 40.0, False, 12)


def burst(cycles: int, peak_v: float, clip_v: float = math.inf) -> tuple[Volts, Volts]:
    t = times(cycles)
    inside = (t >= 0.0) & (t < cycles / HZ)
    return t, np.where(inside, np.clip(peak_v * np.sin(2.0 * np.pi * HZ * t), -clip_v, clip_v), 0.0)


# --- residue on the crests


@pytest.mark.parametrize("oscillation_hz", [120e3, 300e3, 410e3])
def test_an_oscillation_on_the_crests_is_seen_there_only(oscillation_hz: float) -> None:
    """0.3 V peak above 25 V: 0.3/sqrt(2) rms, less what a parabola through 11 points follows: its frequency response,
    the sum of its weights times cosines (Savitzky and Golay, 1964)."""
    t, volts = burst(8, 30.0)
    volts = volts + np.where(np.abs(volts) > 25.0, 0.3 * np.sin(2.0 * np.pi * oscillation_hz * t), 0.0)
    fit = fit_harmonics(volts[500:8500], t[500:8500], HZ, 20)
    seen = crest_residue(record(volts), 0.0, 8, fit)
    assert seen is not None
    followed = float(PARABOLA @ np.cos(2.0 * np.pi * oscillation_hz / RATE_HZ * np.arange(-5, 6)))
    assert seen.crest_v == pytest.approx(0.3 / math.sqrt(2.0) * abs(1.0 - followed), rel=0.06)
    assert seen.crossing_v < 0.75 * STEP_V  # noise of half a step and the rounding's 1/sqrt(12): 0.58 steps


@pytest.mark.parametrize("clip_v", [29.9, 29.5, 29.1, 28.0, 24.0])
def test_the_corners_of_a_clip_are_no_oscillation(clip_v: float) -> None:
    """A hard clip of 30 V, barely clipped to 20 % deep: on the crests nothing but the converter's noise."""
    t, volts = burst(8, 30.0, clip_v)
    fit = fit_harmonics(volts[500:8500], t[500:8500], HZ, 20)
    seen = crest_residue(record(volts), 0.0, 8, fit)
    assert seen is not None
    assert seen.crest_v < 2.0 * seen.crossing_v


def test_a_carrier_lies_everywhere() -> None:
    """0.5 V at 262 kHz all the time: crest and crossing alike within 10 %."""
    t, volts = burst(8, 30.0)
    volts = volts + 0.5 * np.sin(2.0 * np.pi * 262e3 * t)
    fit = fit_harmonics(volts[500:8500], t[500:8500], HZ, 20)
    seen = crest_residue(record(volts), 0.0, 8, fit)
    assert seen is not None
    assert seen.crest_v == pytest.approx(seen.crossing_v, rel=0.1)


# --- the moment an output goes away


@pytest.mark.parametrize("at_s", [0.0013, 0.0032, 0.00475])
def test_the_moment_an_output_goes_away(at_s: float) -> None:
    """A sine of 20 V peak that is nothing from a given moment on: that moment, never later, at most a sixth of a cycle
    early where the sine passes zero just then (below a quarter of the crest for 2 asin(0.25)/2 pi = 0.08 cycles)."""
    t, volts = burst(8, 20.0)
    found = cut_in(record(np.where(t < at_s, volts, 0.0)), 0.0, HZ, 8, 20.0 / math.sqrt(2.0))
    assert found is not None
    assert found.cycle == math.floor(at_s * HZ) + 1
    assert at_s - 1.0 / 6.0 / HZ <= found.at_s <= at_s
    assert found.crest_v == pytest.approx(20.0, abs=0.1)


def test_a_whole_burst_has_no_such_moment() -> None:
    """Clipped by a third it still has 84 % of its rms (arithmetic): more than half."""
    _, volts = burst(8, 30.0, 20.0)
    assert cut_in(record(volts), 0.0, HZ, 8, 30.0 / math.sqrt(2.0)) is None


# --- the rail inside


def knee(volts: float, source_ohm: float, tau_s: float, cycles: int, load_ohm: float) -> Knee:
    """Of two channels, from the sagging rail walked point by point (tests/wire/truth_forms.py): what a hard clip's
    closed form makes of the power at 1 %."""
    sag = Sag(volts, 2.0 * source_ohm / load_ohm, tau_s, cycles)
    mean_square = ac_mean_square(sag.last_cycle(sag.crossing_peak(0.01)))
    return Knee(math.sqrt(2.0 * mean_square / BANDED[1.0]), (cycles - 0.5) / HZ, 2.0 / load_ohm)


@pytest.mark.parametrize(("source_ohm", "tau_s"), [(0.5, 0.008), (0.75, 0.008), (1.0, 0.005), (0.5, 0.012)])
def test_source_and_volts_of_the_inner_rail(source_ohm: float, tau_s: float) -> None:
    """Planted source, reservoir and volts come back from powers of 1, 8 and 20 cycles into 8 and 4 ohm: ohms within
    10 %, volts within 1 % (the mean current stands for a pulsing one: that is the error)."""
    knees = [knee(33.6, source_ohm, tau_s, n, ohm) for ohm in (8.0, 4.0) for n in (1, 8, 20)]
    found = fit_inner_rail(knees)
    assert found.source_ohm == pytest.approx(source_ohm, rel=0.1)
    assert found.no_load_v == pytest.approx(33.6, rel=0.01)
    assert found.tau_s == pytest.approx(tau_s, rel=0.3)
    assert found.misfit < 0.005


def test_source_of_two_loads() -> None:
    """V (1 + R (2/pi) g) is the same for both: 34 V behind 0.5 ohm, closed form."""
    volts = {g: 34.0 / (1.0 + 0.5 * 2.0 / math.pi * g) for g in (0.25, 0.5)}
    light, heavy = (Knee(v, 1.0, g) for g, v in volts.items())
    assert source_between(heavy, light) == pytest.approx(0.5, rel=1e-9)
    assert source_between(Knee(30.0, 1.0, 0.25), Knee(30.0, 1.0, 0.5)) is None


def test_one_burst_is_not_enough() -> None:
    with pytest.raises(ValueError, match="one burst"):
        fit_inner_rail([Knee(30.0, 0.01, 0.25)])
