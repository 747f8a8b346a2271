"""The rules of safety on paper: each trips beyond its limit and not below it. The sources of all figures stand in the
table of rules and beside the cases."""

from __future__ import annotations

import pytest

from sequencer.safety import rules
from tests.sequencer import rule_cases_bench, rule_cases_heat, rule_cases_output, rule_cases_supply
from tests.sequencer.rule_paper import Case, Check, check

CASES = (*rule_cases_heat.CASES, *rule_cases_supply.CASES, *rule_cases_output.CASES, *rule_cases_bench.CASES)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_rule_trips_beyond_its_limit_and_not_below(case: Case) -> None:
    check(case, rules)


@pytest.mark.parametrize("one", rule_cases_bench.CHECKS, ids=lambda one: one.__name__)
def test_the_rules_themselves(one: Check) -> None:
    one(rules)


def test_no_two_cases_have_one_name() -> None:
    assert len({case.name for case in CASES}) == len(CASES)
