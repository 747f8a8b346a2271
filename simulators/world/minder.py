"""What a unit does by itself: its protection, its gate, and the looks at what drifts with heat. It plans changes."""

from __future__ import annotations

from collections.abc import Callable

from simulators.world.climate import Climate
from simulators.world.conditions import drifts, next_look_ns
from simulators.world.layout import Bay
from simulators.world.readiness import Due, Gate, Readiness, may_return
from simulators.world.signals import Tone
from simulators.world.timeline import Segment
from simulators.world.unit_truth import UnitTruth

Plan = Callable[[int, Callable[[int], None]], None]


def nothing(_at_ns: int) -> None:
    """A change of time alone: the world looks what has become of it."""


class Minder:
    """moved_ns: when power, contacts or signal last changed."""

    def __init__(self, ready: Readiness, climate: Climate, plan: Plan, tell: Callable[[int, str], None]) -> None:
        self._ready, self._climate, self._plan, self._tell = ready, climate, plan, tell
        self.moved_ns, self._look_ns = 0, 0

    def signal(self, bay: Bay | None, tone: Tone) -> None:
        """A tone begins."""
        if bay is None or bay.unit is None or bay.unit.gate is None:
            return
        gate = self._ready.gates.setdefault(bay.name, Gate())
        gate.signal(bay.unit.gate, tone)
        self._plan(gate.opens_ns, nothing)
        self._plan(gate.shuts_ns, nothing)

    def silence(self, bay: Bay | None, at_ns: int) -> None:
        """The signal is taken away."""
        if bay is None or bay.unit is None or bay.unit.gate is None or bay.name not in self._ready.gates:
            return
        gate = self._ready.gates[bay.name]
        gate.silence(bay.unit.gate, at_ns)
        self._plan(gate.shuts_ns, nothing)

    def watch(self, bay: Bay, unit: UnitTruth, last: Segment, at_ns: int) -> None:
        """Plan what the protection will do, and the next look."""
        if unit.protection is not None:
            due = self._ready.expect(last, self._climate.now(bay, at_ns), at_ns)
            if due is not None:
                self._plan(due.at_ns, lambda now_ns: self._cut(now_ns, bay, unit, due))
        drifting = drifts(unit) or (self._climate.loads_drift and last.setting.tone is not None)
        look_ns = next_look_ns(at_ns, self.moved_ns)
        if last.setting.live and drifting and not at_ns < self._look_ns <= look_ns:
            self._look_ns = look_ns
            self._plan(look_ns, nothing)

    def _cut(self, now_ns: int, bay: Bay, unit: UnitTruth, due: Due) -> None:
        if self._ready.cut(bay.name, due):
            self._tell(now_ns, f"protection cut in: {due.reason}")
            self._plan_return(now_ns, bay, unit, due)

    def _plan_return(self, now_ns: int, bay: Bay, unit: UnitTruth, due: Due) -> None:
        back_s = unit.protection.returns_after_s if unit.protection else None
        if back_s is not None:
            self._plan(now_ns + round(back_s * 1e9), lambda at_ns: self._give_back(at_ns, bay, unit, due))

    def _give_back(self, now_ns: int, bay: Bay, unit: UnitTruth, due: Due) -> None:
        if self._ready.cuts.get(bay.name) is not due:
            return
        if may_return(unit, due.reason, self._climate.now(bay, now_ns)):
            del self._ready.cuts[bay.name]
        else:
            self._plan_return(now_ns, bay, unit, due)
