"""One night: each unit in its bay, each group of points, each kept in the ledger before the next begins.

Whatever happens, the bench is made safe by whoever called `work`; this module energises, it does not supervise.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from drivers.errors import InstrumentError
from drivers.timing import Clock
from sequencer.measurements.output_power import Outcome, OverloadRemains
from sequencer.measurements.requests import Shot
from sequencer.night.asking import Asking, nobody_there
from sequencer.night.barriers import prove
from sequencer.night.going_on import GoingOn
from sequencer.night.hands import Hands
from sequencer.night.keeping import Keeper
from sequencer.night.listen import Listener
from sequencer.night.measuring import Measuring
from sequencer.night.reference import differences
from sequencer.night.resume import hands_done
from sequencer.night.setup import NightPlan, UnitRun, groups
from sequencer.night.shot import Shooter
from sequencer.night.trips import UnitTrip
from sequencer.night.unit_state import RETRIED, UnitState
from sequencer.night.watch import Watch
from sequencer.night.wiring import NotPowered, Trip, Wiring
from sequencer.plan.points import AnyPoint, ValuePoint
from sequencer.safety.make_safe import Report
from sequencer.safety.rules_events import rule_of
from sequencer.safety.rules_load import LoadRules

__all__ = ["Doing", "Night", "Outcome", "Trip", "UnitTrip"]

FIRST_POWER = "first_power"
OFF_WITHIN_S = 0.5  # the acts of making safe come again, with their own deadlines
COOL_S, COOL_AT_MOST_S, COOL_C = 30.0, 1800.0, 40.0  # before a point is tried once more (our own choice)


@dataclass(frozen=True)
class Doing:
    """What the night works with: instruments, clock, the ledger's keeper, the analysis thread, who hears of it,
    who answers."""

    hands: Hands
    clock: Clock
    keeper: Keeper
    thinking: Executor
    shooter: Shooter
    listener: Listener
    asking: Asking = nobody_there


class Night:
    """Runs every unit of a NightPlan, in order. tripped: serials of units that tripped and were left behind safe."""

    def __init__(self, plan: NightPlan, doing: Doing) -> None:
        self.plan, self.doing = plan, doing
        self._going_on = GoingOn(plan, doing.keeper, doing.listener.said)
        self.tripped = self._going_on.tripped
        self.watch = Watch(doing.clock, doing.shooter, self._off_now)
        doing.shooter.burst_begun, doing.shooter.may_fire = self.watch.burst_begun, self.watch.has_seen
        self._wiring: Wiring | None = None
        self._hands, self._loads = hands_done(plan), LoadRules()
        self._rows = self._going_on.rows()
        self._proved: dict[str, Any] = {}
        self._ended_by: tuple[UnitRun, Exception] | None = None
        self._latched = False

    async def work(self) -> None:
        """Raises Trip, InstrumentError, or whatever ended it; what was measured by then is in the ledger."""
        try:
            await self._going_on.make_safe()
            await self._prepare()
            await self._prove_cut_off()
        except (InstrumentError, Trip) as error:
            await self._ended_before(error)
            raise
        self._loads = await self.doing.keeper.loads()
        for number, run in enumerate(self.plan.runs, start=1):
            if self._going_on.has_ended(run) or await self._tripped_before(run):
                continue
            self.doing.listener.run_begun(run, number, len(self.plan.runs), self.doing.keeper.now())
            await self._unit(run)
        await self._compare_reference()

    @property
    def latched(self) -> bool:
        """A trip holds: from there until the night has seen the bench safe and goes on."""
        return self._latched or self._ended_by is not None

    @property
    def remote_off(self) -> Callable[[], Any] | None:
        """Of the unit under way: it goes before the supply, whoever ends the night."""
        wiring = self._wiring
        return (lambda: wiring.remote(False)) if wiring is not None and wiring.has_remote else None

    async def _prepare(self) -> None:
        hands = self.doing.hands
        await hands.generator.prepare()
        await hands.supply.prepare()
        await hands.load_switch.prepare()
        await hands.load_switch.open_all()
        await hands.digitiser.prepare()
        await hands.thermometer.prepare()
        if hands.meter is not None:
            await hands.meter.prepare()
        if hands.interlock is not None:
            await hands.interlock.prepare()
        if hands.cut_off is not None:
            await hands.cut_off.prepare()
        self.doing.shooter.forget_settings()

    async def _prove_cut_off(self) -> None:
        """Once, before anything is powered; kept with every run. Raises Trip where it does not drop."""
        cut_off = self.doing.hands.cut_off
        if cut_off is None:
            return
        proof = await prove(cut_off, self.doing.clock, self.plan.bench.cut_off.hold_s)
        self._proved = {"cut_off": proof}
        self.doing.listener.said(f"cut-off proved: dropped {proof['dropped_after_s']:g} s after it was fed")

    async def _ended_before(self, error: Exception) -> None:
        """An instrument or a barrier failed before the first unit: told in that unit's run, or no result would tell why
        the night measured nothing. A night that is resumed stays as it was: it can be resumed again."""
        await self._off_now()
        if self.plan.resumed is not None:
            return
        first, keeper = self.plan.runs[0], self.doing.keeper
        self.doing.listener.run_begun(first, 1, len(self.plan.runs), keeper.now())
        await keeper.begin(self.plan, first, {})
        self._ended_by = first, error

    async def _tripped_before(self, run: UnitRun) -> bool:
        """Raises Trip."""
        found = await self._going_on.ended_by_trip(run)
        self.tripped += [run.unit.serial] if found else []
        return found

    async def _unit(self, run: UnitRun) -> None:
        doing, keeper = self.doing, self.doing.keeper
        wiring = Wiring(doing.hands, doing.clock, self.plan.bench, run.unit, run.bay)
        state, self._wiring = UnitState(run, self.plan.bench, wiring, hands=self._hands, loads=self._loads), wiring
        self._rows[run.id] = state.rows
        if self._going_on.has_begun(run):
            await self._going_on.take_up(state)
        else:
            await keeper.begin(self.plan, run, self._proved)
            doing.listener.said(f"unit {run.unit.serial} in bay {run.bay.name}: {len(run.points)} points")
        measuring = Measuring(self.plan, doing, state, self.watch)
        async with self.watch.over(measuring.under()):
            try:
                async with self.watch.attended():
                    await self._points(state, measuring)
            except UnitTrip as trip:
                await self._left_behind(state, trip)
            except (InstrumentError, Trip, OverloadRemains) as error:
                self._ended_by = run, error  # first: a person may stop the night meanwhile
                self.watch.pause()
                await self._off_now()
                raise
            else:
                await self._end(run, "finished")

    async def _points(self, state: UnitState, measuring: Measuring) -> None:
        todo, again = self._going_on.left(state.run), self._going_on.to_redo(state.run)
        if todo and state.no_power is None:
            await self._power_up(state, (*again, *todo)[0])
        for point in again:
            await self._once_more(state, measuring, point)
        for group in groups(todo):
            try:
                async with self.watch.attended():
                    await self._group(state, measuring, group)
            except UnitTrip as trip:
                if group[0].after_trip != RETRIED:
                    raise
                await self._cooled(state, trip, group[0])
                if unkept := tuple(one for one in group if not state.has_row(one)):  # a row is kept once
                    await self._group(state, measuring, unkept)
        await measuring.close()
        await self._power_down(state)

    async def _once_more(self, state: UnitState, measuring: Measuring, point: ValuePoint) -> None:
        """Before a run goes on that another process began."""
        self.doing.listener.point_begun(state.run, point)
        await self.doing.keeper.doing(state.run, point)
        found = await measuring.once_more(point)
        await self._going_on.redone(state.run, point, found)
        if state.no_power is not None and state.wiring.supply_v is not None:
            await self._power_down(state)

    async def _off_now(self) -> None:
        """Signal, supply and cut-off, together, before anything else; what fails here is seen when the bench is made
        safe."""
        hands = self.doing.hands
        supply = None if "supply" in hands.by_hand else hands.supply  # a person is asked when the bench is made safe
        off = [one.make_safe() for one in (hands.generator, supply, hands.cut_off) if one is not None]
        with suppress(TimeoutError):
            async with self.doing.clock.deadline(OFF_WITHIN_S):
                await asyncio.gather(*off, return_exceptions=True)

    async def _group(self, state: UnitState, measuring: Measuring, group: tuple[AnyPoint, ...]) -> None:
        for point in group:
            self.doing.listener.point_begun(state.run, point)
            await self.doing.keeper.doing(state.run, point)
            break
        await measuring.group(group)
        if state.no_power is not None and state.wiring.supply_v is not None:
            await self._power_down(state)

    async def _power_up(self, state: UnitState, point: AnyPoint) -> None:
        """The supply's own trip, signal path, load, supply, remote line, mute; first_power does the last three by
        itself."""
        hands, wiring, unit = self.doing.hands, state.wiring, state.run.unit
        await wiring.guard_supply()
        await wiring.close_bay()
        await wiring.connect(point.load, point.channels)
        if point.measurement == FIRST_POWER or "supply" in hands.by_hand:  # a person powers it when a point needs it
            await hands.generator.output(True)
            return
        try:
            await wiring.supply_to(point.supply_v)
        except NotPowered as why:
            raise UnitTrip(str(why), {"point": point.id, "rule": why.rule}, point.after_trip) from why
        await wiring.remote(True)
        await hands.generator.output(True)
        await self.doing.clock.sleep(unit.mute_s)

    async def _power_down(self, state: UnitState) -> None:
        run = state.run
        self.watch.pause()
        report = await self.doing.keeper.make_safe("normal", run.unit.bleed_s, _remote(state))
        if not report.confirmed:
            raise Trip("could not confirm the bench safe after the unit: " + "; ".join(report.lines))
        state.wiring.forget()
        self.watch.resume()

    async def _made_safe(self, state: UnitState, trip: UnitTrip) -> None:
        """Kept, made safe in fault order; then, with the rail seen to be down, all contacts open. Raises the trip."""
        keeper, run = self.doing.keeper, state.run
        self._latched = True
        self._ended_by = run, trip  # until it is kept: a person may stop the night meanwhile
        self.watch.pause()
        report = await keeper.make_safe("fault", run.unit.bleed_s)
        self._ended_by = None
        await keeper.written()
        await self._keep_trip(run, trip, report, trip.row, state.last_shot)
        if not report.confirmed:
            await self._end(run, "tripped")
            raise trip
        if self.doing.hands.cut_off is not None:  # released, it hides the unit's reservoir from the supply's meter
            await self.doing.clock.sleep(run.unit.bleed_s)
        await self.doing.hands.load_switch.open_all()
        state.wiring.forget()
        if trip.after_trip != "stop":
            await self._supply_again(trip)
            await self._prepare()  # the trip may have broken off an exchange, and so cost a link its settings
            self._latched = False

    async def _supply_again(self, trip: UnitTrip) -> None:
        """Its own protection may have acted: cleared with every contact open, so that the next unit can be powered.

        Not so for too many volts: no unit makes them, so the bench itself is in doubt. Raises Trip.
        """
        supply = self.doing.hands.supply
        tripped = (await supply.status()).tripped
        if tripped == "over_voltage":
            raise Trip(f"the supply tripped on its volts: find out why before the next unit is powered ({trip})")
        if tripped is not None:
            await supply.clear_trip()

    async def _left_behind(self, state: UnitState, trip: UnitTrip) -> None:
        """The unit tripped: its bay stays open; the night goes on with the next one, if the plan says so."""
        await self._made_safe(state, trip)
        self.tripped.append(state.run.unit.serial)
        await self._end(state.run, "tripped")
        if trip.after_trip == "stop":
            raise trip
        self.doing.listener.said(f"unit {state.run.unit.serial} tripped and was made safe: {trip}")

    async def _keep_trip(
        self, run: UnitRun, why: Exception, report: Report, row: Mapping[str, Any], shot: Shot | None = None
    ) -> None:
        safe = {"confirmed_safe": report.confirmed, "not_confirmed": report.unconfirmed}
        told = {**row, **safe, "evidence": self.watch.evidence()}
        await self.doing.keeper.trip(run, str(why), type(why).__name__, told, shot)

    def end_by(self, why: Exception) -> None:
        """What ended the night from outside, for the run that was under way."""
        if self._ended_by is None and self.doing.keeper.open_runs:
            self._ended_by = self.doing.keeper.open_runs[-1], why

    async def settle(self, report: Report) -> None:
        """What ended the night is kept once the bench was made safe: a slow disk must not come before. A trip that a
        person's stop has overtaken is one all the same."""
        await self.doing.keeper.written()
        if self.watch.unheard is not None:
            self.end_by(self.watch.unheard)
        if self._ended_by is not None:
            run, why = self._ended_by
            rule = rule_of(why) or getattr(why, "rule", None)
            row = why.row if isinstance(why, UnitTrip) else {} if rule is None else {"rule": rule}
            await self._keep_trip(run, why, report, row)
            await self._end(run, "tripped")

    async def _cooled(self, state: UnitState, trip: UnitTrip, point: AnyPoint) -> None:
        """Made safe, cooled, powered again: the point is tried once more."""
        await self._made_safe(state, trip)
        waited_s = 0.0
        while waited_s < COOL_AT_MOST_S and await self._hottest_c(state) > COOL_C:
            await self.doing.clock.sleep(COOL_S)
            waited_s += COOL_S
        self.watch.resume()
        await self._power_up(state, point)
        if point.measurement != FIRST_POWER:
            self.doing.shooter.forget_settings()

    async def _hottest_c(self, state: UnitState) -> float:
        wired = list(state.run.bay.thermometer.values())
        return max((await self.doing.hands.thermometer.read(wired)).values()) if wired else 0.0

    async def _end(self, run: UnitRun, outcome: Any) -> None:
        await self.doing.keeper.end(run, outcome)
        self.doing.listener.run_ended(run, outcome, self.doing.keeper.now())

    async def _compare_reference(self) -> None:
        """The reference unit, measured first and last: has the bench stayed what it was?"""
        twice = [run for run in self.plan.runs if run.reference]
        if len(twice) < 2:
            return
        first, last = twice[0], twice[-1]
        if apart := differences(self._rows[first.id], self._rows[last.id]):
            await self.doing.keeper.suspect(f"reference unit {first.unit.serial}, first and last: " + "; ".join(apart))


def _remote(state: UnitState) -> Callable[[], Any] | None:
    """Switches the remote line off, where the bay has one."""
    wiring = state.wiring
    return (lambda: wiring.remote(False)) if wiring.has_remote else None
