"""Every kind of fault of a link in every phase of a point, instruments in turn, and what pairs that leaves out."""

from __future__ import annotations

import pytest

from tests.wire.fault_cases import LINK, in_turn, missing
from tests.wire.fault_checks import assert_holds, named, sound_night
from tests.wire.fault_matrix import ROLES, SLOTS, Slot

pytestmark = pytest.mark.long


@pytest.mark.parametrize("slot", SLOTS, ids=named)
@pytest.mark.parametrize("kind", LINK)
def test_a_fault_of_a_link(kind: str, slot: Slot) -> None:
    assert_holds(in_turn(kind, slot, sound_night().moments))


@pytest.mark.parametrize("role", ROLES)
def test_what_else_an_instrument_can_do(role: str) -> None:
    """The pairs that the turns above leave out."""
    for case in missing(sound_night().moments):
        if case.role == role:
            assert_holds(case)
