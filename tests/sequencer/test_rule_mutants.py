"""Every comparison, every figure, every `and` and `or` of the rules of safety, broken in turn, is caught on paper."""

from __future__ import annotations

import pytest

from tests.sequencer.rule_mutants import caught_by, modules, mutants, unbroken


@pytest.mark.parametrize("module", modules())
def test_every_broken_rule_is_caught(module: str) -> None:
    escaped = [one.what for one in mutants(module) if caught_by(one) is None]
    assert escaped == []


@pytest.mark.parametrize("module", ["rules", "rules_supply"])
def test_a_copy_that_is_not_broken_is_not_caught(module: str) -> None:
    """Else everything would be caught by whatever ails the copies."""
    assert caught_by(unbroken(module)) is None


def test_there_is_something_to_break() -> None:
    """A runner that changes nothing would find nothing."""
    assert sum(1 for module in modules() for _ in mutants(module)) > 150
