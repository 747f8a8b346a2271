"""What a stage of `protection` is refused for, and what it costs at most: arithmetic on the declared figures."""

from __future__ import annotations

from typing import Any

import pytest

from sequencer.plan.estimate_protection import protection_cost
from sequencer.plan.estimate_values import value_estimate
from sequencer.plan.expand import expand
from sequencer.plan.load import load_bench, load_unit
from sequencer.plan.models import Bench, Plan, Unit
from sequencer.plan.points import ValuePoint
from sequencer.plan.refuse import refusals


def bench() -> Bench:
    return load_bench("workshop").model


def unit(**changed: Any) -> Unit:
    return load_unit("ferry_pa_60").model.model_copy(update=changed)


def plan(**stage: Any) -> Plan:
    asked = {"name": "one", "measurement": "protection", "loads": ("4R",)} | stage
    return Plan.model_validate({"format": 1, "name": "protection", "stage": (asked,)})


def test_the_shipped_unit_may_have_it() -> None:
    assert refusals(plan(), unit(), bench()) == []


@pytest.mark.parametrize(
    ("frequency_hz", "key"),
    [(9.0, "stage[0].frequencies_hz[0]"), (30000.0, "stage[0].frequencies_hz[0]")],
)
def test_a_tone_that_does_not_fit(frequency_hz: float, key: str) -> None:
    """20 cycles of 9 Hz are 2.2 s, above the bench's 2 s; 9 Hz and 30 kHz lie outside 20 Hz to 20 kHz."""
    found = [problem.key for problem in refusals(plan(frequencies_hz=(frequency_hz,)), unit(), bench())]
    assert key in found


def test_more_current_than_the_unit_may_take() -> None:
    """Two channels of 100 W and 1 dB at 24 V and an efficiency of 0.6: 17.5 A."""
    found = refusals(plan(), unit(supply_a_max=17.0), bench())
    assert [problem.key for problem in found] == ["supply_a_max"]
    assert "17.6" in found[0].remedy or "17.5" in found[0].remedy
    assert refusals(plan(), unit(supply_a_max=18.0), bench()) == []


def test_cost_at_most() -> None:
    """The whole ramp (10 dB by 1 and 0.5 dB, 1 dB beyond: 16 levels) and a minute of looks each half second."""
    (point,) = expand(plan(), unit(), bench())
    assert isinstance(point, ValuePoint)
    cost = protection_cost(point, unit(), bench(), 1.0)
    assert cost.shots >= 16 + 120
    assert cost.time_s >= 16 * 1.0 + 60.0
    assert cost.power_w == pytest.approx(100.0 * 4.0 / 3.99 * 10**0.1, rel=0.01)
    told = value_estimate(point, unit(), bench())
    assert (told.shots, told.time_s) == (cost.shots, cost.time_s)
    assert told.supply_a == pytest.approx(cost.supply_a)
