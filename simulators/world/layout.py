"""What is wired to what on the simulated bench."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from simulators.world.unit_truth import UnitTruth

ROOM_C = 22.0


@dataclass
class Laid:
    """What a person connects for a while where no unit is: dummy_ohm across the supply's lead, a hand on a sensor
    (thermometer's input -> K).
    """

    dummy_ohm: float = math.inf
    warmed_k: dict[str, float] = field(default_factory=dict)

    def air_c(self, thermometer_input: str) -> float:
        return ROOM_C + self.warmed_k.get(thermometer_input, 0.0)


@dataclass(frozen=True)
class Load:
    """`channels`: channel -> (contacts that connect it, true ohms)."""

    name: str
    channels: Mapping[str, tuple[tuple[str, ...], float]]


@dataclass(frozen=True)
class Bay:
    """One place for a unit. `contacts` connect it to the bench, all of them closed; none = always connected.

    input_contacts: per channel, for benches that can drive one channel alone.
    thermometer: channel -> input of the thermometer. remote_contact: closed = the unit's remote line is on; None =
    it is tied on.
    """

    name: str
    unit: UnitTruth | None
    contacts: tuple[str, ...] = ()
    input_contacts: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    thermometer: Mapping[str, str] = field(default_factory=dict)
    remote_contact: str | None = None


@dataclass(frozen=True)
class Layout:
    """All bays and loads."""

    bays: tuple[Bay, ...]
    loads: tuple[Load, ...] = ()

    def connected_bays(self, closed: frozenset[str]) -> list[Bay]:
        return [bay for bay in self.bays if closed.issuperset(bay.contacts)]

    def load_ohm(self, channel: str, closed: frozenset[str]) -> float:
        """Ohms on a channel: all its connected loads in parallel; infinite if none."""
        siemens = 0.0
        for load in self.loads:
            contacts, ohm = load.channels.get(channel, ((), math.inf))
            if closed.issuperset(contacts):
                siemens += 1.0 / ohm
        return 1.0 / siemens if siemens else math.inf
