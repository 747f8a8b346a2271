"""Soaks, thermal states and waits on paper: points, costs, refusals. Bounds are the method's own, stated beside."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from sequencer.plan.estimate import estimates
from sequencer.plan.estimate_heat import heating_window
from sequencer.plan.expand import expand
from sequencer.plan.load import load_inputs
from tests.sequencer.paper_oven import PaperOven, bench_of, heat_job, run, unit_of
from tests.sequencer.sound_inputs import BENCH, PLAN, UNIT, Kind, problems, write

HEAD = PLAN[: PLAN.index("[[stage]]")]
SEEN = BENCH.replace('supply_contact = "201"', 'supply_contact = "201"\nthermometer = { A = "301", B = "302" }')


def stage(measurement: str, **lines: str) -> str:
    given = {"name": f'"{measurement}"', "measurement": f'"{measurement}"'} | lines
    return "[[stage]]\n" + "".join(f"{key} = {value}\n" for key, value in given.items())


def texts(text: str, bench: str = SEEN, unit: str = UNIT) -> dict[Kind, str]:
    return {"plan": HEAD + text, "unit": unit, "bench": bench}


def keys(tmp_path: Path, text: str, bench: str = SEEN, unit: str = UNIT) -> list[str]:
    return [p.key for p in problems(write(tmp_path, texts(text, bench, unit)))]


def test_sound_stages_are_not_refused(tmp_path: Path) -> None:
    assert keys(tmp_path, stage("soak", options="{ minutes = 30.0 }")) == []
    assert keys(tmp_path, stage("output_power", loads='["8R"]', thermal='["cold", "hot"]')) == []
    for wait in ("cold", "warm", "after drive", "cooled"):
        assert keys(tmp_path, stage("idle_current", wait=f'"{wait}"')) == []
        assert keys(tmp_path, stage("output_offset", wait=f'"{wait}"')) == []


def test_what_says_nothing_to_a_soak_is_refused(tmp_path: Path) -> None:
    for key, value in (("drives", '["1 cycle"]'), ("frequencies_hz", "[1000.0]"), ("wait", '"warm"')):
        assert keys(tmp_path, stage("soak", **{key: value})) == [f"stage[0].{key}"]
    assert keys(tmp_path, stage("idle_current", thermal='["hot"]')) == ["stage[0].thermal"]


def test_where_nobody_sees_the_heat_sinks(tmp_path: Path) -> None:
    for text, key in (
        (stage("soak"), "measurement"),
        (stage("idle_current", wait='"cooled"'), "wait"),
        (stage("output_power", loads='["8R"]', thermal='["cold"]'), "thermal[0]"),
    ):
        assert keys(tmp_path, text, bench=BENCH) == [f"stage[0].{key}"]


def test_above_an_eighth_the_hardware_must_be_declared(tmp_path: Path) -> None:
    """Nobody there: 1/8 power, unless thermostat, fuse, fireproof base and cut-off are declared (common practice, no
    source)."""
    more = stage("soak", options="{ power_parts = [0.2] }")
    assert keys(tmp_path, more) == ["stage[0].options.power_parts[0]"]
    declared = "load_thermostat = true\nfuse_per_supply_lead = true\nfireproof_base = true\ncut_off = true\n"
    assert keys(tmp_path, more, bench=SEEN.replace("[hardware]\n", f"[hardware]\n{declared}")) == []
    assert keys(tmp_path, stage("soak", options="{ power_parts = [0.125] }")) == []


def test_loads_that_a_soak_may_not_have(tmp_path: Path) -> None:
    """30 V into 4 ohm are 112 W, an eighth 14 W: above half of 20 W. And what is allowed for bursts only."""
    weak = SEEN.replace(
        "continuous_w = 200.0\nburst_j = 150.0\n[[bay]]", "continuous_w = 20.0\nburst_j = 150.0\n[[bay]]"
    )
    assert keys(tmp_path, stage("soak", loads='["4R"]'), bench=weak) == ["load.4R.continuous_w"]
    eight_only = UNIT.replace("minimum_load_ohm = 4.0", "minimum_load_ohm = 8.0")
    bursts = eight_only.replace("lower_loads_ohm_for_bursts = []", "lower_loads_ohm_for_bursts = [4.0]")
    assert keys(tmp_path, stage("soak", loads='["4R"]'), unit=bursts) == ["minimum_load_ohm"]


def test_a_passband_without_1_khz(tmp_path: Path) -> None:
    bass = UNIT.replace("passband_hz = [20.0, 20000.0]", "passband_hz = [20.0, 150.0]")
    assert keys(tmp_path, stage("soak"), unit=bass) == ["passband_hz"]


@pytest.mark.parametrize(
    ("text", "least_s", "most_s"),
    [
        (stage("soak", options="{ minutes = 30.0 }"), 1800.0 + 300.0, 1.1 * 2100.0),
        (stage("output_offset", wait='"cooled"'), 2700.0, 2760.0),
        (stage("idle_current", wait='"after drive"'), 60.0, 120.0),
        (stage("output_power", loads='["8R"]', thermal='["hot"]', drives='["1 cycle"]'), 2700.0, 2900.0),
        (stage("output_power", loads='["8R"]', thermal='["cold"]', drives='["1 cycle"]'), 3600.0, 3800.0),
    ],
)
def test_time_is_an_upper_bound(tmp_path: Path, text: str, least_s: float, most_s: float) -> None:
    """What the method may take at most: 45 min for warm, hot and cooled, 60 for cold, 5 after a soak (common practice,
    no source)."""
    paths = write(tmp_path, texts(text))
    inputs = load_inputs(paths["plan"], [paths["unit"]], paths["bench"])
    unit, bench = inputs.units[0].loaded.model, inputs.bench.model
    (cost,) = estimates(expand(inputs.plan.model, unit, bench), unit, bench)
    assert least_s <= cost.time_s <= most_s


def test_a_soak_costs_what_class_b_says(tmp_path: Path) -> None:
    """30 V into 7.98 ohm are 56.4 W, an eighth 7.05 W. Drawn 0.450158 of full at 1/8 (textbook), two channels, 85 %,
    and 1.2 A of idle. 2 s is the ceiling of a burst: 900 of them in 30 min."""
    paths = write(tmp_path, texts(stage("soak", options="{ minutes = 30.0 }")))
    inputs = load_inputs(paths["plan"], [paths["unit"]], paths["bench"])
    unit, bench = inputs.units[0].loaded.model, inputs.bench.model
    (cost,) = estimates(expand(inputs.plan.model, unit, bench), unit, bench)
    full_w = 900.0 / 2.0 / 7.98
    assert cost.power_w == pytest.approx(full_w / 8.0)
    assert cost.supply_a == pytest.approx(2.0 * 0.450158 * full_w / 0.85 / 24.0 + 1.2, rel=1e-4)
    assert 900 <= cost.shots <= 910
    assert cost.level_vrms == pytest.approx(math.sqrt(full_w / 8.0 * 8.02) / 10 ** (26.0 / 20), rel=1e-6)


def test_joules_of_a_soak_by_hand(tmp_path: Path) -> None:
    """A fifth more than an eighth of 56.4 W into 7.98 ohm, both channels, 902 bursts of 2 s. Class B (textbook) from
    1.1 x 30 V through 85 %: 33 / 0.85 x 2 crest / (pi R) drawn, less what is delivered; 1.2 A x 24 V of idle."""
    paths = write(tmp_path, texts(stage("soak", options="{ minutes = 30.0 }")))
    inputs = load_inputs(paths["plan"], [paths["unit"]], paths["bench"])
    unit, bench = inputs.units[0].loaded.model, inputs.bench.model
    (cost,) = estimates(expand(inputs.plan.model, unit, bench), unit, bench)
    watts, seconds = 1.2 * 450.0 / 7.98 / 8.0, 902 * 2.0
    assert cost.energy_load_j == pytest.approx(2.0 * watts * seconds, rel=1e-6)
    heat_w = sum(33.0 / 0.85 * 2.0 * math.sqrt(2.0 * watts / r) / math.pi - watts for r in (7.98, 8.02))
    assert cost.energy_unit_j == pytest.approx((heat_w + 28.8) * seconds, rel=1e-6)
    assert cost.idle_j == pytest.approx(28.8 * (cost.time_s - seconds), rel=1e-9)


def test_warming_to_hot_costs_what_the_heat_sinks_take(tmp_path: Path) -> None:
    """The same search cold and hot: hot costs the joules of bursts at 1/8 power until 35 K are reached, by
    T = P R (1 - exp(-t / RC)) (textbook); less would not warm it, and 45 min are the most."""
    text = stage("output_power", loads='["8R"]', thermal='["cold", "hot"]', drives='["1 cycle"]')
    extra: list[float] = []  # the search itself, 1 ms a shot, is below 1 % of it
    for k_per_w in (2.0, 0.05):
        unit_text = UNIT.replace("output_rail_v", f"heatsink_k_per_w = {k_per_w}\noutput_rail_v", 1)
        paths = write(tmp_path, texts(text, unit=unit_text))
        inputs = load_inputs(paths["plan"], [paths["unit"]], paths["bench"])
        unit, bench = inputs.units[0].loaded.model, inputs.bench.model
        points = expand(inputs.plan.model, unit, bench)
        cost = dict(zip((p.thermal for p in points), estimates(points, unit, bench), strict=True))
        extra.append(cost["hot"].energy_load_j)
    watts = 1.2 * 450.0 / 8.0 * (1 / 7.98 + 1 / 8.02)
    assert extra[1] == pytest.approx(watts * 2700.0, rel=0.01)
    heat_w = 33.0 / 0.85 * 2.0 * math.sqrt(2.0 * 1.2 * 450.0 / 8.02**2 / 8.0) / math.pi - 1.2 * 450.0 / 8.0 / 8.02
    heat_w += 28.8 / 2.0
    seconds = -2.0 * unit.heatsink_j_per_k * math.log(1.0 - 35.0 / (2.0 * heat_w))
    assert extra[0] == pytest.approx(watts * seconds, rel=0.01)


def test_a_soak_on_paper_takes_no_longer_than_said() -> None:
    """The measurement itself against its own bound, on a bench without overheads."""
    from sequencer.measurements.soak import soak
    from sequencer.plan.estimate_heat import soak_time_s

    job = heat_job(minutes=10.0)
    oven = PaperOven({"A": 1.2, "B": 1.2})
    run(soak(job), oven)
    assert oven.now_s <= soak_time_s(job.point, unit_of(), bench_of()) + 5.0


def test_the_record_of_a_heating_burst() -> None:
    """A tenth of a second at its end, over before the tone is by two clocks 100 ppm apart each; few samples."""
    window = heating_window(bench_of(), 10.0)
    length_s = window.samples / window.sample_rate_hz
    assert length_s == pytest.approx(0.1, rel=0.01)
    assert window.delay_s + length_s <= 10.0 * (1.0 - 1e-4)
    assert window.samples <= 10_000
    assert (window.before_s, window.after_s) == (0.0, 0.0)
