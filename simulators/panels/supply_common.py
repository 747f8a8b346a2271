"""What both supplies' fronts share: their meter, and what rose since somebody last asked."""

from __future__ import annotations

from typing import Literal

from simulators.world.noise import normal
from simulators.world.world import SupplyMeans, World

Trip = Literal["over-voltage", "over-current", "too hot"]
Risen = Literal["limited", "regulated"] | Trip


class TripLatch:
    """Trips stand until cleared; rises are kept until taken."""

    def __init__(self, world: World, now_ns: int = 0) -> None:
        self._world = world
        self._since_ns = now_ns
        self._risen: set[Risen] = set()
        self.tripped: set[Trip] = set()

    def trip(self, why: Trip) -> None:
        self.tripped.add(why)
        self._risen.add(why)

    def rise(self, what: Risen) -> None:
        self._risen.add(what)

    def forget(self) -> None:
        self._risen.clear()

    def bring_up(self, now_ns: int, on: bool) -> None:
        """Note what rose between the last look and now, while the output was as it still is."""
        since_ns, self._since_ns = self._since_ns, now_ns
        if not on or not self._world.supply_limited_between(since_ns, now_ns):
            return
        if not self._world.supply_limited(since_ns):
            self._risen.add("limited")
        if not self._world.supply_limited(now_ns):
            self._risen.add("regulated")

    def take(self, now_ns: int, on: bool) -> set[Risen]:
        """All that rose since the last take; taking empties it."""
        self.bring_up(now_ns, on)
        risen, self._risen = self._risen, set()
        return risen


def measured(world: World, key: str, from_ns: int, to_ns: int) -> SupplyMeans:
    """Means over a window as the supply's meter shows them, its errors and noise included."""
    true, errors = world.supply_means(from_ns, to_ns), world.bench.supply
    noise_v = errors.meter_noise_v * normal(world.seed, key, "V", to_ns)
    noise_a = errors.meter_noise_a * normal(world.seed, key, "A", to_ns)
    return SupplyMeans(
        true.volts * (1.0 + errors.meter_volts_error) + noise_v,
        true.amps * (1.0 + errors.meter_amps_error) + noise_a,
    )
