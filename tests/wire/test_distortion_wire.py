"""Distortion by level and frequency, headroom, two tones over real sockets, against the formula of the unit's knee."""

from __future__ import annotations

import math
from functools import cache
from typing import Any

import numpy as np
import pytest

from sequencer.plan.models import Plan, Rating
from simulators.world.unit_truth import ChannelTruth, FeedTruth, RailTruth, UnitTruth
from tests.wire import truth_forms as forms
from tests.wire.wire_bench import NightOnWire, Wired, declared_bench, declared_unit, run_plan

RAIL_V, KNEE, GAIN_DB = 25.0, 4.0, 26.0
RATED_W = 25.0
TONES_HZ = (100.0, 1000.0, 8000.0, 20000.0)


@cache
def night() -> NightOnWire:
    """One channel with a soft knee x / (1 + |x|^4)^(1/4) into 8 ohm, coupled for DC; its file rates 25 W."""
    channel = ChannelTruth("A", gain_db=GAIN_DB, clip="soft", knee_exponent=KNEE, input_ohm=1e9, noise_vrms=0.0003)
    rating = Rating(load_ohm=8.0, supply_v=24.0, power_w=RATED_W, thd_pct=1.0, channels_driven=1)
    unit = declared_unit(RAIL_V).model_copy(update={"rating": (rating,)})
    stages: list[dict[str, Any]] = [
        {"name": "limit", "measurement": "output_power", "stop_limit": {"thd_pct": 1.0}},
        {"name": "by level", "measurement": "thd_by_level"},
        {
            "name": "by frequency", "measurement": "thd_by_frequency", "frequencies_hz": TONES_HZ,
            "options": {"powers_w": (1.0,), "power_parts": (0.5,)},
        },
        {"name": "headroom", "measurement": "dynamic_headroom"},
        {"name": "two tones", "measurement": "intermodulation", "options": {"power_parts": (0.9,)}},
    ]  # fmt: skip
    plan = {"format": 1, "name": "m", "rest": "quick", "stage": tuple(one | {"loads": ("8R",)} for one in stages)}
    truth = UnitTruth("MV-0900", (channel,), RailTruth(RAIL_V), FeedTruth(efficiency=1.0))
    return run_plan(Wired(declared_bench("a", "a")), unit, truth, Plan.model_validate(plan))


def row(measurement: str) -> dict[str, Any]:
    found = next(row for row, _ in night().values if row["measurement"] == measurement)
    assert found["outcome"] == "measured", found["reason"]
    return found


def knee(wanted: forms.Volts) -> forms.Volts:
    return forms.soft(RAIL_V, KNEE)(wanted)


def wanted_peak(level_vrms: float) -> float:
    return math.sqrt(2.0) * level_vrms * 10.0 ** (GAIN_DB / 20.0)


def test_distortion_by_level_is_that_of_the_knee() -> None:
    """THD of the knee's formula at the level as set, harmonics to the 20th (Fourier sum of its cycle); below the floor
    nothing is claimed. Watts: mean square of that cycle over the load's ohms."""
    ohm = declared_bench("a", "a").model.load["8R"].ohm["A"]
    rows = row("thd_by_level")["distortion_by_level"]
    assert len(rows) == 14
    for one in rows:
        cycle = knee(forms.sine(wanted_peak(one["level_vrms"])))
        true_pct = 100.0 * float(forms.thd(cycle))
        assert one["power_w"] == pytest.approx(forms.ac_mean_square(cycle) / ohm, rel=0.003)
        if one["thd_below_floor"]:
            assert true_pct < 2.5 * one["thd_floor_pct"]
        else:
            assert one["thd_pct"] == pytest.approx(true_pct, rel=0.01, abs=3.0 * one["thd_floor_pct"])
    assert not rows[-1]["thd_below_floor"]
    assert rows[-1]["thd_pct"] == pytest.approx(1.0, abs=0.08)  # 0.1 dB below a limit of 1 %


