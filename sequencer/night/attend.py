"""Brings a supply that a person works together with that person, and with the inputs that see it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from sequencer.night.asking import Asking
from sequencer.night.hand_worked import OFF_V, Seen, SupplyByHand
from sequencer.night.shot import Shooter
from sequencer.night.supply_seen import seen_in, supply_seen
from sequencer.plan.models import Bench
from sequencer.plan.window import ShotWindow

LOOK_S = 0.04  # two cycles of 50 Hz


@dataclass(frozen=True)
class SupplyLook:
    """A record that no burst triggers, of the inputs that see the supply."""

    shooter: Shooter
    bench: Bench

    async def __call__(self) -> Seen:
        """Raises an instrument's error."""
        by = self.shooter.supply_seen
        rate_hz = min(self.bench.digitiser.rates_hz)
        window = ShotWindow(rate_hz, round(LOOK_S * rate_hz), 0.0, 0.0)
        volts, amps = seen_in(await self.shooter.look(by.scales, window), by)
        if by.amps is not None and abs(volts) < OFF_V and abs(amps) <= by.amps.zero_a:
            amps = 0.0  # no more than its zero is worth, with nothing left at the rail
        return Seen(volts, amps)

    async def zero(self) -> None:
        """A clamp's zero drifts: what it shows while the supply is off is taken off from here on."""
        self.shooter.supply_seen = replace(self.shooter.supply_seen, zero_a=0.0)
        seen, by = await self(), self.shooter.supply_seen
        if abs(seen.volts) < OFF_V and not math.isnan(seen.amps):
            self.shooter.supply_seen = replace(by, zero_a=seen.amps)


def attend(shooter: Shooter, bench: Bench, asking: Asking, say: Callable[[str], None]) -> None:
    """Where a person works the supply: who is asked, and what looks at it."""
    supply = shooter.hands.supply
    if not isinstance(supply, SupplyByHand):
        return
    shooter.supply_seen = supply_seen(bench)
    look = SupplyLook(shooter, bench) if shooter.supply_seen.rail is not None else None
    supply.attend(asking, say, look, on_mains=bench.supply_kind == "mains")
