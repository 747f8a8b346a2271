"""Every kind of fault of unit or bench in every phase of a point; and that no pair of fault and phase is left out. What
is asserted of each case: fault_checks.py; that it struck: fault_struck.py.

By hand with NIGHTRAMP_SEED=2, 3: other noise, other instruments in turn, other instants within the phase.
"""

from __future__ import annotations

from itertools import product

import pytest

from simulators.faults import LINK_KINDS
from simulators.world.journal import BurstRow
from tests.wire.fault_cases import ACTS, LINK, Case, cases
from tests.wire.fault_checks import Sound, assert_holds, named, sound_night
from tests.wire.fault_matrix import ROLES, SLOTS, Slot
from tests.wire.fault_struck import IMPOSSIBLE, assert_no_other_is_impossible

pytestmark = pytest.mark.long


@pytest.fixture(scope="module")
def sound() -> Sound:
    return sound_night()


@pytest.mark.parametrize("slot", SLOTS, ids=named)
@pytest.mark.parametrize("kind", ACTS)
def test_a_fault_of_unit_or_bench(kind: str, slot: Slot) -> None:
    assert_holds(Case(kind, "unit", slot))


# --- is it every one?


def test_every_pair_occurs(sound: Sound) -> None:
    """Instrument and kind, instrument and phase, kind and phase."""
    found = cases(sound.moments)
    assert {(c.role, c.kind) for c in found} >= set(product(ROLES, LINK))
    assert {(c.role, c.slot) for c in found} >= set(product(ROLES, SLOTS))
    assert {(c.kind, c.slot) for c in found} == set(product((*LINK, *ACTS), SLOTS))
    assert len(set(found)) == len(found) > 270


def test_cases_and_what_is_impossible_are_all(sound: Sound) -> None:
    """Each with its reason; none of them is among the cases."""
    assert_no_other_is_impossible(dict(sound.moments))
    assert IMPOSSIBLE.keys().isdisjoint(cases(sound.moments))
    assert all(case.kind not in LINK_KINDS for case in IMPOSSIBLE)


def test_phases_are_those_of_the_world(sound: Sound) -> None:
    """By the journal: a tone sounds in `fire` and `confirm`, and in no other phase."""
    bursts = [row for row in sound.run.ended.bench.world.journal if isinstance(row, BurstRow)]
    for (drive, phase), moment in sound.moments.items():
        from_ns, until_ns = round(moment.at_s * 1e9), round(moment.until_s * 1e9)
        heard = [row for row in bursts if row.start_ns < until_ns and row.end_ns > from_ns]
        assert bool(heard) is (phase in ("fire", "confirm")), (drive, phase, heard)


def test_the_first_unit_is_measured_alike_alone(sound: Sound) -> None:
    """Nights with faults of links have one unit: until the second comes both logs are the same."""
    alone = sound.alone.ended.said
    change_ns = round(sound.moments["", "cool"].at_s * 1e9)
    assert [s for s in alone if s.at_ns < change_ns] == [s for s in sound.run.ended.said if s.at_ns < change_ns]
