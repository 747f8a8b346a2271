"""The points of one unit, measured: each group against the instruments, kept, and what it says of the unit believed."""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from sequencer.measurements import switching
from sequencer.measurements.output_power import Outcome, output_power
from sequencer.measurements.power_ends import gated
from sequencer.measurements.power_findings import burst_note, of_group, of_run
from sequencer.measurements.power_job import PowerJob
from sequencer.measurements.power_memory import remembered
from sequencer.measurements.power_rows import repeats, rows
from sequencer.measurements.recovery import Recovery, recovery
from sequencer.measurements.registry import DRIVEN, VALUE_MEASUREMENTS
from sequencer.measurements.requests import Connect, Fire, Reply, Request, SetSupply
from sequencer.measurements.tally import Tally, shared
from sequencer.measurements.temper import Tempered, temper
from sequencer.measurements.transferred import TRANSFER, corrections
from sequencer.measurements.values import Finding, ValueJob, Values
from sequencer.night.asking import nobody_there
from sequencer.night.cooling import LoadsTooWarm, heat_kept, loads_cooled
from sequencer.night.hand_worked import NotDoneByHand
from sequencer.night.readings import Readings
from sequencer.night.setup import NightPlan, power_job
from sequencer.night.talk import Talker, Told
from sequencer.night.trips import UnitTrip
from sequencer.night.unit_state import BenchWindows, UnitState
from sequencer.night.values import value_job, value_point, value_row
from sequencer.night.watch import Under, Watch
from sequencer.night.wiring import NotPowered
from sequencer.night.with_hands import WithHands
from sequencer.plan.points import AnyPoint, Point, ValuePoint
from sequencer.plan.watching import periods
from sequencer.plan.window import GAIN_HARMONICS
from sequencer.safety.rules import Breach, Rules, Seen

if TYPE_CHECKING:
    from sequencer.night.night import Doing

GOES_ON_UNPOWERED = "first_power"


