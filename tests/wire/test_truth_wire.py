"""Power over real sockets against closed forms: drivers, dialects, panels, world and analysis all lie between the
truth and the number.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import cache

import numpy as np
import pytest

from simulators.world.bench_truth import BenchTruth, DigitiserTruth, InputTruth
from simulators.world.unit_truth import ChannelTruth, RailTruth, UnitTruth
from tests.wire import truth_forms as forms
from tests.wire.wire_bench import Measured, Wired, declared_bench, declared_unit, plan_of, run_plan, with_load

BENCHES = [(d, s, bits) for d, s in (("a", "a"), ("b", "b"), ("a", "b"), ("b", "a")) for bits in (12, 14)]
GAIN_DB = 26.3


def unit_truth(clip_v: float, rail: RailTruth | None = None, **channel: float | str) -> UnitTruth:
    """One channel; its output resistance is 0, so that the clip is at the unit's terminals."""
    path = ChannelTruth("A", **({"gain_db": GAIN_DB, "input_ohm": 1e9} | channel))  # type: ignore[arg-type]
    return UnitTruth("MV-0900", (path,), rail or RailTruth(clip_v))


def declared_ohm(wired: Wired, channel: str = "A") -> float:
    return wired.declared.model.load["8R"].ohm[channel]


@cache
def hard_clip(digitiser: str, supply: str, bits: int) -> tuple[float, list[Measured]]:
    """Two limits in one search on one bench; (just unclipped watts, points: 10 % then 1 %)."""
    clip_v = 24.0 + 2.1 * BENCHES.index((digitiser, supply, bits))
    wired = Wired(declared_bench(digitiser, supply, bits))
    found = run_plan(
        wired, declared_unit(clip_v * 1.1), unit_truth(clip_v), plan_of(("20 cycles",), thd_pct=(10.0, 1.0))
    )
    return clip_v**2 / (2.0 * declared_ohm(wired)), found.points


@pytest.mark.parametrize(("limit_pct", "within"), [(10.0, 0.003), (1.0, 0.002)])
@pytest.mark.parametrize(("digitiser", "supply", "bits"), BENCHES)
def test_hard_clip_on_a_stiff_rail(digitiser: str, supply: str, bits: int, limit_pct: float, within: float) -> None:
    """Closed form of the symmetrically clipped sine, P(limit) = factor x Vclip^2 / 2R; bounds of power_w: 0.05 dB of
    resolution and a confirm with room for its noise (our own requirement).
    """
    just_unclipped_w, points = hard_clip(digitiser, supply, bits)
    point = next(p for p in points if p.point.limit_pct == limit_pct)
    assert point.row["stopped_by"] == "thd"
    at_limit_w = point.channel["power_at_limit_w"]
    off_pct = 100 * (at_limit_w / forms.BANDED[limit_pct] / just_unclipped_w - 1)
    power_pct = 100 * (point.channel["power_w"] / at_limit_w - 1)
    print(
        f"{digitiser}{supply} {bits} bit {limit_pct:g} %: at limit {off_pct:+.3f} %, power_w {power_pct:+.2f} % of it"
    )
    assert at_limit_w == pytest.approx(forms.BANDED[limit_pct] * just_unclipped_w, rel=within)
    assert at_limit_w == pytest.approx(forms.ALL_HARMONICS[limit_pct] * just_unclipped_w, rel=within)
    assert -0.016 <= point.channel["power_w"] / at_limit_w - 1.0 <= 0.0
    assert point.channel["thd_pct"] <= limit_pct


@pytest.mark.parametrize(("digitiser", "supply"), [("a", "b"), ("b", "a")])
def test_one_sided_clip(digitiser: str, supply: str) -> None:
    """One-sided hard clip: at 1 % THD(F) the clip stands at 0.963040147 of the crest wanted (closed form of its
    series).
    """
    wired = Wired(declared_bench(digitiser, supply))
    (point,) = run_plan(wired, declared_unit(28.0), unit_truth(28.0, clip_negative=3.0), plan_of(("20 cycles",))).points
    (found,) = point.outcome.found
    assert found.crossing_db is not None
    wanted_v = 10 ** (found.crossing_db / 20) * math.sqrt(2.0) * 10 ** (GAIN_DB / 20)
    print(f"one-sided: clip ratio {28.0 / wanted_v:.6f}")
    assert 28.0 / wanted_v == pytest.approx(forms.ONE_SIDED_RATIO_1_PCT, rel=0.001)
    assert point.channel["crest_pos_v"] == pytest.approx(28.0, rel=0.003)
    assert point.channel["crest_neg_v"] == pytest.approx(-28.0 / forms.ONE_SIDED_RATIO_1_PCT, rel=0.006)


