"""More than thirty kinds of planted fault, each found and named in five of five random instances of one to three times
the smallest size that matters; twenty sound units, none of which is told anything. Sizes and spread: faults_planted.py.
"""

from __future__ import annotations

import pytest

from tests.wire.faults_planted import KINDS, found, healthy, instance, is_named

pytestmark = pytest.mark.long

INSTANCES, SOUND = 5, 20


@pytest.mark.parametrize("name", KINDS)
def test_a_planted_fault_is_named(name: str) -> None:
    missed = []
    for number in range(INSTANCES):
        case, size = instance(name, number)
        told = found(case, KINDS[name].plan, number + 1)
        if not is_named(name, told):
            missed.append((size, told))
    assert missed == []


@pytest.mark.parametrize("seed", range(SOUND))
def test_a_sound_unit_is_not_condemned(seed: int) -> None:
    case = healthy(10_000 + seed)
    assert [one for plan in ("look", "bursts") for one in found(case, plan, seed)] == []


def test_there_are_thirty_kinds_at_least() -> None:
    assert len(KINDS) >= 30
