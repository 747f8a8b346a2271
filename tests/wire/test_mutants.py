"""The adversarial script catches virtual time with one rule broken: two different results, an error, or a hang."""

from __future__ import annotations

import pytest

from tests.wire.fresh_processes import outcomes
from tests.wire.mutants import MUTANTS

MOST_RUNS = 9


@pytest.mark.process
@pytest.mark.parametrize("rule", MUTANTS)
def test_a_broken_rule_is_caught(rule: str) -> None:
    found: list[str] = []
    while len(found) < MOST_RUNS and not _caught(found):
        found += outcomes(3, rule)
    assert _caught(found), f"{len(found)} runs with {rule} broken all gave {found[0]}"


def _caught(found: list[str]) -> bool:
    return len(set(found)) > 1 or any(text == "hang" or text.startswith("error: ") for text in found)