def test_distortion_by_frequency_counts_what_lies_in_the_band() -> None:
    """A knee without memory distorts alike at every frequency; at 8 kHz its 3rd lies outside, at 20 kHz everything."""
    ohm = declared_bench("a", "a").model.load["8R"].ohm["A"]
    for one in row("thd_by_frequency")["distortion_by_frequency"]:
        watts = 1.0 if one["asked"] == "1 W" else RATED_W / 2
        assert one["power_w"] == pytest.approx(watts, rel=0.04)  # the knee takes 3 % of half the rated power
        true_pct = 100.0 * float(forms.thd(knee(forms.sine(wanted_peak(one["level_vrms"])))))
        if one["frequency_hz"] <= 1000.0 and watts > 1.0:
            assert one["thd_pct"] == pytest.approx(true_pct, rel=0.02, abs=3.0 * one["thd_floor_pct"])
        if one["frequency_hz"] == 8000.0:
            assert (one["harmonics"], one["thd_below_floor"]) == (2, True)
        if one["frequency_hz"] == 20000.0:
            assert (one["harmonics"], one["thd_pct"]) == (1, None)
        assert one["power_w"] == pytest.approx(
            forms.ac_mean_square(knee(forms.sine(wanted_peak(one["level_vrms"])))) / ohm, rel=0.003
        )


def test_headroom_over_the_rated_power() -> None:
    """A rail that does not sag gives in a burst what it gives at its limit: 10 log10(P / 25 W), P of the knee at 1 %
    THD by halving; not above it, and within 0.1 dB below. The silence between two counted bursts is less than half a
    second."""
    ohm = declared_bench("a", "a").model.load["8R"].ohm["A"]
    peak = forms.crossing_peak(knee, 0.01, 0.3 * RAIL_V, 1.5 * RAIL_V)
    limit_db = 10.0 * math.log10(forms.ac_mean_square(knee(forms.sine(peak))) / ohm / RATED_W)
    found = row("dynamic_headroom")
    (one,) = found["headroom"]
    value = found["values"][0]["value"]
    assert limit_db - 0.1 <= value <= limit_db + 0.005
    assert 0.0 < one["gap_s"] < 0.5
    assert one["thd_pct"] <= 1.0


def lines(first: tuple[float, float], second: tuple[float, float], common_hz: float) -> forms.Volts:
    """Peak volts of each line of the knee's output, `common_hz` apart: one whole period of both tones, by FFT."""
    t = np.arange(400_000) / 400_000 / common_hz
    out = knee(first[0] * np.sin(2 * np.pi * first[1] * t) + second[0] * np.sin(2 * np.pi * second[1] * t))
    return np.asarray(2.0 * np.abs(np.fft.rfft(out)) / t.size)


def test_two_tones_make_what_the_knee_s_formula_says() -> None:
    """Denominators as named: 7 kHz; the sum of both tones. Levels by the generator's page: the crest of the sum is the
    level's, 4 and 1 fifth, one half each. Even products: the knee has none."""
    found = row("intermodulation")["intermodulation"]
    by_name = {one["name"]: one for one in found}
    peak = wanted_peak(by_name["modulation distortion"]["level_vrms"])
    low = lines((0.8 * peak, 60.0), (0.2 * peak, 7000.0), 20.0)
    sides = [7000 + side * n * 60 for n in range(1, 6) for side in (-1, 1)]
    rms_pct = 100.0 * math.sqrt(sum(low[hz // 20] ** 2 for hz in sides)) / low[350]
    assert by_name["modulation distortion"]["pct"] == pytest.approx(rms_pct, rel=0.02)
    assert rms_pct > 0.3
    d3_pct = 100.0 * (low[6880 // 20] + low[7120 // 20]) / low[350]
    assert by_name["d3 of modulation"]["pct"] == pytest.approx(d3_pct, rel=0.02)
    assert by_name["d2 of modulation"]["below_floor"]
    peak = wanted_peak(by_name["d3 of difference tones"]["level_vrms"])
    high = lines((0.5 * peak, 19000.0), (0.5 * peak, 20000.0), 1000.0)
    d3_pct = 100.0 * (high[18] + high[21]) / (high[19] + high[20])
    assert by_name["d3 of difference tones"]["pct"] == pytest.approx(d3_pct, rel=0.02)
    assert by_name["d2 of difference tones"]["below_floor"]
