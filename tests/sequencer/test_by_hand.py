"""What a person does at a modest bench, on paper: the order of the points, the files, the promises, the questions.

The truth: counting (as many loads, so many connections at least), the table of rules, and what each test plants.
"""

from __future__ import annotations

import math
from itertools import pairwise, permutations
from pathlib import Path
from typing import Any

import pytest

from sequencer.errors import InputRefused
from sequencer.measurements.by_hand import HandsDone, wanted
from sequencer.measurements.requests import Ask, BenchReading, Rest, SetSupply
from sequencer.measurements.unseen import without_nan
from sequencer.plan.expand import expand
from sequencer.plan.hand_order import changes
from sequencer.plan.load import load_bench, load_inputs
from sequencer.plan.points import Point
from sequencer.plan.promises import SUPPLY_RULES, lacking, not_promised
from sequencer.real_run import refuse_nobody_there
from sequencer.roles import load_dialects
from sequencer.safety.freeze import FrozenProblem, from_text, to_text
from sequencer.safety.frozen_bench import Held, freeze
from sequencer.safety.rules import TABLE, Rules

BENCH = Path(__file__).resolve().parents[2] / "sequences" / "benches" / "by_hand.toml"


def changed(folder: Path, *pairs: tuple[str, str]) -> str:
    text = BENCH.read_text()
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    (folder / "bench.toml").write_text(text)
    return str(folder / "bench.toml")


# --- the order of the points


def test_loads_change_least_and_no_point_is_lost() -> None:
    """Of all orders of the power points' loads none has fewer connections (tried out); what is left are the soak, which
    wants 8 ohm again, and the protection, which comes last."""
    by_hand, switched = (load_inputs("rate_after_repair", ["mv_0131"], name) for name in ("by_hand", "ferry_workshop"))
    hands, relays = (expand(one.plan.model, one.units[0].loaded.model, one.bench.model) for one in (by_hand, switched))
    power = [(p.load, p.channels) for p in hands if isinstance(p, Point)]
    least = min(sum(a != b for a, b in pairwise(order)) for order in permutations(dict.fromkeys(power)))
    assert sum(a != b for a, b in pairwise(power)) == least
    assert changes(hands) == least + 2
    assert changes(hands) < changes(relays)
    assert [p.id for p in hands] == [f"p{n:03d}" for n in range(1, len(hands) + 1)]
    whole = [sorted(_what(p) for p in points if isinstance(p, Point)) for points in (hands, relays)]
    assert whole[0] == whole[1], "the same searches, in another order"
    assert [p.measurement for p in hands if not isinstance(p, Point)] == [
        p.measurement for p in relays if not isinstance(p, Point)
    ]


def _what(point: Point) -> tuple[Any, ...]:
    return (point.stage, point.load, point.channels, point.frequency_hz, point.cycles, point.limit_pct)


def test_of_both_loads_only_what_changes_is_asked_for() -> None:
    inputs = load_inputs("rate_after_repair", ["mv_0131"], "by_hand")
    bench, unit = inputs.bench.model, inputs.units[0].loaded.model
    four = [p for p in expand(inputs.plan.model, unit, bench) if isinstance(p, Point) and p.load == "4R"]
    alone, both = (next(p for p in four if p.channels == names) for names in (("A",), ("A", "B")))
    done = HandsDone(load="4R", channels=both.channels)
    (only,) = wanted(alone, bench, unit.serial, done)
    assert (only.words, only.moved, only.channels) == ("take the load 4R off output B", ("B",), ("A",))
    assert list(wanted(both, bench, unit.serial, done)) == []


# --- files and promises


