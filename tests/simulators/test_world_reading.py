"""Digitising, truths, and the promise that reading changes nothing."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from simulators.world.bench_truth import BenchTruth, DigitiserTruth, InputTruth
from simulators.world.digitise import Digitiser, InputSetting, Record, one_two_five
from simulators.world.layout import Bay, Layout
from simulators.world.noise import normal, normals, uniform
from simulators.world.truth_files import load_unit_truth, shipped_bench, shipped_units, unit_truth
from simulators.world.unit_truth import DeclaredUnit, RailTruth, UnitTruth, spread_ohm
from simulators.world.world import World
from tests.simulators.world_bench import ON_NS, S, channel, one_cycle, powered, thd, unit, volts

RECORD = Record(ON_NS, 1e6, 20_000, 500)


def codes_of(
    digitiser: DigitiserTruth, setting: InputSetting, level_vrms: float = 1.0, hz: float = 997.0
) -> np.ndarray:  # type: ignore[type-arg]
    world = powered(unit(rail=RailTruth(1000.0)), bench=BenchTruth(digitiser=digitiser))
    world.fire(ON_NS, level_vrms, hz, 20)
    return Digitiser(world, "d", {1: "output A"}).codes(RECORD, [setting])[setting.number]


def test_quantiser_alone() -> None:
    """Error of an ideal quantiser on a busy signal: rms step/sqrt(12), within half a step (Bennett)."""
    setting = InputSetting(1, 5.0, 8)
    world = powered(unit(), bench=BenchTruth(digitiser=DigitiserTruth(bits=10, noise_steps=0.0)))
    world.fire(ON_NS, 1.3, 997.0, 20)
    digitiser = Digitiser(world, "d", {1: "output A"})
    step_v = 40.0 / 1024.0
    got = digitiser.codes(RECORD, [setting])[1] * step_v
    t_s = digitiser.sample_times_s(RECORD)
    burst = (t_s > 0) & (t_s < 0.019)
    error = (got - 13.0 * math.sqrt(2.0) * np.sin(2.0 * math.pi * 997.0 * t_s))[burst] / step_v
    assert np.max(np.abs(error)) <= 0.5 + 1e-9
    assert float(np.std(error)) == pytest.approx(1.0 / math.sqrt(12.0), rel=0.02)


def test_input_noise() -> None:
    """Independent errors add in squares: sqrt(1.5^2 + 1/12) steps on a silent input; 20,000 draws give 0.5 %."""
    codes = codes_of(DigitiserTruth(bits=12, noise_steps=1.5), InputSetting(2, 1.0, 8))
    assert float(np.std(codes)) == pytest.approx(math.sqrt(1.5**2 + 1.0 / 12.0), rel=0.02)
    assert abs(float(np.mean(codes))) < 0.05


@pytest.mark.parametrize("bits", [8, 10, 12, 14])
def test_overload_gives_end_codes(bits: int) -> None:
    """A b bit converter has -2^(b-1) .. 2^(b-1) - 1 and nothing else."""
    codes = codes_of(DigitiserTruth(bits=bits), InputSetting(1, 1.0, 8))
    assert (codes.min(), codes.max()) == (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)


def test_gain_errors_multiply() -> None:
    """+1 % in the probe, -2 % in the range, through a 10:1 probe at half the range: 0.9898 of the ideal codes."""
    truth = InputTruth(10.0, 0.01, 0.0, 0.0, {0.5: -0.02})
    codes = codes_of(DigitiserTruth(14, 0.0, inputs={1: truth}), InputSetting(1, 0.5, 8), level_vrms=0.7)
    crest_steps = 7.0 * math.sqrt(2.0) / 10.0 * 0.9898 / (4.0 / 2**14)
    assert codes.max() == pytest.approx(crest_steps, abs=1.0)


def test_own_clock() -> None:
    """+100 ppm: after 19.5 ms the samples are 1.95 us early; the trigger lies anywhere within one sample."""
    world = powered(unit(), bench=BenchTruth(digitiser=DigitiserTruth(clock_ppm=100.0)))
    digitiser = Digitiser(world, "d", {})
    firsts = []
    for k in range(50):
        t_s = digitiser.sample_times_s(Record(k * S, 1e6, 20_000, 500))
        firsts.append(t_s[500] * 1e6)
        assert (t_s[-1] - t_s[500]) == pytest.approx(19.499e-3 / 1.0001, rel=1e-9)
    assert 0.0 <= min(firsts) < 0.15
    assert 0.85 < max(firsts) < 1.0


def test_ranges() -> None:
    """1-2-5 order as the programming pages have it."""
    assert one_two_five(5e-3, 10.0) == (0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)


def test_keyed_chance() -> None:
    """Moments of the even and the normal law; equal keys give equal numbers, others do not."""
    flat = [uniform(1, "x", k) for k in range(4000)]
    assert np.mean(flat) == pytest.approx(0.5, abs=0.02)
    assert np.std(flat) == pytest.approx(1.0 / math.sqrt(12.0), rel=0.03)
    bell = [normal(1, "x", k) for k in range(4000)]
    assert np.mean(bell) == pytest.approx(0.0, abs=0.06)
    assert np.std(bell) == pytest.approx(1.0, rel=0.04)
    assert normal(1, "x", 5) == normal(1, "x", 5) != normal(2, "x", 5)
    assert not np.array_equal(normals(5, 1, "a", 1), normals(5, 1, "a", 2))


def test_reading_changes_nothing() -> None:
    """5,000 polls of everything, at odd times, against none: equal to the last bit."""
    truth = next(iter(shipped_units().values()))

    def night(polls: int) -> tuple[object, ...]:
        world = powered(truth, 4.0, shipped_bench(), limit_a=16.0)
        digitiser = Digitiser(world, "d", {1: "output A", 2: "rail"})
        settings = [InputSetting(1, 1.0, 8), InputSetting(2, 1.0, 8)]
        seen: list[object] = []
        for k in range(4):
            start_ns = ON_NS + k * S
            world.fire(start_ns, 0.6 + 0.2 * k, 1000.0, 20)
            for j in range(polls // 4):
                at_ns = start_ns + 60_000_000 + j * 700_001 if j % 2 else start_ns + 1000 + j * 7_919
                world.supply_means(at_ns - 20_000_000, at_ns)
                world.supply_limited(at_ns)
                world.temperature_c("301", at_ns)
                world.journal  # noqa: B018 (a property that must not change anything)
            codes = digitiser.codes(Record(start_ns, 1e6, 2000, 100), settings)
            end_ns = start_ns + 990_000_000
            seen += [codes[1].tobytes(), codes[2].tobytes(), world.temperature_c("301", end_ns)]
            seen.append(world.supply_means(end_ns - 20_000_000, end_ns))
        return world.journal, *seen

    assert night(0) == night(5000)


def test_healthy_units_meet_their_ratings() -> None:
    """The invented ratings of the ferries' amplifiers: 60 W into 8 ohm, 100 W into 4 ohm at 1 % THD, both channels."""
    for truth in shipped_units().values():
        for ohm, rated_w in ((8.0, 60.0), (4.0, 100.0)):
            assert all(watts > rated_w for watts in _watts_at_one_percent(truth, ohm)), (truth.serial, ohm)


