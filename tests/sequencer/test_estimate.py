"""Costs on paper against arithmetic by hand, closed forms and an integral of the clipped wave itself."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sequencer.errors import Problem
from sequencer.plan import clip
from sequencer.plan.check_table import Checked, check_json, check_table
from sequencer.plan.estimate import Estimate, clip_volts, estimates, rest_s
from sequencer.plan.expand import expand
from sequencer.plan.load import load_bench, load_inputs
from sequencer.plan.models import Bench, Plan, Unit
from sequencer.plan.points import Point
from sequencer.plan.refuse import refusals
from sequencer.plan.refuse_points import overload_factor
from sequencer.plan.window import NoWindow, noise_floor, shot_window, thd_floor
from tests.sequencer.sound_inputs import SOUND, Kind, changed, write

Made = tuple[tuple[Point, ...], tuple[Estimate, ...], Plan, Unit, Bench]


def made(folder: Path, **texts: str) -> Made:
    every: dict[Kind, str] = {kind: texts.get(kind, text) for kind, text in SOUND.items()}
    paths = write(folder, every)
    inputs = load_inputs(paths["plan"], [paths["unit"]], paths["bench"])
    plan, unit, bench = inputs.plan.model, inputs.units[0].loaded.model, inputs.bench.model
    found = expand(plan, unit, bench)
    return found, estimates(found, unit, bench, plan.budget.shots_per_point), plan, unit, bench


# --- the clipped sine ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("limit_pct", "over_db", "power"),
    [
        (0.1, 0.03668, 1.0078203),
        (0.5, 0.13925, 1.0276540),
        (1.0, 0.25126, 1.0475059),
        (3.0, 0.66568, 1.1118536),
        (10.0, 2.17314, 1.2877619),
    ],
)
def test_clipped_sine_at_a_limit(limit_pct: float, over_db: float, power: float) -> None:
    """Textbook closed forms of the symmetrically clipped sine, as tabulated to these digits."""
    found = clip.overdrive_db(limit_pct)
    assert found == pytest.approx(over_db, abs=1e-5)
    assert 2.0 * clip.mean_square(found) == pytest.approx(power, abs=2e-7)


@pytest.mark.parametrize("over_db", [0.0, 0.3, 2.5, 12.0])
def test_clipped_sine_against_the_wave_itself(over_db: float) -> None:
    """Mean square and mean magnitude of 200,000 samples over one cycle (midpoint rule, numpy)."""
    turn = (np.arange(200_000) + 0.5) / 200_000 * 2.0 * np.pi
    wave = np.clip(10.0 ** (over_db / 20.0) * np.sin(turn), -1.0, 1.0)
    assert clip.mean_square(over_db) == pytest.approx(float(np.mean(wave**2)), rel=1e-8)
    assert clip.mean_magnitude(over_db) == pytest.approx(float(np.mean(np.abs(wave))), rel=1e-8)


def test_clip_volts_from_rail_and_from_ratings() -> None:
    """sqrt(2 P R): 60 W into 8 ohm is 30.984 V, 100 W into 4 ohm is 28.284 V; by hand."""
    from sequencer.plan.load import load_unit

    unit = load_unit("ferry_pa_60").model
    assert clip_volts(unit, 8.0, 24.0) == pytest.approx({"A": 30.984, "B": 30.984}, abs=5e-4)
    assert clip_volts(unit, 4.0, 24.0) == pytest.approx({"A": 28.284, "B": 28.284}, abs=5e-4)
    assert clip_volts(unit, 2.0, 24.0) == clip_volts(unit, 4.0, 24.0)
    assert clip_volts(unit, 8.0, 30.0)["A"] == pytest.approx(30.984 * 30.0 / 24.0, abs=1e-3)
    own = unit.model_copy(update={"output_rail_v": 33.0})
    assert clip_volts(own, 4.0, 24.0) == {"A": 33.0, "B": 33.0}


# --- one point by hand ---------------------------------------------------------------------------------


def test_costs_of_a_point_by_hand(tmp_path: Path) -> None:
    """20 cycles at 1 kHz into 4R, 30 V rail, 24 V, 1 %, channels A (4.01 ohm) and B (3.99 ohm).

    Just-unclipped watts are 900/(2 R). At the limit and the overshoot allowed the sine is over-driven by 0.25126 +
    0.3 dB; the factors of power and supply current come from the wave itself (numpy). Shots: 10 + 3 confirms + twin
    (20 dB down: a hundredth of the power), 8 of the 10 at the limit; the gain of 4R was proved before. Heat: class B
    (textbook) from a rail of 1.1 x 30 V through 85 %, 4 k x / pi - x^2 of the just-unclipped watts at its worst x (on
    a grid), and 1.2 A of idle.
    """
    found, costs, *_ = made(tmp_path)
    number = next(n for n, p in enumerate(found) if (p.load, p.cycles) == ("4R", 20))
    cost = costs[number]
    wave = np.abs(np.clip(10 ** ((0.25126 + 0.3) / 20) * np.sin(np.linspace(0, 2 * np.pi, 100_001)), -1, 1))[:-1]
    square, magnitude = float(np.mean(wave**2)), float(np.mean(wave))
    siemens = 1 / 4.01 + 1 / 3.99
    assert cost.clip_v == 30.0
    assert cost.shots == 10 + 3 + 1
    assert cost.rest_s == 1.0
    assert cost.time_s == pytest.approx(14 * (1.0 + 0.02 + 0.5))
    assert cost.power_w == pytest.approx(900 * square / 3.99, rel=1e-5)
    assert cost.burst_j == pytest.approx(cost.power_w * 0.02)
    assert cost.energy_load_j == pytest.approx(11.01 * 0.02 * 900 * square * siemens, rel=1e-5)
    x = np.linspace(0.0, 1.0, 100_001)
    worst = float(np.max(4.0 * (1.1 / 0.85) * x / math.pi - x**2))
    assert cost.energy_unit_j == pytest.approx(12 * 0.02 * (worst * 900 / 2 * siemens + 1.2 * 24), rel=1e-6)
    assert cost.supply_a == pytest.approx(900 * magnitude * siemens / (0.85 * 24) + 1.2, rel=1e-5)
    assert cost.level_vrms == pytest.approx(30 / math.sqrt(2) / 10 ** (26 / 20) * 10 ** (0.55126 / 20), rel=1e-5)
    assert cost.idle_j == pytest.approx(1.2 * 24 * 14 * (1.0 + 0.5))


def test_shots_of_first_and_later_points(tmp_path: Path) -> None:
    """First of a load 16 + 3 + proof and twin; later 10 + 3 + twin; a lower limit of one search 6 + 3."""
    plan = changed("plan", "thd_pct = 1.0", "thd_pct = [10.0, 1.0]")
    _, costs, *_ = made(tmp_path, plan=plan)
    assert [c.shots for c in costs] == [21, 9, 14, 9, 21, 9, 14, 9]


def test_another_frequency_proves_its_gain(tmp_path: Path) -> None:
    plan = changed("plan", "[1000.0]", "[1000.0, 2000.0]").replace('["20 cycles", "1 cycle"]', '["20 cycles"]')
    _, costs, *_ = made(tmp_path, plan=plan)
    assert [c.shots for c in costs] == [21, 15, 21, 15]


def test_the_budget_caps_the_search(tmp_path: Path) -> None:
    _, costs, *_ = made(tmp_path, plan=changed("plan", "shots_per_point = 60", "shots_per_point = 12"))
    assert [c.shots for c in costs] == [14, 13, 14, 13]


@pytest.mark.parametrize(
    ("rest", "cycles", "hertz", "coupling_hz", "seconds"),
    [
        ("normal", 20, 1000.0, 0.0, 1.0),  # 49 x 20 ms = 0.98 s
        ("normal", 20, 50.0, 0.0, 19.6),  # 49 x 0.4 s
        ("quick", 20, 50.0, 0.0, 7.6),  # 19 x 0.4 s
        ("quick", 1, 1000.0, 0.5, 1.5915),  # 5 / (2 pi 0.5)
    ],
)
def test_rest(rest: str, cycles: int, hertz: float, coupling_hz: float, seconds: float, tmp_path: Path) -> None:
    plan = changed("plan", 'rest = "normal"', f'rest = "{rest}"')
    plan = plan.replace('["20 cycles", "1 cycle"]', f'["{cycles} cycle{"s" * (cycles > 1)}"]')
    plan = plan.replace("[1000.0]", f"[{hertz}]")
    unit = changed("unit", "coupling_hz = 3.0", f"coupling_hz = {coupling_hz}")
    found, *_, made_unit, _ = made(tmp_path, plan=plan, unit=unit)
    assert rest_s(made_unit, found[0]) == pytest.approx(seconds, abs=1e-4)


# --- the capture ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("hertz", "cycles", "harmonics", "rate_hz", "samples"),
    [
        (1000.0, 20, 20, 1e6, 21_000),  # 1,000 a cycle, 20 ms and twice 0.5 ms
        (1000.0, 1, 20, 1e6, 2_000),
        (500.0, 20, 20, 5e5, 20_500),  # 40 ms and twice 0.5 ms at 500 kS/s
        (50.0, 20, 20, 1e5, 40_400),  # 2,000 a cycle at the lowest rate; 0.4 s and twice 2 ms
        (20.0, 20, 20, 1e5, None),  # 1.01 s at 100 kS/s: 101,000 samples, too deep
        (5000.0, 20, 4, 1e6, 5_000),
    ],
)
def test_window_on_the_shipped_bench(
    hertz: float, cycles: int, harmonics: int, rate_hz: float, samples: int | None
) -> None:
    """By hand; rates 1e5, 2e5, 5e5, 1e6 and 100,000 samples."""
    bench = load_bench("workshop").model
    if samples is None:
        with pytest.raises(NoWindow):
            shot_window(bench, hertz, cycles, harmonics)
        return
    window = shot_window(bench, hertz, cycles, harmonics)
    assert (window.sample_rate_hz, window.samples) == (rate_hz, samples)


def test_a_shallow_digitiser_takes_a_lower_rate_but_never_too_low() -> None:
    """10,000 samples: 21 ms at 1 MS/s do not fit, at 200 kS/s they do: 4,200."""
    bench = load_bench("workshop").model
    digitiser = bench.digitiser.model_copy(update={"samples_max": 10_000})
    shallow = bench.model_copy(update={"digitiser": digitiser})
    assert shot_window(shallow, 1000.0, 20, 20).sample_rate_hz == 2e5
    with pytest.raises(NoWindow) as none:
        shot_window(shallow, 1000.0, 200, 20)
    assert none.value.key == "samples_max"


@pytest.mark.parametrize("bench", ["workshop", "second_workshop"])
@pytest.mark.parametrize("cycles", [1, 2, 3, 8, 20, 50])
@pytest.mark.parametrize("hertz", [50.0, 63.0, 333.3, 1000.0, 3150.0, 10_000.0])
def test_the_window_holds_the_burst(bench: str, cycles: int, hertz: float) -> None:
    """Silence of 0.5 ms at least on both sides, record within the depth, 2.5 samples for each harmonic."""
    one = load_bench(bench).model
    harmonics = min(20, int(20_000 / hertz))
    try:
        window = shot_window(one, hertz, cycles, harmonics)
    except NoWindow:
        assert cycles / hertz > 0.9  # only the longest bursts do not fit
        return
    total_s = window.samples / window.sample_rate_hz
    assert window.before_s + cycles / hertz + window.after_s == pytest.approx(total_s)
    assert min(window.before_s, window.after_s) >= 0.0005 - 1e-6
    assert window.samples <= one.digitiser.samples_max
    assert window.samples % 100 == 0
    assert window.sample_rate_hz >= 2.5 * harmonics * hertz
    assert window.sample_rate_hz in one.digitiser.rates_hz


# --- the floor -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bits", "samples", "harmonics", "pct"),
    [
        (8, 200, 10, 0.17),
        (8, 200, 20, 0.25),
        (8, 1000, 10, 0.077),
        (8, 1000, 20, 0.112),
        (8, 10_000, 20, 0.036),
        (12, 200, 10, 0.011),
        (12, 1000, 10, 0.0048),
        (12, 1000, 20, 0.0070),
        (12, 10_000, 20, 0.0022),
    ],
)
def test_floor_of_an_ideal_quantiser(bits: int, samples: int, harmonics: int, pct: float) -> None:
    """The closed form for 80 % fill and 0.3 steps of noise, evaluated apart from this code, to 2 digits."""
    assert 100.0 * thd_floor(bits, samples, harmonics) == pytest.approx(pct, rel=0.04)


def test_floor_against_quantised_records() -> None:
    """300 seeded one-cycle records of 1,000 samples, 8 bit, 0.3 steps of noise: THD to h20 by DFT (numpy)."""
    rng = np.random.default_rng(5)
    turn = np.arange(1000) / 1000 * 2 * np.pi
    amplitude = 0.8 * 128
    powers = []
    for _ in range(300):
        wave = amplitude * np.sin(turn + rng.uniform(0, 2 * np.pi)) + rng.uniform(-0.5, 0.5) + rng.normal(0, 0.3, 1000)
        bins = np.abs(np.fft.rfft(np.round(wave))) / 500
        powers.append(float(np.sum(bins[2:21] ** 2) / bins[1] ** 2))
    assert math.sqrt(np.mean(powers)) == pytest.approx(thd_floor(8, 1000, 20), rel=0.1)


def test_noise_floor_in_band() -> None:
    """By hand for 8 bit: sqrt(2 (0.09 + 1/12) 19980/500000)/102.4 = 0.1149 %."""
    assert 100.0 * noise_floor(8, 1e6, (20.0, 20_000.0)) == pytest.approx(0.1149, abs=1e-4)


def test_few_cycles_have_the_floor_of_two_records(tmp_path: Path) -> None:
    found, costs, *_ = made(tmp_path)
    by_cycles = {p.cycles: c.floor_pct for p, c in zip(found, costs, strict=True)}
    assert by_cycles[1] == pytest.approx(math.sqrt(2.0) * (by_cycles[20] or 0.0))


@pytest.mark.parametrize(
    ("kind", "burst_s", "factor"),
    [("wirewound", 0.05, 10.0), ("wirewound", 0.4, 5.0), ("wirewound", 1.0, 1.0), ("film", 0.001, 1.5)],
)
def test_overload_of_loads(kind: str, burst_s: float, factor: float) -> None:
    """Common practice, no source."""
    assert overload_factor(kind, burst_s) == factor


# --- the table -----------------------------------------------------------------------------------------


def checked(folder: Path, **texts: str) -> Checked:
    found, costs, plan, unit, bench = made(folder, **texts)
    return Checked(plan, unit, bench, found, costs, tuple(refusals(plan, unit, bench)))


def test_table_has_one_line_a_point_and_is_not_wide(tmp_path: Path) -> None:
    one = checked(tmp_path)
    lines = check_table(one)
    assert max(map(len, lines)) <= 110
    for point in one.points:
        (line,) = [text for text in lines if text.startswith(point.id)]
        assert point.load in line
    assert lines[-1] == "nothing is refused"


def test_totals_are_the_sums(tmp_path: Path) -> None:
    one = checked(tmp_path)
    totals = check_json(one)["totals"]
    assert totals["shots"] == 21 + 14 + 21 + 14
    assert totals["energy_load_j"] == pytest.approx(sum(c.energy_load_j for c in one.estimates))
    text = "\n".join(check_table(one))
    assert "at most 70 shots" in text


def test_what_holds_by_default_is_printed(tmp_path: Path) -> None:
    text = "\n".join(check_table(checked(tmp_path)))
    for words in (
        "3 confirms",
        "0.05 dB",
        "to 20 within 20 to 20000 Hz",
        "3 x the limit",
        "10 %",
        "75 degC",
        "85 degC",
        "0.02 V",
        "60 search shots",
        "49 bursts",
    ):
        assert words in text, words


def test_refused_ones_are_listed(tmp_path: Path) -> None:
    one = checked(tmp_path, unit=changed("unit", "supply_a_max = 30.0", "supply_a_max = 10.0"))
    lines = check_table(one)
    assert any(line.startswith("refused, 1 reason") for line in lines)
    assert "supply_a_max" in lines[-1]
    assert [p["key"] for p in check_json(one)["refused"]] == ["supply_a_max"]


def test_check_for_programs_is_json(tmp_path: Path) -> None:
    import json

    whole: dict[str, Any] = json.loads(json.dumps(check_json(checked(tmp_path)), allow_nan=False))
    assert [p["id"] for p in whole["points"]] == ["p001", "p002", "p003", "p004"]
    assert whole["points"][0]["estimate"]["window"]["samples"] == 2000


def test_the_worst_point_is_told_with_the_number_of_others(tmp_path: Path) -> None:
    _, _, plan, unit, bench = made(tmp_path, bench=changed("bench", "ohm = 0.01\n", "ohm = 0.2\n"))
    found: list[Problem] = refusals(plan, unit, bench)
    assert len(found) == 1
    assert "into 4R" in found[0].remedy
    assert "(and 3 more)" in found[0].remedy
