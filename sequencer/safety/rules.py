"""The first rules of safety: what each reading is held against while a unit is powered, and the table of them. Pure.

A stop limit ends a ramp and is a result of the search; a trip limit ends the point by its name and makes the bench
safe. The night hands every request with its reply to `Rules.hear`, on its own loop: it must be cheap.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from sequencer.measurements.requests import BenchReading, Reply, Request, SetSupply, Shot
from sequencer.plan.models import Bay, Bench, Unit
from sequencer.safety.rules_heat import HeatWatch
from sequencer.safety.rules_model import Breach, Scope, burst_end_ns
from sequencer.safety.rules_output import OutputWatch, burst_heat_j
from sequencer.safety.rules_supply import SupplyWatch

__all__ = ["TABLE", "Breach", "Rule", "Rules"]


@dataclass(frozen=True)
class Rule:
    """One line of the table. stop: what ends a ramp, in words; trip: what makes safe. source: of the figures."""

    name: str
    stop: str
    trip: str
    source: str


PRACTICE = "common practice, no source"
TABLE: tuple[Rule, ...] = (
    Rule("heat sink", "at the unit's heat.stop_c", "at the unit's heat.trip_c", PRACTICE),
    Rule("heat sink rising", "none", "more than 1.5 K/s over at least 2 s", PRACTICE),
    Rule("sensor open", "none", "nothing, or beyond -20 to 150 degC", "our own judgement"),
    Rule("sensor silent", "none", "20 equal readings while heat worth 4 K went in", "our own judgement"),
    Rule("sensor not following", "none", "less than a quarter of the least rise due", "our own judgement"),
    Rule("supply current", "none", "above unit, 0.75 x a fuse, or the bench's ceiling", PRACTICE),
    Rule("supply current without signal", "none", "twice above 1.5 x the idle window, once driven", PRACTICE),
    Rule("current limit without signal", "in a burst: supply_current_limit", "twice without signal", PRACTICE),
    Rule("supply tripped", "none", "its own protection acted", PRACTICE),
    Rule("supply volts", "none", "5 % off what is set, twice; half of it, once", "our own judgement"),
    Rule("offset", "above 0.1 V: not driven", "mean of 0.15 s and more without signal above 3 V", PRACTICE),
    Rule("output gone", "in a burst: protection", "below 0.1 x gain x level, twice in a row", "our own judgement"),
)


@dataclass
class _Watches:
    """What outlives a point: the unit stays powered."""

    heat: HeatWatch = field(default_factory=HeatWatch)
    supply: SupplyWatch = field(default_factory=SupplyWatch)
    output: OutputWatch = field(default_factory=OutputWatch)


class Rules:
    """Of one measurement on one unit; `next` for the measurement after it."""

    def __init__(self, unit: Unit, bench: Bench, bay: Bay, measurement: str) -> None:
        self._scope = Scope(unit, bench, bay, measurement)
        self._watches = _Watches()

    def next(self, measurement: str) -> Rules:
        """For the next measurement: it knows temperatures, gains and what the supply was set to."""
        scope = self._scope
        after = Rules(scope.unit, scope.bench, scope.bay, measurement)
        after._watches = self._watches
        after._watches.supply.begin()
        after._watches.output.begin()
        return after

    def hear(self, request: Request, reply: Reply) -> Breach | None:
        """The first trip limit that this reply passes, if any."""
        watches, scope = self._watches, self._scope
        if isinstance(request, SetSupply):
            watches.supply.set(request)
        if isinstance(reply, Shot):
            watches.heat.heat(scope, burst_heat_j(scope, reply), burst_end_ns(reply))
            return watches.supply.hear_shot(scope, reply) or watches.output.hear(scope, reply)
        if isinstance(reply, BenchReading):
            return watches.heat.hear(scope, reply) or watches.supply.hear(scope, reply)
        return None
