"""Stages that search no level, on paper: points, costs, refusals. Bounds are the method's own, stated beside them."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.on_paper import check
from sequencer.plan.estimate import estimates
from sequencer.plan.expand import expand
from sequencer.plan.load import load_inputs
from sequencer.plan.points import ValuePoint
from tests.sequencer.sound_inputs import BENCH, PLAN, UNIT, Kind, problems, write

HEAD = PLAN[: PLAN.index("[[stage]]")]
POWER = PLAN[PLAN.index("[[stage]]") :]


def stage(measurement: str, **lines: str) -> str:
    given = {"name": f'"{measurement}"', "measurement": f'"{measurement}"'} | lines
    return "[[stage]]\n" + "".join(f"{key} = {value}\n" for key, value in given.items())


def texts(*stages: str, unit: str = UNIT, bench: str = BENCH) -> dict[Kind, str]:
    return {"plan": HEAD + "".join(stages), "unit": unit, "bench": bench}


def points(tmp_path: Path, *stages: str, unit: str = UNIT) -> list[ValuePoint]:
    paths = write(tmp_path, texts(*stages, unit=unit))
    inputs = load_inputs(paths["plan"], [paths["unit"]], paths["bench"])
    found = expand(inputs.plan.model, inputs.units[0].loaded.model, inputs.bench.model)
    return [p for p in found if isinstance(p, ValuePoint)]


def told(tmp_path: Path, *stages: str, **files: str) -> list[tuple[str, str]]:
    return [(p.key, p.remedy) for p in problems(write(tmp_path, texts(*stages, **files)))]


@pytest.mark.parametrize("measurement", ["output_offset", "idle_current", "gain"])
def test_one_point_with_the_load_of_highest_ohms_unless_loads_are_given(tmp_path: Path, measurement: str) -> None:
    assert [p.load for p in points(tmp_path, stage(measurement))] == ["8R"]
    assert [p.load for p in points(tmp_path, stage(measurement, loads='["4R"]'))] == ["4R"]
    assert [p.load for p in points(tmp_path, stage(measurement, loads='["4R", "8R"]'))] == ["8R", "4R"]


def test_stages_keep_their_order_and_points_their_numbers(tmp_path: Path) -> None:
    paths = write(tmp_path, texts(stage("gain"), POWER, stage("idle_current")))
    inputs = load_inputs(paths["plan"], [paths["unit"]], paths["bench"])
    found = expand(inputs.plan.model, inputs.units[0].loaded.model, inputs.bench.model)
    assert [p.measurement for p in found] == ["gain", *["output_power"] * 4, "idle_current"]
    assert [p.id for p in found] == [f"p{n:03d}" for n in range(1, 7)]
    assert [p.group for p in found] == list(range(1, 7))


def test_tones_lie_within_the_passband(tmp_path: Path) -> None:
    """The seven of a fingerprint; a unit that passes 30 to 150 Hz has three of them."""
    assert points(tmp_path, stage("gain"))[0].frequencies_hz == (20, 40, 63, 100, 1000, 10000, 20000)
    bass = UNIT.replace("passband_hz = [20.0, 20000.0]", "passband_hz = [30.0, 150.0]")
    assert points(tmp_path, stage("gain"), unit=bass)[0].frequencies_hz == (40, 63, 100)
    own = stage("gain", frequencies_hz="[1000.0, 50.0]")
    assert points(tmp_path, own)[0].frequencies_hz == (50, 1000)


@pytest.mark.parametrize(
    ("measurement", "key", "value"),
    [
        ("output_offset", "drives", '["20 cycles"]'),
        ("output_offset", "frequencies_hz", "[1000.0]"),
        ("output_offset", "thermal", '["hot"]'),
        ("idle_current", "channels", '"each"'),
        ("idle_current", "confirm", "3"),
        ("gain", "resolution_db", "0.1"),
        ("gain", "stop_limit", "{ thd_pct = 1.0 }"),
    ],
)
def test_keys_that_would_say_nothing_are_refused(tmp_path: Path, measurement: str, key: str, value: str) -> None:
    ((place, remedy),) = told(tmp_path, stage(measurement, **{key: value}))
    assert place == f"stage[0].{key}"
    assert measurement in remedy


def test_a_power_needs_loads_and_does_not_wait(tmp_path: Path) -> None:
    assert [key for key, _ in told(tmp_path, stage("output_power"))] == ["stage[0].loads"]
    assert [key for key, _ in told(tmp_path, stage("output_power", loads='["8R"]', wait='"cold"'))] == ["stage[0].wait"]


def test_what_unit_and_bench_cannot_give_is_refused(tmp_path: Path) -> None:
    """A tone outside the passband, a load that is not there or below the unit's minimum, 20 Hz longer than the ceiling
    (10 cycles are 0.5 s), a record of 0.2 s beyond the digitiser's depth (1e5 samples/s: 20,700)."""
    assert [k for k, _ in told(tmp_path, stage("gain", frequencies_hz="[25000.0]"))] == ["stage[0].frequencies_hz"]
    assert [k for k, _ in told(tmp_path, stage("output_offset", loads='["2R"]'))] == ["stage[0].loads[0]"]
    short = BENCH.replace("burst_s = 2.0", "burst_s = 0.4")
    assert [k for k, _ in told(tmp_path, stage("gain"), bench=short)] == ["stage[0].frequencies_hz"]
    shallow = BENCH.replace("samples_max = 100000", "samples_max = 20000")
    assert [k for k, _ in told(tmp_path, stage("output_offset"), bench=shallow)] == ["digitiser.samples_max"]
    assert told(tmp_path, stage("idle_current"), bench=shallow) == []


def test_a_wait_longer_than_the_budget_is_refused(tmp_path: Path) -> None:
    """45 minutes are 2700 s."""
    files = texts(stage("idle_current", wait='"warm"'))
    files["plan"] = files["plan"].replace("[budget]", "[budget]\ntime_s = 2000.0")
    ((key, remedy),) = [(p.key, p.remedy) for p in problems(write(tmp_path, files))]
    assert key == "budget.time_s"
    assert "raise the budget" in remedy


def test_costs_are_upper_bounds_of_what_the_method_does(tmp_path: Path) -> None:
    """Gain: 0.1 V into 8 ohm (7.98) is 1.25 mW; 0.1 V / 20 (26.02 dB; here 26.0) at the generator; idle heat: 1.2 A
    at 24 V for the time."""
    paths = write(tmp_path, texts(stage("output_offset"), stage("idle_current", wait='"warm"'), stage("gain")))
    inputs = load_inputs(paths["plan"], [paths["unit"]], paths["bench"])
    unit, bench = inputs.units[0].loaded.model, inputs.bench.model
    offset, idle, gain = estimates(expand(inputs.plan.model, unit, bench), unit, bench)
    assert (offset.level_vrms, offset.energy_load_j, idle.shots) == (0.0, 0.0, 0)
    assert 2700.0 <= idle.time_s <= 2760.0
    assert idle.idle_j == pytest.approx(1.2 * 24.0 * idle.time_s)
    assert gain.power_w == pytest.approx(0.01 / 7.98)
    assert gain.level_vrms == pytest.approx(0.1 / 10 ** (26.0 / 20))
    assert gain.energy_load_j < 0.01


def test_the_shipped_first_look_is_worked_through_on_paper() -> None:
    checked = check("first_look_bench", ("ferry_pa_60",), None)
    assert checked.refused == []
    lines = checked.text().splitlines()
    assert max(map(len, lines)) <= 110
    assert [line.split()[0] for line in lines if line.startswith("p0")] == ["p001", "p002", "p003", "p004"]