@pytest.mark.parametrize("tau_s", [0.005, 0.020])
@pytest.mark.parametrize("sag_share", [0.05, 0.10, 0.15])
def test_sagging_rail_gives_less_the_longer_the_burst(tau_s: float, sag_share: float) -> None:
    """P(1) > P(8) > P(20) at the limit, each within 1 % of the closed form of the rail at mid last cycle (mean class
    B current).
    """
    wired = Wired(declared_bench())
    ohm = declared_ohm(wired)
    source_ohm = sag_share / (1.0 - sag_share) * ohm * math.pi / 2.0
    truth = unit_truth(30.0, RailTruth(30.0, source_ohm, tau_s))
    points = run_plan(wired, declared_unit(28.0), truth, plan_of(("1 cycle", "8 cycles", "20 cycles"))).points
    watts = {p.point.cycles: p.channel["power_at_limit_w"] for p in points}
    for cycles, at_limit_w in watts.items():
        rail_v = forms.rail_at_mid_last_cycle(30.0, source_ohm / ohm, tau_s, cycles, 1000.0)
        expected_w = forms.BANDED[1.0] * rail_v**2 / (2.0 * ohm)
        print(
            f"tau {tau_s * 1e3:g} ms sag {sag_share:.0%} {cycles} cycles: {100 * (at_limit_w / expected_w - 1):+.2f} %"
        )
        assert at_limit_w == pytest.approx(expected_w, rel=0.01)
    assert watts[1] > watts[8] > watts[20]


def test_one_cycle_behind_a_coupling_capacitor() -> None:
    """A linear unit, 10 Hz high-pass, one 50 Hz cycle: by the closed form of the high-passed burst plain THD is 3.60
    % at the true start, and a start found a little early reads up to 0.2 points less; what is left beside the twin is
    no distortion.
    """
    wired = Wired(declared_bench(generator_vrms=0.7))
    unit = declared_unit(
        18.0, gain_db=GAIN_DB, coupling_hz=10.0
    )  # the file promises a limit within reach; the unit has none
    (point,) = run_plan(wired, unit, unit_truth(60.0, coupling_hz=10.0), plan_of(("1 cycle",), 50.0)).points
    assert point.row["stopped_by"] == "generator_ceiling"
    shots = [j.channels["A"] for j in point.outcome.judged]
    assert shots
    residuals = [s.residual for s in shots if s.residual is not None]
    plain = [s.last.fit.thd_f for s in shots]
    print(f"residual {100 * min(residuals):.4f} .. {100 * max(residuals):.4f} %")
    print(f"plain {100 * min(plain):.2f} .. {100 * max(plain):.2f} %")
    assert len(residuals) == len(shots)
    assert max(residuals) < 0.001
    assert 0.034 < min(plain) <= max(plain) < 0.037


# --- uncertainty ----------------------------------------------------------------------------------


def drawn_bench(
    number: int,
    digitiser: str = "a",
    supply: str = "a",
    channels: str = "AB",
    true_ohm: Mapping[str, float] | None = None,
) -> Wired:
    """Range and probe errors rectangular, load normal, each of the declared size and each range its own.

    true_ohm: given, the declaration is drawn around it; else the truth around the declaration.
    """
    rng = np.random.default_rng([41, number, ord(digitiser)])
    declared = declared_bench(digitiser, supply, channels=channels)
    bench = declared.model
    inputs = {}
    for name, one in bench.input.items():
        # The panels' ranges are named by volts a division; any range of 1-2-5 or 1-2.5-5 order is drawn.
        error = bench.range[0].gain_uncertainty_pct / 100.0
        steps = [digit * 10.0**power for power in range(-4, 2) for digit in (1.0, 2.0, 2.5, 5.0)]
        ranges = {float(f"{v:.6g}"): float(rng.uniform(-error, error)) for v in steps}
        probe = float(rng.uniform(-1.0, 1.0)) * one.gain_uncertainty_pct / 100.0
        inputs[int(name.removeprefix("ch"))] = InputTruth(one.factor, probe, 0.0, error, ranges)
    load = bench.load["8R"]
    off = {channel: float(rng.normal()) * load.uncertainty_ohm for channel in load.ohm}
    if true_ohm is None:
        true_ohm = {channel: ohm + off[channel] for channel, ohm in load.ohm.items()}
    else:
        declared = with_load(declared, {c: ohm + off[c] for c, ohm in true_ohm.items()}, load.uncertainty_ohm)
    truth = BenchTruth(digitiser=DigitiserTruth(noise_steps=0.5, clock_ppm=float(rng.uniform(-30, 30)), inputs=inputs))
    return Wired(declared, truth, true_ohm)


