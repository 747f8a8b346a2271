"""Paper cases of the watch's readings, and checks of the rules themselves: the trial of their limits, the names of what
fails. A check is handed the module of the rules."""

from __future__ import annotations

import inspect
from typing import Any

import drivers.errors
from sequencer.plan.watching import periods
from tests.sequencer.rule_paper import BAY, BENCH, UNIT, Begin, Case, Check, look, read, reading, temps

PERIODS = periods(UNIT, BENCH)
STALE = ("reading stale",)
DRIVEN_S, UNDRIVEN_S = 3.0 * PERIODS.driven_s, 3.0 * PERIODS.undriven_s

CASES: tuple[Case, ...] = (
    Case("driven, 2.95 periods old", (look(driven=True, fresh_s=0.983 * DRIVEN_S),)),
    Case(
        "driven, 3.05 periods old", (look(driven=True, fresh_s=1.017 * DRIVEN_S),), STALE, (1.017 * DRIVEN_S, DRIVEN_S)
    ),
    Case("undriven, 2.95 periods old", (look(driven=False, fresh_s=0.983 * UNDRIVEN_S),)),
    Case("undriven, 3.05 periods old", (look(driven=False, fresh_s=1.017 * UNDRIVEN_S),), STALE),
    Case("a hot heat sink under the watch", (look(driven=True, heat={"A": 85.0, "B": 85.0}),), ("heat sink",)),
    Case(
        "what was heard counts under the watch",
        (temps(0.0, 25.0), look(10.0, driven=True, heat={"A": 41.0, "B": 25.0})),
        ("heat sink rising",),
    ),
    Case("and in the next point", (temps(0.0, 25.0), Begin("gain"), temps(10.0, 41.0)), ("heat sink rising",)),
)


def rules_of(module: Any) -> Any:
    return module.Rules(UNIT, BENCH, BAY, "output_power")


def the_trial_of_sound_rules_finds_nothing(module: Any) -> None:
    of = rules_of(module)
    assert of.self_test(reading(1.0)) is None
    assert of.self_test(reading(1.0, 0.0, 0.0)) is None


def the_trial_changes_nothing_in_force(module: Any) -> None:
    of = rules_of(module)
    assert of.hear(*temps(0.0, 25.0)) is None
    assert of.self_test(reading(10.0, heat={"A": 39.0, "B": 25.0})) is None
    assert of.hear(*temps(20.0, 53.0)) is None  # 28 K in 20 s; against 39 degC it would be none either way
    assert of.hear(*temps(22.5, 57.0)).name == "heat sink rising"  # 4 K in 2.5 s
    assert of.hear(*read(30.0, amps=18.0)) is None


def the_trial_finds_a_dead_limit(module: Any) -> None:
    """A reading that hides what it is held against: nothing there, not a number, a rule before it."""
    of = rules_of(module)
    assert "heat sink" in of.self_test(reading(1.0, heat={}))
    assert "nothing" in of.self_test(reading(1.0, heat={"A": 25.0, "B": float("nan")}))
    assert "supply current" in of.self_test(reading(1.0, amps=float("nan")))
    assert "supply current" in of.self_test(reading(1.0, tripped="over_voltage"))


def the_trial_of_a_unit_without_thermometers(module: Any) -> None:
    bay = BAY.model_copy(update={"thermometer": {}})
    of = module.Rules(UNIT, BENCH, bay, "output_power")
    assert of.self_test(reading(1.0, heat={})) is None
    assert of.hear(*read(2.0, heat={})) is None


def an_event_has_a_name_of_the_table(module: Any) -> None:
    found = module.Rules.event("guardian gone", "guardian", "its process has ended")
    assert (found.name, found.value, found.limit) == ("guardian gone", None, None)
    assert found.sentence == "guardian: its process has ended"
    assert found.row()["rule"] == "guardian gone"
    try:
        module.Rules.event("something else", "supply", "it burns")
    except KeyError:
        return
    raise AssertionError("a name that nobody can look up was taken")


def every_error_of_an_instrument_has_a_rule(module: Any) -> None:
    """Against the drivers' own list: an error of theirs that ends a point must be told by a name of the table."""
    names = {rule.name for rule in module.TABLE}
    kinds = [
        kind
        for _, kind in inspect.getmembers(drivers.errors, inspect.isclass)
        if issubclass(kind, drivers.errors.InstrumentError)
    ]
    assert len(kinds) > 5
    assert {module.rule_of(kind("supply", "it failed")) for kind in kinds} <= names
    expected = {
        drivers.errors.WrongIdentity: "identity changed",
        drivers.errors.SettingRefused: "settings differ",
        drivers.errors.NotFinished: "instrument not done",
        drivers.errors.NotANumber: "no number",
        drivers.errors.CeilingPassed: "ceiling passed",
        drivers.errors.LinkTimeout: "instrument does not answer",
        drivers.errors.GarbledReply: "instrument does not answer",
    }
    for kind, name in expected.items():
        assert module.rule_of(kind("supply", "it failed")) == name
    assert module.rule_of(ValueError("a fault of ours")) is None


CHECKS: tuple[Check, ...] = (
    the_trial_of_sound_rules_finds_nothing,
    the_trial_changes_nothing_in_force,
    the_trial_finds_a_dead_limit,
    the_trial_of_a_unit_without_thermometers,
    an_event_has_a_name_of_the_table,
    every_error_of_an_instrument_has_a_rule,
)
