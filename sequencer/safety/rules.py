"""The rules of safety: what each reading is held against while a unit is powered. Pure.

The night hands every request with its reply to `Rules.hear`, the watch its readings to `Rules.watch`, both on the
night's own loop: they must be cheap. All rules and their figures stand in `table`.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from sequencer.measurements.requests import BenchReading, Connect, Fire, Inputs, Remote, Reply, Request, SetSupply, Shot
from sequencer.plan.models import Bay, Bench, Unit
from sequencer.safety.load_rest import rest_s, to_keep
from sequencer.safety.rules_capture import CaptureRules
from sequencer.safety.rules_events import event, rule_of
from sequencer.safety.rules_heat import HeatRules
from sequencer.safety.rules_load import LoadRules, Rises
from sequencer.safety.rules_model import Breach, Scope, Seen, burst_end_ns, is_quiet
from sequencer.safety.rules_output import OutputRules, burst_heat_j, output_vrms
from sequencer.safety.rules_supply import SupplyRules
from sequencer.safety.table import TABLE, Rule

__all__ = ["TABLE", "Breach", "Rule", "Rules", "Seen", "rule_of"]

STALE_PERIODS = 3.0  # of the watch (common practice, no source)


@dataclass
class _Known:
    """What outlives a point: the unit stays powered."""

    heat: HeatRules = field(default_factory=HeatRules)
    supply: SupplyRules = field(default_factory=SupplyRules)
    output: OutputRules = field(default_factory=OutputRules)
    load: LoadRules = field(default_factory=LoadRules)
    capture: CaptureRules = field(default_factory=CaptureRules)


class Rules:
    """Of one measurement on one unit; `next` for the measurement after it."""

    event = staticmethod(event)

    def __init__(self, unit: Unit, bench: Bench, bay: Bay, measurement: str, loads: LoadRules | None = None) -> None:
        """loads: as bursts before this unit have left them; None: cold."""
        self._scope = Scope.of(unit, bench, bay, measurement)
        self._known = _Known(load=loads or LoadRules())
        self._driven: tuple[str, ...] | None = None  # by their input contacts; None: all channels

    def next(self, measurement: str) -> Rules:
        """For the next measurement: it knows temperatures, gains, what the supply was set to and what is connected."""
        after = copy.copy(self)
        after._scope = replace(self._scope, measurement=measurement)
        known = after._known
        after._driven = None
        known.supply.idle.begin()
        known.output.begin()
        known.capture.begin()
        return after

    def hear(self, request: Request, reply: Reply) -> Breach | None:
        """The first trip limit that this reply passes, if any. What the night itself connects or sets is heard too."""
        self._changed(request)
        if isinstance(reply, Shot):
            return self._shot(reply)
        if isinstance(reply, BenchReading):
            return self._reading(reply)
        return None

    def watch(self, seen: Seen) -> Breach | None:
        """The first trip limit that a reading of the watch passes, if any."""
        known, scope = self._known, self._scope
        return self._stale(seen) or known.heat.hear(scope, seen.reading) or known.supply.watch(scope, seen)

    def rest_s(self, request: Fire, at_ns: int) -> float:
        """The loads' stop limit: how long they have to cool, from at_ns on, before this burst may be fired, s."""
        return rest_s(self._scope, self._known.load, self._known.output.gain, request, self._driven, at_ns)

    def loads_to_keep(self, request: Fire, at_ns: int) -> Rises:
        """How hot this burst, fired at at_ns, may leave the loads: what is to be on the disk before it."""
        known = self._known
        return to_keep(self._scope, known.load, known.output.gain, request, self._driven, at_ns)

    def loads_kept(self, rises: Rises) -> None:
        """That is on the disk now."""
        self._known.load.kept |= rises

    def self_test(self, reading: BenchReading) -> str | None:
        """Whether the limits of heat sinks and supply current would trip, were they below this reading: what failed.

        On copies: the rules that are in force stay as they are.
        """
        unit = self._scope.unit
        temps = [reading.heatsink_c.get(name) for name in self._scope.thermometers]
        seen_c = [celsius for celsius in temps if celsius is not None]
        lowered: dict[str, Unit] = {}
        if temps:
            heat = unit.heat.model_copy(update={"trip_c": _just_below(next(iter(seen_c), 0.0))})
            lowered["heat sink"] = unit.model_copy(update={"heat": heat})
        if "supply" not in self._scope.bench.by_hand:  # else nothing reads it: not promised
            lowered["supply current"] = unit.model_copy(update={"supply_a_max": _just_below(reading.supply_a)})
        wrong = (self._tripped_by(name, one, reading) for name, one in lowered.items())
        return next((words for words in wrong if words is not None), None)

    def _tripped_by(self, name: str, unit: Unit, reading: BenchReading) -> str | None:
        trial = copy.deepcopy(self)
        trial._scope = replace(self._scope, unit=unit)
        ways: tuple[Callable[[], Breach | None], ...] = (
            lambda: trial.watch(Seen(reading, driven=True, fresh_s=0.0)),
            lambda: trial._reading(reading),
        )
        for found in (way() for way in ways):
            if found is None or found.name != name:
                return f"the rule {name!r} did not trip when tried" + ("" if found is None else f": {found.sentence}")
        return None

    # --- what there is to hear

    def _changed(self, request: Request) -> None:
        known = self._known
        if isinstance(request, SetSupply):
            known.supply.set(request)
        if isinstance(request, Connect):
            known.load.connect(request)
        if isinstance(request, Inputs):
            self._driven = request.channels
        if isinstance(request, SetSupply | Connect | Remote):
            known.supply.idle.settle()

    def _shot(self, shot: Shot) -> Breach | None:
        known, scope = self._known, self._scope
        if not is_quiet(shot):
            known.heat.drive(scope, output_vrms(scope, shot))
        known.heat.heat(scope, burst_heat_j(scope, shot), burst_end_ns(shot))
        return (
            known.supply.hear_shot(scope, shot)
            or known.load.hear(scope, shot)
            or known.capture.hear(shot)
            or known.output.hear(scope, self._without_undriven(shot))
        )

    def _without_undriven(self, shot: Shot) -> Shot:
        """An output is not gone whose input is not driven."""
        if self._driven is None:
            return shot
        away = {wire for name, wire in self._scope.inputs(shot).items() if name not in self._driven}
        return replace(shot, records={wire: one for wire, one in shot.records.items() if wire not in away})

    def _reading(self, reading: BenchReading) -> Breach | None:
        return self._known.heat.hear(self._scope, reading) or self._known.supply.hear(self._scope, reading)

    def _stale(self, seen: Seen) -> Breach | None:
        periods = self._scope.periods
        limit_s = STALE_PERIODS * (periods.driven_s if seen.driven else periods.undriven_s)
        if seen.fresh_s <= limit_s:
            return None
        words = f"a reading of the watch is {seen.fresh_s:.2g} s old, more than {limit_s:.2g} s"
        return Breach("reading stale", words, "age of a reading, s", seen.fresh_s, limit_s)


def _just_below(value: float) -> float:
    return math.nextafter(value, -math.inf)
