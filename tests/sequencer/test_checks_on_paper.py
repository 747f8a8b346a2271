"""What a plan may not ask of the checks, and that their cost on paper is never below what they take."""

from __future__ import annotations

from typing import Any

import pytest

from sequencer.measurements.bench_check import bench_check
from sequencer.measurements.first_power import first_power
from sequencer.plan.estimate_values import value_estimate, value_rest_s
from sequencer.plan.inputs import Files
from sequencer.plan.models import Plan
from sequencer.plan.points import ValuePoint
from sequencer.plan.refuse_checks import check_refusals
from sequencer.plan.within import plan_problems
from tests.sequencer.paper_checks import (
    PaperBenchOfChecks,
    PaperUnit,
    bench_model,
    drive,
    job_of,
    unit_model,
)


def plan_of(*stages: dict[str, Any]) -> Plan:
    named = tuple({"name": f"s{n}"} | stage for n, stage in enumerate(stages))
    return Plan.model_validate({"format": 1, "name": "p", "stage": named})


def refused(*stages: dict[str, Any]) -> list[str]:
    found = check_refusals(plan_of(*stages), unit_model(), bench_model(), Files("plan", "unit", "bench"))
    return [problem.key for problem in found]


def test_first_power_comes_first_and_once() -> None:
    """A unit is powered for the first time once: plain sense."""
    assert refused({"measurement": "first_power"}, {"measurement": "bench_check"}) == []
    assert refused({"measurement": "bench_check"}, {"measurement": "first_power"}) == ["stage[1].measurement"]
    assert refused({"measurement": "first_power", "supply_v": (21.6, 24.0)}) == ["stage[0].measurement"]


def test_a_digitiser_too_small_for_the_silence_is_told() -> None:
    """0.2065 s at the lowest rate of 100 kHz are 20,650 samples: arithmetic."""
    bench = bench_model()
    small = bench.model_copy(update={"digitiser": bench.digitiser.model_copy(update={"samples_max": 20_000})})
    found = list(check_refusals(plan_of({"measurement": "bench_check"}), unit_model(), small, Files("p", "u", "b")))
    assert [(p.file, p.key) for p in found] == [("b", "digitiser.samples_max")]


def test_bursts_longer_than_the_bench_allows_are_told() -> None:
    """0.4 s, which the supply's meter needs, where 0.3 s are allowed."""
    bench = bench_model()
    short = bench.model_copy(update={"ceiling": bench.ceiling.model_copy(update={"burst_s": 0.3})})
    found = list(check_refusals(plan_of({"measurement": "bench_check"}), unit_model(), short, Files("p", "u", "b")))
    assert [(p.file, p.key) for p in found] == [("b", "ceiling.burst_s")]


@pytest.mark.parametrize("measurement", ["first_power", "bench_check"])
def test_keys_that_say_nothing_are_refused(measurement: str) -> None:
    stage = {"measurement": measurement, "frequencies_hz": (50.0,), "wait": "warm", "drives": ("8 cycles",)}
    found = plan_problems(plan_of(stage), "plan")
    assert {p.key for p in found} == {"stage[0].frequencies_hz", "stage[0].wait", "stage[0].drives"}


@pytest.mark.parametrize("front_end", ["converter", "linear"])
def test_first_power_costs_no_more_than_on_paper(front_end: str) -> None:
    """Worst case: an output that never comes. Shots and seconds of the bench on paper, whose links cost nothing."""
    paper = PaperBenchOfChecks(PaperUnit(gain={"A": 20.0, "B": 0.0}), on=False, remote_s=None)
    unit = unit_model(front_end=front_end)
    job = job_of("first_power", unit, paper.bench)
    found = drive(first_power(job), paper.answer)
    assert isinstance(job.point, ValuePoint)
    cost = value_estimate(job.point, unit, paper.bench)
    assert 0 < found.shots <= cost.shots
    assert paper.now_s <= cost.time_s


@pytest.mark.parametrize("gain", [{"A": 20.0, "B": 19.0}, {"A": 200.0, "B": 19.0}, {"A": 20.0, "B": 0.0}])
def test_bench_check_costs_no_more_than_on_paper(gain: dict[str, float]) -> None:
    """Sound; overloaded at first; with a silent channel: the bound holds, and is at most 2.5 times what a sound one
    takes (our own requirement of an estimate)."""
    paper = PaperBenchOfChecks(PaperUnit(gain=gain))
    unit = unit_model()
    job = job_of("bench_check", unit, paper.bench)
    found = drive(bench_check(job), paper.answer)
    cost = value_estimate(job.point, unit, paper.bench)
    assert 0 < found.shots <= cost.shots
    assert paper.now_s <= cost.time_s
    assert value_rest_s(unit) == job.rest_s
    if gain["B"] == 19.0 and gain["A"] == 20.0:
        assert cost.shots <= 2.5 * found.shots
    assert cost.level_vrms == pytest.approx(0.4 / 10 ** (26.0 / 20.0))
