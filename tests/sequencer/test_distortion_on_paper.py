"""Stages of distortion on paper: points, costs, refusals. Bounds are the method's own, stated beside them."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.plan.estimate import estimates
from sequencer.plan.expand import expand
from sequencer.plan.load import load_inputs
from sequencer.plan.points import ValuePoint
from tests.sequencer.sound_inputs import BENCH, PLAN, UNIT, problems, write
from tests.sequencer.test_value_points import points, stage, told

HEAD = PLAN[: PLAN.index("[[stage]]")]
LOW_CEILING = BENCH.replace("generator_vrms = 4.0", "generator_vrms = 1.0")
WEAK_LOAD = BENCH.replace("burst_j = 150.0", "burst_j = 1.0", 1)
SHALLOW = BENCH.replace("samples_max = 100000", "samples_max = 40000")


def test_points_of_each_measurement(tmp_path: Path) -> None:
    """By level: one for each frequency; by frequency: all tones in one; the others: one for each load."""
    loads = '["8R", "4R"]'
    by_level = points(tmp_path, stage("thd_by_level", frequencies_hz="[50.0, 1000.0]"))
    assert [p.frequencies_hz for p in by_level] == [(1000.0,), (50.0,)]
    assert (by_level[0].levels_db[0], by_level[0].levels_db[-1], len(by_level[0].levels_db)) == (-30.0, -0.1, 14)
    (by_frequency,) = points(tmp_path, stage("thd_by_frequency"))
    assert by_frequency.frequencies_hz == (20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000)
    assert (by_frequency.powers_w, by_frequency.power_parts) == ((1.0,), (0.5,))
    assert [p.load for p in points(tmp_path, stage("dynamic_headroom", loads=loads))] == ["8R", "4R"]
    (pairs,) = points(tmp_path, stage("intermodulation"))
    assert (pairs.tone_pairs, pairs.power_parts) == (("modulation", "difference"), (0.5,))


@pytest.mark.parametrize(
    ("measurement", "options", "key"),
    [
        ("thd_by_level", "levels_db = [-10.0, 0.5]", "stage[0].options.levels_db[1]"),
        ("thd_by_level", "levels_db = [-10.0]", "stage[0].options.levels_db"),
        ("thd_by_level", "levels_db = [-90.0, -1.0]", "stage[0].options.levels_db[0]"),
        ("thd_by_frequency", "powers_w = [0.0]", "stage[0].options.powers_w[0]"),
        ("thd_by_frequency", "powers_w = [100.0]", "stage[0].options.powers_w[0]"),  # 30 V into 8 ohm: 56 W
        ("thd_by_frequency", "power_parts = [1.5]", "stage[0].options.power_parts[0]"),
        ("intermodulation", 'tone_pairs = ["triple"]', "stage[0].options.tone_pairs[0]"),
        ("intermodulation", "tone_pairs = []", "stage[0].options.tone_pairs"),
        ("intermodulation", "tone_pair = 1", "stage[0].options.tone_pair"),
    ],
)
def test_options_that_cannot_be(tmp_path: Path, measurement: str, options: str, key: str) -> None:
    """File, key, value and remedy are named; 30 V peak into 8 ohm give 56 W."""
    found = problems(
        write(tmp_path, {"plan": HEAD + stage(measurement, options=f"{{ {options} }}"), "unit": UNIT, "bench": BENCH})
    )
    assert [p.key for p in found] == [key]
    assert all(p.remedy and p.file for p in found)


@pytest.mark.parametrize(
    ("given", "unit", "bench", "key"),
    [
        (stage("thd_by_level", frequencies_hz="[25000.0]"), UNIT, BENCH, "stage[0].frequencies_hz"),
        (stage("dynamic_headroom", frequencies_hz="[1000.0]"), UNIT, BENCH, "stage[0].frequencies_hz"),
        (stage("intermodulation", drives='["20 cycles"]'), UNIT, BENCH, "stage[0].drives"),
        (stage("thd_by_frequency", wait='"cold"'), UNIT, BENCH, "stage[0].wait"),
        # 19 and 20 kHz outside a passband that ends at 15 kHz
        (stage("intermodulation"), UNIT.replace("20000.0]", "15000.0]"), BENCH, "stage[0].options.tone_pairs"),
        # 10 cycles of 20 Hz are 0.5 s
        (stage("thd_by_frequency"), UNIT, BENCH.replace("burst_s = 2.0", "burst_s = 0.45"), "stage[0].frequencies_hz"),
        # 30 V / sqrt 2 / 20 = 1.06 Vrms
        (stage("thd_by_level"), UNIT, LOW_CEILING, "ceiling.generator_vrms"),
        # 67 W (a fifth more than declared) for 20 ms: 1.4 J
        (stage("thd_by_level", loads='["8R"]'), UNIT, WEAK_LOAD, "load.8R.burst_j"),
        # 480 cycles are 48,000 samples at 1e5
        (stage("dynamic_headroom"), UNIT, SHALLOW, "digitiser.samples_max"),
    ],
)  # fmt: skip
def test_what_unit_and_bench_cannot_give_is_refused(
    tmp_path: Path, given: str, unit: str, bench: str, key: str
) -> None:
    assert key in [k for k, _ in told(tmp_path, given, unit=unit, bench=bench)]


def test_costs_are_upper_bounds_of_what_the_method_does(tmp_path: Path) -> None:
    """By level: a proof, and 14 levels twice at most; joules of all together no less than 10^(dB/10) of 56.25 W (30 V
    into 8 ohm) for 20 ms. Headroom: between the bursts 480 ms at 1 % of the power."""
    plan = HEAD + stage("thd_by_level", loads='["8R"]') + stage("dynamic_headroom", loads='["8R"]')
    paths = write(tmp_path, {"plan": plan, "unit": UNIT, "bench": BENCH})
    inputs = load_inputs(paths["plan"], [paths["unit"]], paths["bench"])
    unit, bench = inputs.units[0].loaded.model, inputs.bench.model
    found = expand(inputs.plan.model, unit, bench)
    by_level, headroom = estimates(found, unit, bench)
    (point, _) = found
    assert isinstance(point, ValuePoint)
    assert by_level.shots == 1 + 2 * 14
    least_j = sum(10 ** (db / 10) for db in point.levels_db) * 900.0 / 2 / 7.98 * 0.02 * 2
    assert least_j <= by_level.energy_load_j <= 4.0 * least_j
    assert headroom.energy_load_j >= 3 * (0.02 + 0.48 * 0.01) * 900.0 / 2 / 7.98 * 2
    assert headroom.window is not None
