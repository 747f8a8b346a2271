"""`precondition` against a unit on paper that is warmed; and what the quiet measurements are refused for, and cost."""

from __future__ import annotations

import math
from typing import Any

import pytest

from sequencer.measurements.precondition import precondition
from sequencer.measurements.values import Values
from sequencer.plan.estimate_values import value_estimate
from sequencer.plan.expand import expand
from sequencer.plan.load import load_bench, load_unit
from sequencer.plan.models import Bench, Heat, Plan, Rating, Unit
from sequencer.plan.points import ValuePoint
from sequencer.plan.refuse import refusals
from sequencer.plan.within import plan_problems
from tests.sequencer.paper_checks import kinds, number, value
from tests.sequencer.paper_oven import PaperOven, heat_job, run, unit_of

RATED_W = 48.0
K_PER_W = {"A": 1.0, "B": 1.0}


def rated() -> Unit:
    rating = Rating(load_ohm=8.0, supply_v=24.0, power_w=RATED_W)
    return unit_of().model_copy(update={"rating": (rating,), "settings": "tone controls at their middle mark"})


def held(oven: PaperOven, unit: Unit | None = None, minutes: float = 60.0) -> Values:
    job = heat_job("precondition", unit or rated(), minutes=minutes, power_parts=(0.125,))
    return run(precondition(job), oven)


def met(found: Values) -> dict[str, str]:
    return {one["asks"]: one["met"] for one in found.extra["conditions"]}


def test_an_eighth_of_the_rated_power_for_an_hour() -> None:
    """48 W of rating: 6 W, whatever the unit can give (56 W); the gain by the file is the paper unit's own."""
    oven = PaperOven(dict(K_PER_W))
    found = held(oven)
    for channel in "AB":
        assert number(found, "power held", channel) == pytest.approx(RATED_W / 8.0, rel=0.01)
        assert number(found, "heat sink, start", channel) == pytest.approx(22.0, abs=0.5)
    assert 60.0 <= number(found, "duration") < 60.5
    assert max(fire.cycles / fire.frequency_hz for fire in oven.fired) <= 10.0
    assert {fire.frequency_hz for fire in oven.fired} == {1000.0}


def test_what_was_met_of_its_conditions() -> None:
    """16 CFR 432.3, from memory: an hour, 1 kHz, all channels, 1/8 of the rated power; without a pause it is not, and
    still air of 25 degC nobody saw. Said of each."""
    said = met(held(PaperOven(dict(K_PER_W))))
    assert [asks for asks, so in said.items() if so == "met"] == [
        "one hour", "a sine of 1 kHz", "all channels driven", "1/8 of the rated power",
    ]  # fmt: skip
    assert said["without a pause"] == "not met"
    assert said["still air of 25 degC or more"] == "not known"
    assert said["mains of 120 V, 60 Hz"] == "does not apply"


def test_ten_minutes_are_no_hour_and_no_rating_is_no_rated_power() -> None:
    found = held(PaperOven(dict(K_PER_W)), unit_of(), minutes=10.0)
    assert {asks for asks, so in met(found).items() if so == "not met"} >= {"one hour", "1/8 of the rated power"}
    assert "one hour" in (value(found, "duration").reason or "")
    assert number(found, "power held", "A") == pytest.approx(30.0**2 / 16.0 / 8.0, rel=0.01)


def test_it_ends_where_the_heat_sinks_are_hot() -> None:
    """3 K/W at some 20 W each come to 80 degC; 60 is the stop limit."""
    unit = rated().model_copy(update={"heat": Heat(stop_c=60.0, trip_c=90.0)})
    found = held(PaperOven({"A": 3.0, "B": 3.0}), unit)
    assert found.extra["stopped_by"] == "temperature"
    assert [kind for kind, _ in kinds(found)] == ["precondition ended early"]
    assert number(found, "duration") < 60.0
    assert number(found, "heat sink, end", "A") == pytest.approx(60.0, abs=2.0)


def test_an_output_that_goes_away_ends_it() -> None:
    found = held(PaperOven(dict(K_PER_W), gone_after_s=700.0))
    assert found.extra["stopped_by"] == "protection"
    assert met(found)["one hour"] == "not met"


# --- on paper


