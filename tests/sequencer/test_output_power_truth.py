"""`output_power` against closed forms: clipped sines, a sagging rail, a coupling capacitor. The unit is on paper
(tests/sequencer/paper_unit.py), so nothing of simulators/ stands between the closed form and the number.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from sequencer.analysis.uncertainty import Source
from sequencer.measurements.energy import load_j, unit_j
from sequencer.measurements.output_power import Outcome, output_power
from sequencer.measurements.power_job import Allowance, ChannelJob, LevelLimits, PowerJob
from sequencer.measurements.power_rows import rows
from sequencer.measurements.requests import BenchReading, ReadBench, Reply, Request
from sequencer.plan.points import Point
from tests.sequencer.paper_unit import PaperBench, PaperUnit, drive

OHM = 8.0
# Power at the THD limit over that of the just unclipped sine; symmetrical hard clip, harmonics up to the 19th only
# (20 kHz at 1 kHz) and all of them. Closed forms of the clipped sine's Fourier series, evaluated to 8 digits.
BANDED = {1.0: 1.0476998, 10.0: 1.2878470}
ALL_HARMONICS = {1.0: 1.0475059, 10.0: 1.2877619}
ONE_SIDED_1_PCT = 0.963040147  # clip ratio of a one-sided clip at 1 % THD(F)


def point(cycles: int = 20, frequency_hz: float = 1000.0, limit_pct: float = 1.0, **other: Any) -> Point:
    values: dict[str, Any] = {
        "id": "p001", "stage": "bursts", "measurement": "output_power", "load": "8R", "frequency_hz": frequency_hz,
        "cycles": cycles, "steady": False, "supply_v": 24.0, "channels": ("A",), "thermal": "any",
        "quantity": "thd", "limit_pct": limit_pct, "group": 1, "resolution_db": 0.05, "confirm": 3, "harmonics": 20,
        "band_hz": (20.0, 20000.0), "any_cycle_factor": 3.0, "rail_sag_pct": 10.0, "after_trip": "next unit",
        "keep_traces": 2, "rest": "quick",
    }  # fmt: skip
    return Point(**(values | other))


def job(points: tuple[Point, ...], *, clip_v: float = 30.0, coupling_hz: float = 0.0) -> PowerJob:
    sources = (
        Source.voltage("range:ch1", "rectangular", 0.0),
        Source.voltage("probe:ch1", "rectangular", 0.0),
        Source.resistance("load:8R:A", "normal", 0.0),
    )
    channel = ChannelJob("A", "ch1", OHM, clip_v, 26.02, sources)
    limits = LevelLimits(generator_vrms=4.0, output_crest_v=200.0, burst_j=1e4, largest_range_v=400.0)
    return PowerJob(points, (channel,), limits, None, coupling_hz, 1.0)


def measure(the_job: PowerJob, bench: PaperBench) -> tuple[Outcome, list[dict[str, Any]]]:
    outcome = drive(output_power(the_job, None, ()), bench)
    return outcome, rows(outcome)


@pytest.mark.parametrize("clip_v", [23.7, 30.0, 31.9])
@pytest.mark.parametrize(("limit_pct", "within"), [(1.0, 0.002), (10.0, 0.003)])
def test_hard_clip_on_a_stiff_rail(clip_v: float, limit_pct: float, within: float) -> None:
    """Closed form of the symmetrically clipped sine: P(limit) = factor x Vclip^2 / 2R."""
    bench = PaperBench(PaperUnit(clip_pos_v=clip_v, clip_neg_v=clip_v), seed=int(clip_v * 10))
    _, (row,) = measure(job((point(limit_pct=limit_pct),)), bench)
    just_unclipped_w = clip_v**2 / (2 * OHM)
    channel = row["channels"][0]
    assert row["stopped_by"] == "thd"
    assert channel["power_at_limit_w"] == pytest.approx(BANDED[limit_pct] * just_unclipped_w, rel=within)
    assert channel["power_at_limit_w"] == pytest.approx(ALL_HARMONICS[limit_pct] * just_unclipped_w, rel=within)
    assert -0.016 <= channel["power_w"] / channel["power_at_limit_w"] - 1 <= 0.0005
    assert channel["thd_pct"] <= limit_pct


def test_one_sided_clip() -> None:
    """One-sided hard clip: at 1 % THD(F) the clip stands at 0.963040147 of the crest (closed form of its series)."""
    bench = PaperBench(PaperUnit(clip_pos_v=28.0, clip_neg_v=90.0))
    outcome, (row,) = measure(job((point(),), clip_v=28.0), bench)
    found = outcome.found[0]
    assert found.crossing_db is not None
    crest_v = 10 ** (found.crossing_db / 20) * math.sqrt(2) * 20.0
    assert 28.0 / crest_v == pytest.approx(ONE_SIDED_1_PCT, rel=0.001)
    assert row["channels"][0]["crest_pos_v"] == pytest.approx(28.0, rel=0.002)
    assert row["channels"][0]["crest_neg_v"] < -28.5


def test_several_limits_are_found_highest_first_with_shared_readings() -> None:
    bench = PaperBench(PaperUnit())
    points = (point(limit_pct=10.0), point(limit_pct=1.0, id="p002"))
    outcome, (ten, one) = measure(job(points), bench)
    w0 = 30.0**2 / (2 * OHM)
    assert ten["channels"][0]["power_at_limit_w"] == pytest.approx(BANDED[10.0] * w0, rel=0.003)
    assert one["channels"][0]["power_at_limit_w"] == pytest.approx(BANDED[1.0] * w0, rel=0.002)
    alone = sum(measure(job((p,)), PaperBench(PaperUnit()))[0].shots for p in points)
    assert outcome.shots < alone


def rail_at_mid_last_cycle(volts: float, source_ohm: float, tau_s: float, cycles: int, frequency_hz: float) -> float:
    """Closed form: the rail under the mean class B current. |i| has mean 2/pi of its crest V/R, so

    V(t) = V0 - (V0 - Vend)(1 - exp(-t/tau')), Vend = V0/(1 + q), q = Rs (2/pi)/R, tau' = tau/(1 + q).
    """
    q = source_ohm * (2 / math.pi) / OHM
    t = (cycles - 0.5) / frequency_hz
    end = volts / (1 + q)
    return volts - (volts - end) * (1 - math.exp(-t * (1 + q) / tau_s))


@pytest.mark.parametrize("tau_s", [0.005, 0.020])
@pytest.mark.parametrize("sag_share", [0.05, 0.15])
def test_sagging_rail_gives_less_the_longer_the_burst(tau_s: float, sag_share: float) -> None:
    """P(1) > P(8) > P(20) on power_at_limit, each within 1 % of the rail's closed form at mid last cycle."""
    source_ohm = sag_share / (1 - sag_share) * OHM * math.pi / 2
    watts = {}
    for cycles in (1, 8, 20):
        bench = PaperBench(PaperUnit(clip_pos_v=30.0, sag=(source_ohm, tau_s, OHM)), seed=cycles, per_cycle=500)
        _, (row,) = measure(job((point(cycles),)), bench)
        watts[cycles] = row["channels"][0]["power_at_limit_w"]
        rail = rail_at_mid_last_cycle(30.0, source_ohm, tau_s, cycles, 1000.0)
        assert watts[cycles] == pytest.approx(BANDED[1.0] * rail**2 / (2 * OHM), rel=0.01)
    assert watts[1] > watts[8] > watts[20]


def test_one_cycle_behind_a_coupling_capacitor_is_judged_by_its_residual() -> None:
    """A perfect linear unit, 10 Hz high-pass, one 50 Hz cycle: plain THD 3.5 to 3.7 %, residual below 0.1 % at 12
    bit.

    The plain figure depends on where the window is put: 3.60 % at the true start; the start is found 0.18 % of a
    cycle early behind such a corner, which reads 3.49 %.
    """
    bench = PaperBench(PaperUnit(clip_pos_v=1e3, clip_neg_v=1e3, corner_hz=10.0))
    the_job = job((point(1, 50.0),), clip_v=30.0, coupling_hz=10.0)
    outcome, _ = measure(the_job, bench)
    shots = [j.channels["A"] for j in outcome.judged]
    assert shots
    for shot in shots:
        assert 0.034 < shot.last.fit.thd_f < 0.0375
        assert shot.residual is not None
        assert shot.residual < 0.001


def test_row_is_one_shot_and_repeatability_comes_from_all() -> None:
    """All numbers of a row are of the confirming shot with the median power."""
    outcome, (row,) = measure(job((point(),)), PaperBench(PaperUnit()))
    channel = row["channels"][0]
    confirmed = sorted(channel["repeat_power_w"])
    assert len(confirmed) == 3
    assert channel["power_w"] == confirmed[1]
    assert channel["power_w"] == pytest.approx(channel["output_vrms"] ** 2 / OHM)
    assert row["level_vrms"] in {f.level_vrms for f in outcome.judged[-1:][0:1] and [j.shot for j in outcome.judged]}
    assert len(channel["cycle_rows"]) == 20


def test_harmless_first_and_nothing_far_above_the_crossing() -> None:
    """First output at most 0.5 Vrms; no level more than 0.3 dB above the crossing; silence between all shots."""
    bench = PaperBench(PaperUnit())
    outcome, _ = measure(job((point(),)), bench)
    crossing_vrms = 30.0 / 0.971360054 / math.sqrt(2) / 20.0  # clip ratio at 1 % to h19, closed form
    assert bench.fired[0].level_vrms * 20.0 <= 0.5
    assert max(f.level_vrms for f in bench.fired) <= crossing_vrms * 10 ** (0.3 / 20)
    assert outcome.shots == len(bench.fired)


def test_an_overloaded_capture_is_repeated_on_a_wider_range_and_never_called_clipping() -> None:
    """The file says 12 V of clip, the unit clips at 30: the range is too small at first; the result is right all
    the same."""
    bench = PaperBench(PaperUnit())
    outcome, (row,) = measure(job((point(),), clip_v=24.0), bench)
    w0 = 30.0**2 / (2 * OHM)
    assert row["channels"][0]["power_at_limit_w"] == pytest.approx(BANDED[1.0] * w0, rel=0.002)
    assert not any(j.overloaded() for j in outcome.judged)


def test_dead_channel_is_not_driven() -> None:
    bench = PaperBench(PaperUnit(gain=0.01))
    outcome, (row,) = measure(job((point(),)), bench)
    assert row["outcome"] == "not_measured"
    assert "gain of channel A" in row["reason"]
    assert len(bench.fired) == 1
    assert np.isfinite(bench.fired[0].level_vrms)
    assert outcome.found == ()


@pytest.mark.parametrize(
    ("allowance", "ended"),
    [(Allowance(energy_load_j=6.0), "energy_budget"), (Allowance(energy_unit_j=1.0), "energy_budget"),
     (Allowance(time_s=0.5), "time_budget")],
)  # fmt: skip
def test_a_spent_allowance_ends_the_point_by_name(allowance: Allowance, ended: str) -> None:
    """30 V into 8 ohm is 56 W: 1.1 J a burst of 20 ms, so 6 J are five shots near the knee, not the whole search."""
    base = job((point(),))
    outcome, (row,) = measure(replace(base, allowance=allowance), PaperBench(PaperUnit()))
    assert row["stopped_by"] == ended
    assert sum(load_j(base, j) for j in outcome.judged) <= allowance.energy_load_j


def test_heat_of_the_unit_follows_the_class_b_law() -> None:
    """Ideal class B just unclipped: dissipation 0.273240 of Vcc^2/2R, textbook."""
    base = job((point(),), clip_v=30.0)
    outcome, _ = measure(base, PaperBench(PaperUnit(clip_pos_v=1e3, clip_neg_v=1e3)))
    full_w = 30.0**2 / (2 * OHM)
    for judged in outcome.judged:
        x = judged.shot.level_vrms * math.sqrt(2) * 20.0 / 30.0
        if x < 1.0:
            expected_w = (4 * x / math.pi - x * x) * full_w  # input less output of the ideal stage
            assert unit_j(base, judged) == pytest.approx(expected_w * 0.020, rel=0.002)


def test_a_hot_heat_sink_ends_the_point_by_name() -> None:
    """Stop limit of the heat sink, reached by the fourth shot."""

    class Warming(PaperBench):
        def answer(self, request: Request) -> Reply:
            if isinstance(request, ReadBench):
                return BenchReading(24.0, 1.0, False, None, {"A": 40.0 + 10.0 * (len(self.fired) - 2)})
            return super().answer(request)

    outcome, (row,) = measure(replace(job((point(),)), stop_c=75.0), Warming(PaperUnit()))
    assert row["stopped_by"] == "temperature"
    assert len(outcome.judged) == 4


@pytest.mark.parametrize("seed", range(6))
def test_a_mismatch_between_channels_is_no_limiter(seed: int) -> None:
    """Channel B stands 1.4 dB low: near the floor either may be the worse one, and the ramp must still end at A's."""
    base = job((point(8, channels=("A", "B")),))
    other = replace(base.channels[0], name="B", input="ch2", gain_db=24.6)
    both = replace(base, channels=(base.channels[0], other))
    bench = PaperBench(PaperUnit(), seed=seed, others={"ch2": PaperUnit(gain=17.0)})
    _, (row,) = measure(both, bench)
    assert row["stopped_by"] == "thd"
    assert row["stopped_by_channel"] == "A"
    assert row["channels"][0]["power_at_limit_w"] == pytest.approx(BANDED[1.0] * 30.0**2 / (2 * OHM), rel=0.002)
