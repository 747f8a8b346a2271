"""A night goes on where another process left it: the bench made safe first, what was proved proved again, then the
first point that is not complete."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from sequencer.measurements.values import Values
from sequencer.night.keeping import Keeper
from sequencer.night.resume import last_trip, left, rebuild, redone_row, to_redo
from sequencer.night.setup import NightPlan, UnitRun
from sequencer.night.trips import Trip
from sequencer.night.unit_state import UnitState
from sequencer.plan.points import AnyPoint, ValuePoint
from sequencer.safety.make_safe import Report


class GoingOn:
    """Of a night that begins afresh it says so everywhere."""

    def __init__(self, night: NightPlan, keeper: Keeper, say: Callable[[str], None]) -> None:
        self._night, self._keeper, self._say = night, keeper, say
        self._kept: Mapping[str, Mapping[str, Any]] = night.resumed.runs if night.resumed else {}
        self._entry: dict[str, Any] = {}
        self._safe: Report | None = None

    @property
    def tripped(self) -> list[str]:
        """Serials of units that tripped before."""
        return [r.unit.serial for r in self._night.runs if self._of(r).get("outcome") == "tripped"]

    def rows(self) -> dict[str, list[dict[str, Any]]]:
        """By run."""
        return {name: [dict(row) for row in kept["points"]] for name, kept in self._kept.items()}

    def has_ended(self, run: UnitRun) -> bool:
        return self._of(run).get("ended") is not None

    def has_begun(self, run: UnitRun) -> bool:
        return run.id in self._kept

    def left(self, run: UnitRun) -> tuple[AnyPoint, ...]:
        return left(run, self._kept.get(run.id))

    def to_redo(self, run: UnitRun) -> tuple[ValuePoint, ...]:
        return to_redo(run, self._kept.get(run.id))

    async def make_safe(self) -> None:
        """Before anything else, whatever the process before and its guardian did. Raises Trip where it is not
        confirmed."""
        if self._night.resumed is None:
            return
        report = self._safe = await self._keeper.make_safe("fault", max(r.unit.bleed_s for r in self._night.runs))
        await self._keeper.tell_safe(self._night, report)
        if not report.confirmed:
            raise Trip("could not confirm the bench safe before going on: " + "; ".join(report.lines))
        self._say("made safe before going on, confirmed")

    async def ended_by_trip(self, run: UnitRun) -> bool:
        """A run that had tripped is not taken up: its end is kept now. Raises Trip where the night was to end then."""
        trip = last_trip(run, self._of(run)) if self.has_begun(run) else None
        if trip is None:
            return False
        await self._keeper.take_up(run, self._of(run), None)
        await self._keeper.end(run, "tripped")
        self._say(f"unit {run.unit.serial} had tripped: {trip[0]}")
        if trip[1]:
            raise Trip(f"the night was to end when unit {run.unit.serial} had tripped: {trip[0]}")
        return True

    async def take_up(self, state: UnitState) -> None:
        """Kept before anything of the run is energised, so that it is told whatever comes."""
        run, resumed = state.run, self._night.resumed
        assert resumed is not None
        assert self._safe is not None
        rebuild(state, self._of(run))
        todo = self.left(run)
        self._entry = {
            "time": self._keeper.now(),
            "at_point": todo[0].id if todo else None,
            "why": resumed.why,
            "guardian": resumed.guardian,
            "made_safe": list(self._safe.lines),
            "redone": [],
        } | ({"proof": dict(self._night.proof)} if self._night.proof is not None else {})
        await self._keeper.take_up(run, self._of(run), self._entry)
        where = f"goes on at {todo[0].id}" if todo else "was complete but for its end"
        self._say(f"unit {run.unit.serial} in bay {run.bay.name} {where}: {len(state.rows)} points kept before")

    async def redone(self, run: UnitRun, point: ValuePoint, found: Values) -> None:
        self._entry["redone"].append(redone_row(point, found))
        await self._keeper.retell(run, self._entry)
        what = found.reason or "as proof" if point.measurement in ("first_power", "bench_check") else "for its heat"
        self._say(f"{point.id} {point.measurement} done once more: {what}")

    def _of(self, run: UnitRun) -> Mapping[str, Any]:
        return self._kept.get(run.id, {})