def test_true_power_lies_within_the_stated_interval() -> None:
    """60 benches: the true watts, from the true clip, true ohms and the level read, lie within the stated 95 % in 90 to
    100 % of the benches (binomial: 54 to 60 of 60 holds 97 % of the draws of a true 95 %)."""
    inside, misses = 0, []
    for number in range(60):
        rng = np.random.default_rng([43, number])
        clip_v = float(rng.uniform(22.0, 38.0))
        wired = drawn_bench(number, channels="A")
        file_v = clip_v * 10 ** (float(rng.uniform(-2.0, 2.0)) / 20)
        (point,) = run_plan(
            wired, declared_unit(file_v), unit_truth(clip_v), plan_of(("8 cycles",)), seed=number
        ).points
        assert wired.true_ohm is not None
        seen = point.channel
        wanted_v = point.row["level_vrms"] * math.sqrt(2.0) * 10 ** (GAIN_DB / 20)
        true_w = (
            forms.ac_mean_square(forms.hard(clip_v, clip_v)(forms.sine(wanted_v))) / wired.true_ohm[seen["channel"]]
        )
        share = (seen["power_w"] - true_w) / seen["power_expanded_uncertainty_w"]
        inside += abs(share) <= 1.0
        misses.append(share)
    print(f"inside {inside} of 60; rms of error over expanded uncertainty {np.sqrt(np.mean(np.square(misses))):.3f}")
    assert 54 <= inside <= 60
    assert (
        0.40 < np.sqrt(np.mean(np.square(misses))) < 0.70
    )  # a true 95 % interval has 0.51 (normal) to 0.61 (one rectangular)


KINDS: dict[str, UnitTruth] = {
    "hard": UnitTruth("MV-0900", tuple(ChannelTruth(n) for n in "AB"), RailTruth(31.0)),
    "sag": UnitTruth("MV-0900", tuple(ChannelTruth(n) for n in "AB"), RailTruth(33.0, 0.5, 0.010)),
    "soft": UnitTruth(
        "MV-0900", tuple(ChannelTruth(n, clip="soft", knee_exponent=14.0) for n in "AB"), RailTruth(29.0)
    ),
    "uneven": UnitTruth("MV-0900", tuple(ChannelTruth(n, clip_negative=1.03) for n in "AB"), RailTruth(27.0)),
}


@pytest.mark.parametrize("kind", KINDS)
def test_two_benches_agree(kind: str) -> None:
    """The same unit on two benches of different make, nothing shared but the truth: watts agree within the root of
    the sum of squares of their expanded uncertainties (JCGM 100, 5.1.2, independent results). Both loads are truly
    8.01 and 7.99 ohm, declared as measured.
    """
    results = []
    for digitiser, supply in (("a", "a"), ("b", "b")):
        wired = drawn_bench(list(KINDS).index(kind), digitiser, supply, "AB", {"A": 8.01, "B": 7.99})
        (point,) = run_plan(wired, declared_unit(30.0, channels="AB"), KINDS[kind], plan_of(("8 cycles",))).points
        assert point.row["outcome"] == "measured"
        results.append(point.row["channels"])
    for ours, theirs in zip(*results, strict=True):
        apart_w = ours["power_w"] - theirs["power_w"]
        allowed_w = math.hypot(ours["power_expanded_uncertainty_w"], theirs["power_expanded_uncertainty_w"])
        both = f"{ours['power_w']:.3f} and {theirs['power_w']:.3f} W"
        print(f"{kind} {ours['channel']}: {both}, apart {apart_w / allowed_w:+.2f} of allowed")
        assert abs(apart_w) <= allowed_w