@pytest.mark.parametrize(
    ("pair", "key", "remedy"),
    [
        (('name = "quay"', 'name = "quay"\nsupply_contact = "201"'), "bay[0].supply_contact", "load_switch"),
        (('name = "quay"', 'name = "quay"\n[[bay]]\nname = "two"'), "bay[1].name", "parts two bays"),
        (("by_hand = true    ", 'close = ["101"] #'), 'load."8R".close', "add that role"),
        (("shunt in the load return", "clamp on the supply lead"), "input.ch4.v_per_a", "volts an ampere"),
        (("[input.ch3]", "[input.ch3]\nv_per_a = 0.1"), "input.ch3.v_per_a", "only an input wired"),
    ],
)
def test_what_cannot_be_meant_is_refused(pair: tuple[str, str], key: str, remedy: str, tmp_path: Path) -> None:
    with pytest.raises(InputRefused) as refused:
        load_bench(changed(tmp_path, pair))
    assert any(key.replace('"', "") in p.key.replace('"', "") and remedy in p.remedy for p in refused.value.problems)


def test_a_whole_bench_promises_all_and_a_modest_one_names_rules_that_exist(tmp_path: Path) -> None:
    unit = load_inputs("first", ["mv_0131"], "ferry_workshop").units[0].loaded.model
    assert not_promised(load_bench("ferry_workshop").model, unit) == ()
    assert set(SUPPLY_RULES) <= {rule.name for rule in TABLE}
    bench = load_bench("by_hand").model
    said = " ".join(not_promised(bench, unit))
    assert all(name in said for name in SUPPLY_RULES)
    assert lacking(bench, "steady_efficiency") is not None
    assert lacking(bench, "output_power") is None
    assert lacking(load_bench("ferry_workshop").model, "steady_efficiency") is None


def test_nobody_arms_it_from_afar() -> None:
    """Only who is there can switch the supply off."""
    with pytest.raises(InputRefused):
        refuse_nobody_there(load_bench("by_hand").model, "by_hand")
    refuse_nobody_there(load_bench("ferry_workshop").model, "ferry_workshop")


# --- the rules, the frozen file


@pytest.mark.parametrize("name", ["by_hand", "ferry_workshop"])
def test_an_unread_supply_trips_nothing_where_a_person_works_it_only(name: str) -> None:
    """For two seconds without signal: the rule "supply volts" wants half of one."""
    inputs = load_inputs("first", ["mv_0131"], name)
    rules = Rules(inputs.units[0].loaded.model, inputs.bench.model, inputs.bench.model.bay[0], "gain")
    rules.hear(SetSupply(24.0, 25.0), None)
    breaches = []
    for second in (1.0, 1.5, 2.0, 2.5, 3.0):
        reading = BenchReading(math.nan, math.nan, False, None, {"A": 25.0, "B": 25.0}, round(second * 1e9))
        breaches.append(rules.hear(Rest(1.0), reading))
    assert any(breaches) == (name == "ferry_workshop")


def test_the_frozen_file_of_a_bench_without_a_supply_ends_the_signal_only() -> None:
    bench = load_bench("by_hand")
    addresses = {name: bench.model.role[name].address for name in bench.model.roles()}
    frozen = freeze(Held("r", "by_hand", 1, 1, "/dev/null", 10.0), load_dialects(bench), addresses)
    assert from_text(to_text(frozen)) == frozen
    assert ([one.role for one in frozen.instruments], frozen.rail) == (["generator"], None)
    whole = to_text(frozen).replace('"rail": null', '"rail": {"readings": []}')
    with pytest.raises(FrozenProblem):
        from_text(whole)


def test_what_nothing_reads_is_null_wherever_it_lies() -> None:
    assert without_nan({"a": math.nan, "b": [1.0, {"c": math.nan}], "d": "nan"}) == {
        "a": None,
        "b": [1.0, {"c": None}],
        "d": "nan",
    }
    assert Ask("?", ("no",), "no", number="A").accepts("1.5")
    assert not any(Ask("?", ("no",), "no", number="A").accepts(word) for word in ("nan", "-1", "inf", "yes", ""))
    assert not Ask("?", ("no",), "no").accepts("1.5")