def bench(name: str = "ferry_workshop", **digitiser: Any) -> Bench:
    model = load_bench(name).model
    return model.model_copy(update={"digitiser": model.digitiser.model_copy(update=digitiser)})


def unit(**changed: Any) -> Unit:
    return load_unit("mv_0131").model.model_copy(update=changed)


def plan(measurement: str, **more: Any) -> Plan:
    stage = {"name": "one", "measurement": measurement, "loads": ("8R",)} | more
    return Plan.model_validate({"format": 1, "name": "quiet", "stage": (stage,)})


def refused(asked: Plan, of: Unit | None = None, on: Bench | None = None) -> list[str]:
    return [problem.key for problem in refusals(asked, of or unit(), on or bench())]


@pytest.mark.parametrize("measurement", ["noise", "turn_on", "load_check", "precondition"])
def test_the_shipped_units_may_have_it(measurement: str) -> None:
    assert refused(plan(measurement)) == []


@pytest.mark.parametrize("measurement", ["noise", "turn_on"])
def test_mains_fed_units_are_not_switched(measurement: str) -> None:
    assert refused(plan(measurement), unit(front_end="mains")) == ["front_end"]


def test_records_too_slow_for_the_band() -> None:
    """0.2 s and what goes before are 0.2065 s: 8,000 samples are 38.7 kS/s, and 40 are needed."""
    assert refused(plan("noise"), on=bench(samples_max=8000, rates_hz=(2e4, 3.5e4, 1e5))) == ["digitiser.samples_max"]
    assert refused(plan("noise"), on=bench(samples_max=11_000, rates_hz=(2e4, 3.5e4, 5e4))) == []


@pytest.mark.parametrize("measurement", ["load_check", "precondition"])
def test_more_than_an_eighth_with_nobody_there(measurement: str) -> None:
    """The workshop declares no cut-off; the ferry workshop all hardware."""
    much = plan(measurement, options={"power_parts": (0.3,)})
    assert refused(much) == []
    assert "stage[0].options.power_parts[0]" in refused(much, on=bench("workshop"))


def test_a_preconditioning_reads_the_heat_sinks_and_a_load_check_need_not() -> None:
    model = bench()
    blind = model.model_copy(update={"bay": tuple(b.model_copy(update={"thermometer": {}}) for b in model.bay)})
    assert refused(plan("precondition"), on=blind) == ["stage[0].measurement"]
    assert refused(plan("load_check"), on=blind) == []


@pytest.mark.parametrize(
    ("measurement", "key"),
    [("noise", "frequencies_hz"), ("turn_on", "frequencies_hz"), ("precondition", "thermal"), ("load_check", "wait")],
)
def test_keys_that_say_nothing_to_it(measurement: str, key: str) -> None:
    asked = {"frequencies_hz": (500.0,), "thermal": ("hot",), "wait": "warm"}[key]
    problems = plan_problems(plan(measurement, **{key: asked}), "plan.toml")
    told = (f"stage[0].{key}", f"says nothing to {measurement}: leave it out")
    assert [(p.key, p.remedy) for p in problems] == [told]


def cost_of(measurement: str, **options: Any) -> Any:
    (point,) = expand(plan(measurement, options=options), unit(), bench())
    assert isinstance(point, ValuePoint)
    return value_estimate(point, unit(), bench())


def test_joules_of_an_hour_by_hand() -> None:
    """60 W into 8 ohm are 30.98 V of crest; an eighth into 7.96 ohm, a fifth more for what a unit may give, both
    channels, in 361 bursts of 10 s and their proof: 3,620 s at most, 3,600 at least."""
    watts = 1.2 * 30.983**2 / 2.0 / 7.96 / 8.0
    cost = cost_of("precondition", minutes=60.0)
    assert 2.0 * watts * 3600.0 <= cost.energy_load_j <= 2.0 * watts * 3625.0
    assert 3600.0 <= cost.time_s <= 3700.0


def test_a_load_check_takes_each_channel_by_itself() -> None:
    """Twice the minutes, and in each of them one load alone."""
    one, other = cost_of("load_check", minutes=2.0), cost_of("precondition", minutes=2.0)
    assert one.time_s > 2.0 * 120.0
    assert one.energy_load_j == pytest.approx(other.energy_load_j, rel=0.05)
    assert math.isclose(one.power_w, other.power_w)
