"""Every fault in every phase of a point: the cases, drawn so that each pair of instrument and kind, of instrument and
phase and of kind and phase occurs.

NIGHTRAMP_SEED draws the instruments that take turns and, unless it is 1, when within its phase a fault strikes.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path
from typing import get_args

from simulators.bench import SimulatedBench
from simulators.faults import LINK_KINDS, REPLY_KINDS, Kind, LinkFault, LinkFaults
from simulators.world.unit_truth import UnitTruth
from tests.wire.fault_matrix import KEPT, ROLES, SEED, SENSOR, SLOTS, Act, Moment, Run, Slot, night
from tests.wire.safety_nights import FIRST, SECOND

LINK = tuple(get_args(Kind))
# The longest of them last beyond the links' 2 s; a garrulous instrument is cut off after a line's length already.
FOR_S = {"late": 3.0, "dribble": 0.2, "refused": 1.0, "frozen": 3.0, "babble": 0.5}

# --- what happens to unit and bench


def changed_unit(change: Callable[[UnitTruth], UnitTruth]) -> Act:
    """The unit in the first bay is another one from then on."""

    def act(bench: SimulatedBench, now_ns: int) -> None:
        world = bench.world
        world.contacts(now_ns)  # what was due before has happened
        first, *others = world.layout.bays
        assert first.unit is not None
        layout = replace(world.layout, bays=(replace(first, unit=change(first.unit)), *others))
        world.layout = world._climate._layout = layout
        world._reopen(now_ns)

    return act


def latched(bench: SimulatedBench, now_ns: int) -> None:
    """Its protection has acted, and holds until the unit is off."""
    from simulators.world.readiness import Due
    from simulators.world.unit_truth import ProtectionTruth

    bench.world._ready.cuts["1"] = Due(now_ns, "offset", None)
    changed_unit(lambda unit: replace(unit, protection=ProtectionTruth()))(bench, now_ns)


def _shorted(unit: UnitTruth) -> UnitTruth:
    a, *others = unit.channels
    return replace(unit, channels=(replace(a, fault="shorted"), *others))


def lead_off(bench: SimulatedBench, now_ns: int) -> None:
    """Nothing comes out any more, and the supply's own panel does not know."""
    bench.world.set_supply(now_ns, 0.0, 25.0, on=False)


def broken_off(bench: SimulatedBench, now_ns: int) -> None:
    bench.panels["thermometer"].broken.add(SENSOR)  # type: ignore[attr-defined]


ACTS: dict[str, Act] = {
    "short": changed_unit(_shorted),
    "supply lead off": lead_off,
    "sensor broken": broken_off,
    "protection latched": latched,
    "runaway": changed_unit(lambda unit: replace(unit, feed=replace(unit.feed, idle_a=4.0))),
}


# --- the cases


@dataclass(frozen=True)
class Case:
    """One fault. role: whose link, or "unit"."""

    kind: str
    role: str
    slot: Slot

    @property
    def name(self) -> str:
        return f"{self.role} {self.kind}, {' '.join(part for part in self.slot if part)}"

    @property
    def kept(self) -> int:
        """Points finished before it strikes."""
        return KEPT[self.slot[0] or self.slot[1]]

    @property
    def units(self) -> tuple[str, ...]:
        """The next one where it has to show that it is measured as ever, or meets the fault itself."""
        return (FIRST, SECOND) if self.role == "unit" or self.slot[1] == "cool" else (FIRST,)

    def at_s(self, moment: Moment) -> float:
        """Seed 1: the phase's beginning. Others: any question, or any time of its first half: the rest of the phase is
        to meet the fault."""
        drawn = random.Random(f"{SEED} {self.name}")
        if SEED == 1:
            return moment.at_s
        if self.kind in REPLY_KINDS:
            return drawn.choice(moment.questions[self.role]) * 1e-9
        return moment.at_s + 0.5 * drawn.random() * (moment.until_s - moment.at_s)

    def run(self, folder: Path, moments: Mapping[Slot, Moment]) -> Run:
        at_s = self.at_s(moments[self.slot])
        if self.role == "unit":
            return night(folder, act=(at_s, ACTS[self.kind]))
        fault = LinkFault(self.kind, at_s=at_s, for_s=FOR_S.get(self.kind, 0.0))  # type: ignore[arg-type]
        return night(folder, {self.role: LinkFaults((fault,))}, units=self.units)


def possible(kind: str, role: str, moment: Moment) -> bool:
    """What spoils a reply needs somebody who is asked; what concerns a link as a whole strikes by itself."""
    return kind in LINK_KINDS or role in moment.asked


def in_turn(kind: str, slot: Slot, moments: Mapping[Slot, Moment]) -> Case:
    """Kind and phase, with the instrument whose turn it is among those that can."""
    able = [role for role in ROLES if possible(kind, role, moments[slot])]
    return Case(kind, able[(LINK.index(kind) + SLOTS.index(slot) + SEED - 1) % len(able)], slot)  # type: ignore[arg-type]


def missing(moments: Mapping[Slot, Moment]) -> Iterator[Case]:
    """What pairs of instrument and kind, or of instrument and phase, still lack: the first case that has them."""
    found = [in_turn(kind, slot, moments) for kind, slot in product(LINK, SLOTS)]
    kinds = {(case.role, case.kind) for case in found}
    slots = {(case.role, case.slot) for case in found}
    for role, slot, kind in product(ROLES, SLOTS, LINK):
        if possible(kind, role, moments[slot]) and ((role, kind) not in kinds or (role, slot) not in slots):
            kinds.add((role, kind))
            slots.add((role, slot))
            yield Case(kind, role, slot)


def cases(moments: Mapping[Slot, Moment]) -> tuple[Case, ...]:
    """All of them: of units and bench, of links in turn, and what is missing then."""
    acts = (Case(kind, "unit", slot) for kind, slot in product(ACTS, SLOTS))
    links = (in_turn(kind, slot, moments) for kind, slot in product(LINK, SLOTS))
    return (*acts, *links, *missing(moments))