class Measuring:
    """Measures the groups of one unit in order."""

    def __init__(self, plan: NightPlan, doing: Doing, state: UnitState, watch: Watch) -> None:
        self._plan, self._doing, self._state, self._watch = plan, doing, state, watch
        self._rules: Rules | None = None
        self._point: AnyPoint | None = None
        self._is_tested = False
        self._supply_told_v: float | None = None
        self._tally = Tally(state.run.unit, plan.bench)
        self._readings = Readings(doing.hands, doing.clock, state, self._breached)
        self._hands = WithHands(state, self._aside, somebody_there=doing.asking is not nobody_there)

    async def group(self, group: tuple[AnyPoint, ...]) -> None:
        """Raises UnitTrip once its rows are kept, if it is not tried again; Trip, InstrumentError, OverloadRemains."""
        self._point = group[0]
        searched = tuple(point for point in group if isinstance(point, Point))
        if searched:
            await self._search(searched)
        for point in group:
            if isinstance(point, ValuePoint):
                await self._values(point)

    def under(self) -> Under:
        """What the watch needs of this unit."""
        unit, bench, wiring = self._state.run.unit, self._plan.bench, self._state.wiring
        tend = wiring.barriers.tend if wiring.barriers.are_there else None
        return Under(wiring, periods(unit, bench), self._readings.look, self._judged, tend)

    def _judged(self, seen: Seen) -> UnitTrip | None:
        """Between two points the rules of the one before still hold."""
        if self._rules is None:
            return None
        self._tell_supply(self._rules)
        breach = self._rules.watch(seen)
        return None if breach is None else self._breached(breach)

    async def close(self) -> None:
        """What only all rows together say."""
        await self._tell(of_run(self._state.context()))

    async def _tell(self, found: Sequence[tuple[str | None, Finding]]) -> None:
        """Each kind once for a channel: what stands on the sheet twice is not twice as true."""
        fresh = [one for one in found if (one[1].kind, one[1].channel) not in self._state.told]
        self._state.told |= {(one.kind, one.channel) for _, one in fresh}
        await self._doing.keeper.findings(self._state.run, fresh)

    # --- single values

    async def _values(self, point: ValuePoint) -> None:
        state = self._state
        if (why := state.why_not(point, driven=point.measurement in DRIVEN)) is not None:
            await self._keep_values(point, Values(reason=why[0]), {})
            return
        try:
            found, seen = await self._valued(point)
        except LoadsTooWarm as warm:
            await self._keep_values(point, Values(reason=str(warm)), {})
            return
        except UnitTrip as trip:
            await self._not_the_switch(trip)
            if state.is_last_try(point):
                await self._keep_values(point, Values(trip=str(trip)), {})
            raise
        state.believe(found)
        if not found.trip or state.is_last_try(point):
            await self._keep_values(point, found, seen)
        if found.trip:
            raise UnitTrip(found.trip, {"point": point.id, "rule": found.trip_rule}, point.after_trip)

    async def once_more(self, point: ValuePoint) -> Values:
        """A point whose row another process has kept: what it finds holds, no second row is kept. Raises UnitTrip."""
        state, self._point = self._state, point
        if (why := state.why_not(point, driven=point.measurement in DRIVEN)) is not None:
            return Values(reason=why[0])
        found, _ = await self._valued(point, keeps=False)
        self._tally.take()  # no row counts it
        state.believe(found)
        await self._tell([(point.id, one) for one in found.findings])
        if found.trip:
            raise UnitTrip(found.trip, {"point": point.id, "rule": found.trip_rule}, point.after_trip)
        return found

    async def _valued(self, point: ValuePoint, *, keeps: bool = True) -> tuple[Values, dict[str, Any]]:
        """What was found, and the heat sinks before and after it."""
        state = self._state
        if (undone := await self._ready(point)) is not None:
            return Values(reason=undone), {}
        if (cold := await self._tempered(point)) is not None:
            return Values(reason=cold), {}
        start_c = await self._readings.temperatures()
        tones, meter = self._doing.hands.generator.plays_two_tones, self._doing.hands.meter
        ohms = meter is not None and meter.reads_ohms
        context = replace(state.context(point), two_tones=tones, meter_reads_ohms=ohms)
        job = value_job(self._plan, state.run, point, context)
        measure, talker = VALUE_MEASUREMENTS[point.measurement], self._talker(GAIN_HARMONICS)
        try:
            found: Values = await self._measure(talker, measure(job), self._told(point, keeps=keeps))
        except NotDoneByHand as undone_meanwhile:
            await state.wiring.left_off()
            return Values(reason=str(undone_meanwhile)), {}
        if state.wiring.supply_v is not None:
            sound = not (found.no_drive or found.no_power or found.trip)
            await self._hands.still_there(point, may_drive=sound)
        end_c = await self._readings.temperatures()
        return found, {"start_heatsink_c": dict(start_c), "heatsink_c": dict(end_c)} | self._hands.proof(point)

    async def _keep_values(self, point: ValuePoint, found: Values, extra: Mapping[str, Any]) -> None:
        row = value_row(point, found) | dict(extra) | self._tally.take() | {"resumed": self._state.is_resumed}
        await self._tell([(point.id, one) for one in found.findings])
        self._state.rows.append(row)
        await self._doing.keeper.values(self._state.run, point, row, found)

    # --- searches

    async def _search(self, group: tuple[Point, ...]) -> None:
        state, point = self._state, group[0]
        job = power_job(self._plan, state.run, group, state.rows)
        if (why := state.why_not(point, driven=True)) is not None:
            await self._keep(group, Outcome(job, None, reason=why[0]), {"stopped_by": why[1]})
            return
        try:
            outcome, seen = await self._searched(job, point)
        except LoadsTooWarm as warm:
            await self._keep(group, Outcome(job, None, reason=str(warm)), {})
            return
        except UnitTrip as trip:
            await self._not_the_switch(trip)
            if state.is_last_try(point):
                await self._keep(group, Outcome(job, None, reason=str(trip)), {"outcome": "tripped"})
            raise
        await self._keep(group, outcome, seen)
        await self._recovered(group, outcome)

    async def _searched(self, job: PowerJob, point: Point) -> tuple[Outcome, dict[str, Any]]:
        """How it came about, and the heat sinks before and after it."""
        state = self._state
        if (undone := await self._ready(point)) is not None:
            return Outcome(job, None, reason=undone), {}
        if (cold := await self._tempered(point)) is not None:
            return Outcome(job, None, reason=cold), {}
        start_c = await self._readings.temperatures()
        key = (point.frequency_hz, point.load, point.channels, point.supply_v)
        talker = self._talker(point.harmonics, self._readings.between_shots)
        search = output_power(job, state.proofs.get(key), tuple(state.learned))
        outcome: Outcome = await self._measure(talker, search, self._told(point))
        if outcome.proof is not None:
            state.proofs[key] = outcome.proof
        if outcome.learned is not None:
            state.learned.append(outcome.learned)
        await self._hands.still_there(point)
        end_c = await self._readings.temperatures()
        return outcome, {"start_heatsink_c": dict(start_c), "heatsink_c": dict(end_c)} | self._hands.proof(point)

    async def _keep(self, group: Sequence[Point], outcome: Outcome, extra: Mapping[str, Any]) -> None:
        state, keeper = self._state, self._doing.keeper
        context = state.context()
        energies = shared(self._tally.take(), len(group), group[0].id)
        measured = zip(rows(outcome, tuple(state.repeats)), energies, strict=True)
        found = [row | dict(extra) | energy for row, energy in measured]
        also = remembered(outcome) | {"resumed": state.is_resumed}
        found = [row | also | {"burst_note": burst_note(context, row, [*context.earlier, *found])} for row in found]
        if outcome.found:  # before the rows: a death between would lose what only the outcome shows
            await self._tell(of_group(context, found, outcome))
        for point, row in zip(group, found, strict=True):
            state.repeats += repeats(row)
            state.rows.append(row)
            await keeper.point(state.run, point, row, outcome)

    async def _recovered(self, group: Sequence[Point], outcome: Outcome) -> None:
        """After the protection cut in: no further point of that load, and the outputs back before anything else."""
        state, point = self._state, group[0]
        hit = [row for row in state.rows[-len(group) :] if row.get("stopped_by") == "protection"]
        if not hit or gated(outcome):
            return
        state.protected[point.load] = str(hit[0]["id"])
        job = value_job(self._plan, state.run, value_point(point, "recovery"), state.context())
        try:
            back: Recovery = await self._measure(self._talker(GAIN_HARMONICS), recovery(job), self._told(job.point))
        except LoadsTooWarm as warm:  # whether the outputs came back is not known, and nothing may be driven meanwhile
            raise self._trip(str(warm), {"rule": "load temperature"}) from warm
        if back.returned_s is None:
            sentence = "the unit's protection cut in and the outputs did not come back"
            row = {"point": point.id, "rule": "output gone", "quantity": "output"}
            raise UnitTrip(sentence, row, point.after_trip)

    # --- what both need

    async def _aside(self, point: AnyPoint, talk: Callable[[ValueJob], Generator[Request, Reply, Any]]) -> Any:
        """What belongs to no measurement of the plan, at that point's load, channels and supply."""
        job = value_job(self._plan, self._state.run, value_point(point, "by_hand"), self._state.context())
        return await self._measure(self._talker(GAIN_HARMONICS), talk(job), self._told(job.point))

    async def _ready(self, point: AnyPoint) -> str | None:
        """Connected and powered; why the point is not measured, where a person did not do what that takes."""
        if (undone := await self._hands.before(point)) is not None:
            return undone
        wiring = self._state.wiring
        compares = point.measurement == TRANSFER  # then volts are wanted as the digitiser shows them
        self._doing.shooter.corrections = {} if compares else corrections(self._state.rows)
        await wiring.meter_on(None)
        await wiring.inputs(None)
        await wiring.connect(point.load, point.channels)
        self._tally.begin(point.load, point.channels, point.supply_v)
        if point.measurement != GOES_ON_UNPOWERED:
            try:
                await wiring.supply_to(point.supply_v)
            except NotPowered as why:
                raise self._trip(str(why), {"rule": why.rule}) from why
            except NotDoneByHand as not_done:
                await wiring.left_off()
                return str(not_done)
        if self._state.is_left_off:
            self._state.is_left_off = False
            await self._aside(point, switching.on)
        return await self._hands.loads_proved(point)

    async def _tempered(self, point: AnyPoint) -> str | None:
        """Why the thermal state that the plan asks for was not reached; None where it was."""
        if point.thermal == "any":
            return None
        state = self._state
        job = value_job(self._plan, state.run, value_point(point, "temper"), state.context())
        warming = temper(job, point.thermal)
        done: Tempered = await self._measure(self._talker(GAIN_HARMONICS), warming, self._told(job.point))
        return None if done.reached else done.reason or f"the heat sinks were not brought to {point.thermal}"

    async def _measure(self, talker: Talker, talk: Generator[Request, Reply, Any], told: Told) -> Any:
        """What the watch finds meanwhile ends it by its own name."""
        async with self._watch.attended():
            await self._trip_test()
            return await talker.measure(talk, told)

    async def _trip_test(self) -> None:
        """Once for a unit, as soon as it is powered: limits lowered below what is read now must trip. Raises
        UnitTrip where one does not: nothing is driven past a rule that does not act."""
        if self._is_tested or self._rules is None or self._state.wiring.supply_v is None:
            return
        self._is_tested = True
        failed = self._rules.self_test(await self._readings.read())
        self._doing.listener.said(f"trip test: {failed or 'limits lowered below the present reading trip'}")
        if failed is not None:
            raise self._trip(failed, {"rule": "trip test"})

    def _talker(self, harmonics: int, read_bench: Callable[[], Any] | None = None) -> Talker:
        doing, state = self._doing, self._state
        windows = BenchWindows(self._plan.bench, harmonics)
        read, asking = read_bench or self._readings.read, doing.asking
        say = doing.listener.said
        return Talker(doing.shooter, doing.clock, doing.thinking, windows, read, state.wiring, asking, say, self._cool)

    async def _cool(self, request: Fire) -> None:
        doing = self._doing
        await loads_cooled(self._rules, request, doing.clock, doing.listener.said)
        await heat_kept(self._rules, request, doing.clock, doing.keeper.load_heat)

    def _told(self, point: AnyPoint, *, keeps: bool = True) -> Told:
        """Every reply goes past the rules of safety, and to whoever listens. Raises UnitTrip on a breach."""
        state, listener = self._state, self._doing.listener
        unit, bench, bay = state.run.unit, state.bench, state.run.bay
        before, name = self._rules, point.measurement
        rules = self._rules = Rules(unit, bench, bay, name, state.loads) if before is None else before.next(name)
        rules.hear(Connect(point.load, point.channels), None)
        self._tell_supply(rules)
        keep = self._doing.keeper.talk(state.run, point) if keeps else None

        def told(request: Request, reply: Reply) -> None:
            state.note_drive(request, reply)
            self._tally.hear(request, reply)
            listener.heard(state.run, request, reply)
            if keep:
                keep(request, reply)
            breach = rules.hear(request, reply)
            if breach is not None:
                raise UnitTrip(breach.sentence, _trip_row(breach, point), point.after_trip)

        return told

    def _tell_supply(self, rules: Rules) -> None:
        """The rules hold what is read against what the night itself has set, which a measurement never asked for."""
        wiring = self._state.wiring
        if wiring.supply_v != self._supply_told_v:
            self._supply_told_v = wiring.supply_v
            rules.hear(SetSupply(wiring.supply_v or 0.0, wiring.most_a, wiring.supply_v is not None), None)

    async def _not_the_switch(self, trip: UnitTrip) -> None:
        """Before a unit is blamed for an output that is gone: does the load switch still hold? Raises Trip."""
        if trip.row.get("rule") == "output gone":
            await self._state.wiring.still_closed()

    def _breached(self, breach: Breach) -> UnitTrip:
        return self._trip(breach.sentence, breach.row())

    def _trip(self, sentence: str, row: Mapping[str, Any]) -> UnitTrip:
        """Of the point that is measured now."""
        told = {"point": point.id} if (point := self._point) else {}
        return UnitTrip(sentence, dict(row) | told, point.after_trip if point else "next unit")


def _trip_row(breach: Breach, point: AnyPoint) -> dict[str, Any]:
    return {"point": point.id} | breach.row()