def _watts_at_one_percent(truth: UnitTruth, ohm: float) -> list[float]:
    """Power of each channel's last cycle of 20, the level found by halving."""
    found = []
    for item in truth.channels:
        low, high, watts = 0.5, 2.5, 0.0
        for _ in range(14):
            level = 0.5 * (low + high)
            world = powered(truth, ohm)
            world.fire(ON_NS, level, 1000.0, 20)
            wave = volts(world, f"output {item.name}", ON_NS, one_cycle(1000.0, 19, 2000))
            if thd(wave) <= 0.01:
                low, watts = level, float(np.mean(wave**2)) / ohm
            else:
                high = level
        found.append(watts)
    return found


def test_a_unit_from_its_ratings_is_near_them_but_not_equal() -> None:
    """Declared spreads: gain +-1 dB, knee +-1.5 dB, loads +-0.5 %."""
    rails, gains = set(), set()
    for seed in range(60):
        truth = UnitTruth.from_ratings(DeclaredUnit("MV-0300"), seed)
        rails.add(20.0 * math.log10(truth.rail.no_load_v / 32.0))
        gains.add(truth.channels[0].gain_db - 26.0)
        assert 0.995 <= spread_ohm(4.0, seed, "4R", "A") / 4.0 <= 1.005
    for spread, most in ((rails, 1.5), (gains, 1.0)):
        assert 0.0 not in spread
        assert max(spread) <= most
        assert min(spread) >= -most
        assert max(spread) - min(spread) > most


def test_truth_files_refuse_slips(tmp_path: Path) -> None:
    """A misspelt key would otherwise leave a default in place and prove nothing."""
    with pytest.raises(KeyError, match="rail_ohms"):
        unit_truth({"serial": "X", "rail": {"no_load_v": 30.0}, "channel": [{"name": "A"}], "rail_ohms": 1.0})
    bad = tmp_path / "x.toml"
    bad.write_text('serial = "X"\n[rail]\nno_load_v = 30.0\nsource_ohm = 1.0\n[[channel]]\nname = "A"\n')
    with pytest.raises(ValueError, match=r"x\.toml.*reservoir"):
        load_unit_truth(bad)


def test_one_bench_one_unit_at_a_time() -> None:
    """Contacts decide which bay is on the bench; the other one cools: exp(-t/RC)."""
    first, second = unit(channel(offset_v=0.1)), unit(channel(offset_v=0.2))
    bays = (Bay("1", first, ("201",), thermometer={"A": "301"}), Bay("2", second, ("202",), thermometer={"A": "302"}))
    world = World(Layout(bays))
    world.set_coils(0, frozenset({"201"}))
    world.set_supply(0, 24.0, 40.0, True)
    assert volts(world, "output A", 5 * S, np.array([0.0]))[0] == pytest.approx(0.1)
    world.set_coils(600 * S, frozenset({"202"}))
    assert volts(world, "output A", 605 * S, np.array([0.0]))[0] == pytest.approx(0.2)
    warm, later = (world.temperature_c("301", t * S) for t in (605, 1205))
    assert warm is not None
    assert later is not None
    assert (later - 22.0) / (warm - 22.0) == pytest.approx(math.exp(-1.0), rel=1e-9)
