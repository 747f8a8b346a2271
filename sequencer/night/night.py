"""One night: each unit in its bay, each group of points, each kept in the ledger before the next begins.

Whatever happens, the bench is made safe by whoever called `work`; this module energises, it does not supervise.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, field
from typing import Any

from drivers.errors import InstrumentError
from drivers.timing import Clock
from sequencer.measurements.energy import load_j, unit_j
from sequencer.measurements.output_power import Outcome, OverloadRemains, output_power
from sequencer.measurements.power_job import GainProof
from sequencer.measurements.power_rows import repeats, rows
from sequencer.measurements.predict import Learned
from sequencer.measurements.registry import DRIVEN, VALUE_MEASUREMENTS
from sequencer.measurements.requests import BenchReading, Reply, Request
from sequencer.measurements.values import Values
from sequencer.night.hands import Hands
from sequencer.night.keeping import Keeper
from sequencer.night.setup import NightPlan, UnitRun, groups, power_job
from sequencer.night.shot import Shooter
from sequencer.night.talk import Talker
from sequencer.night.values import value_job, value_row
from sequencer.plan.models import Bay, Load
from sequencer.plan.points import AnyPoint, Point, ValuePoint
from sequencer.plan.window import GAIN_HARMONICS, ShotWindow, shot_window, silence_window

SUPPLY_WITHIN_PCT = 2.0
INRUSH_S = 0.5


class Trip(Exception):
    """A trip limit was passed or an instrument failed: made safe, recorded, needs a person."""


class UnitTrip(Trip):
    """The unit itself passed a trip limit."""


@dataclass(frozen=True)
class Doing:
    """What the night works with: instruments, clock, the ledger's keeper, the analysis thread."""

    hands: Hands
    clock: Clock
    keeper: Keeper
    thinking: Executor
    shooter: Shooter
    say: Callable[[str], None]


@dataclass
class UnitState:
    """What is known of the unit now under test."""

    run: UnitRun
    connected: tuple[str, ...] = ()  # contacts of the load now on
    supply_v: float | None = None
    learned: list[Learned] = field(default_factory=list)
    proofs: dict[tuple[Any, ...], GainProof] = field(default_factory=dict)
    repeats: list[list[float]] = field(default_factory=list)
    no_drive: str | None = None  # why it gets no signal any more


class Night:
    """Runs every unit of a NightPlan, in order."""

    def __init__(self, plan: NightPlan, doing: Doing) -> None:
        self.plan, self.doing = plan, doing
        self.current: UnitState | None = None

    async def work(self) -> None:
        """Raises Trip, InstrumentError, or whatever ended it; what was measured by then is in the ledger."""
        await self._prepare()
        for run in self.plan.runs:
            await self._unit(run)
        self.current = None

    async def _prepare(self) -> None:
        hands = self.doing.hands
        await hands.generator.prepare()
        await hands.supply.prepare()
        await hands.load_switch.prepare()
        await hands.load_switch.open_all()
        await hands.digitiser.prepare()
        await hands.thermometer.prepare()
        self.doing.shooter.forget_settings()

    async def _unit(self, run: UnitRun) -> None:
        state = self.current = UnitState(run)
        keeper = self.doing.keeper
        await keeper.begin(self.plan, run)
        self.doing.say(f"unit {run.unit.serial} in bay {run.bay.name}: {len(run.points)} points")
        try:
            await self._power_up(state)
            for group in groups(run.points):
                await self._any(state, group)
            await self._power_down(run)
        except (InstrumentError, Trip, OverloadRemains) as error:
            await keeper.trip(run, str(error), type(error).__name__)
            await keeper.end(run, "tripped")
            raise
        await keeper.end(run, "finished")

    async def _power_up(self, state: UnitState) -> None:
        hands, run = self.doing.hands, state.run
        await hands.load_switch.close(_bay_contacts(run.bay))
        await self._connect(state, run.points[0])
        await self._supply_to(state, run.points[0].supply_v)
        await hands.generator.output(True)
        await self.doing.clock.sleep(run.unit.mute_s)

    async def _supply_to(self, state: UnitState, volts: float) -> None:
        if state.supply_v == volts:
            return
        hands, unit, ceiling = self.doing.hands, state.run.unit, self.plan.bench.ceiling
        await hands.supply.set(volts, min(unit.supply_a_max, ceiling.supply_a))
        if state.supply_v is None:
            await hands.supply.output(True)
        await self.doing.clock.sleep(INRUSH_S)
        await hands.supply.status()  # reading it clears what the inrush latched
        reading, status = await hands.supply.read(), await hands.supply.status()
        if status.tripped:
            raise Trip(f"supply tripped ({status.tripped.replace('_', ' ')}) when the unit was powered")
        if status.in_current_limit or abs(reading.volts - volts) > SUPPLY_WITHIN_PCT / 100.0 * volts:
            raise Trip(f"supply shows {reading.volts:.2f} V, {reading.amps:.2f} A where {volts:g} V is set")
        state.supply_v = volts

    async def _connect(self, state: UnitState, point: AnyPoint) -> None:
        """Loads on the driven channels only; contacts change in silence: bursts are over, the next is not armed."""
        wanted = _load_contacts(self.plan.bench.load[point.load], point.channels)
        if state.connected == wanted:
            return
        switch = self.doing.hands.load_switch
        if state.connected:
            await switch.open(state.connected)
        await switch.close(wanted)
        state.connected = wanted

    async def _still_connected(self, state: UnitState) -> None:
        """The coils still hold: a switch that restarted unseen has opened everything, and the records are of no load.

        A link that broke meanwhile is made anew first: its loss alone moves no contact.
        """
        switch = self.doing.hands.load_switch
        held = [*_bay_contacts(state.run.bay), *state.connected]
        try:
            coils = await switch.states(held)
        except InstrumentError:
            await switch.prepare()
            coils = await switch.states(held)
        if open_ones := [name for name in held if not coils[name]]:
            raise Trip(f"load_switch: {', '.join(open_ones)} opened while a point was measured: it is not kept")

    async def _power_down(self, run: UnitRun) -> None:
        report = await self.doing.keeper.make_safe("normal", run.unit.bleed_s)
        if not report.confirmed:
            raise Trip("could not confirm the bench safe after the unit: " + "; ".join(report.lines))

    async def _any(self, state: UnitState, group: tuple[AnyPoint, ...]) -> None:
        searched = tuple(point for point in group if isinstance(point, Point))
        if searched:
            await self._group(state, searched)
        for point in group:
            if isinstance(point, ValuePoint):
                await self._values(state, point)

    async def _values(self, state: UnitState, point: ValuePoint) -> None:
        """Nothing is searched; what is found here may say that the unit must not be driven, or must be made safe."""
        if state.no_drive and point.measurement in DRIVEN:
            await self.doing.keeper.values(state.run, point, value_row(point, Values(reason=state.no_drive)), Values())
            return
        await self._connect(state, point)
        await self._supply_to(state, point.supply_v)
        start_c = await self._temperatures(state)
        measure = VALUE_MEASUREMENTS[point.measurement]
        talker = self._talker(state, GAIN_HARMONICS)
        found: Values = await talker.measure(measure(value_job(self.plan, state.run, point)), _nothing_told)
        await self._still_connected(state)
        end_c = await self._temperatures(state)
        row = value_row(point, found) | {"start_heatsink_c": dict(start_c), "heatsink_c": dict(end_c)}
        state.no_drive = state.no_drive or found.no_drive
        await self.doing.keeper.values(state.run, point, row, found)
        if found.trip:
            raise UnitTrip(found.trip)

    async def _group(self, state: UnitState, group: tuple[Point, ...]) -> None:
        point = group[0]
        if state.no_drive:
            undriven = Outcome(power_job(self.plan, state.run, group), None, reason=state.no_drive)
            for point, row in zip(group, rows(undriven), strict=True):
                await self.doing.keeper.point(state.run, point, row, undriven)
            return
        await self._connect(state, point)
        await self._supply_to(state, point.supply_v)
        start_c = await self._temperatures(state)
        job = power_job(self.plan, state.run, group)
        key = (point.frequency_hz, point.load, point.channels, point.supply_v)
        talker = self._talker(state, point.harmonics)
        outcome: Outcome = await talker.measure(
            output_power(job, state.proofs.get(key), tuple(state.learned)), _nothing_told
        )
        if outcome.proof is not None:
            state.proofs[key] = outcome.proof
        if outcome.learned is not None:
            state.learned.append(outcome.learned)
        await self._still_connected(state)
        end_c = await self._temperatures(state)
        extra = {
            "start_heatsink_c": dict(start_c),
            "heatsink_c": dict(end_c),
            "energy_load_j": sum(load_j(job, j) for j in outcome.judged),
            "energy_unit_j": sum(unit_j(job, j) for j in outcome.judged),
            "energy_note": "load from the records; unit by the class B law, idle left out",
        }
        for point, row in zip(group, rows(outcome, tuple(state.repeats)), strict=True):
            state.repeats += repeats(row)
            await self.doing.keeper.point(state.run, point, row | extra, outcome)

    def _talker(self, state: UnitState, harmonics: int) -> Talker:
        bench, doing = self.plan.bench, self.doing

        def window(frequency_hz: float, cycles: int) -> ShotWindow:
            return shot_window(bench, frequency_hz, cycles, harmonics)

        def silence(seconds: float) -> ShotWindow:
            return silence_window(bench, seconds)

        return Talker(doing.shooter, doing.clock, doing.thinking, window, self._read_bench(state), silence)

    async def _temperatures(self, state: UnitState) -> Mapping[str, float]:
        own = state.run.unit.channel_names()  # a bay may have more thermometers than the unit has channels
        wired = {channel: name for channel, name in state.run.bay.thermometer.items() if channel in own}
        if not wired:
            return {}
        seen = await self.doing.hands.thermometer.read(list(wired.values()))
        limit = state.run.unit.heat.trip_c
        temps = {channel: seen[name] for channel, name in wired.items()}
        hot = {channel: c for channel, c in temps.items() if c >= limit}
        if hot:
            raise Trip(f"heat sink at {max(hot.values()):.1f} degC (trip limit {limit:g})")
        return temps

    def _read_bench(self, state: UnitState) -> Callable[[], Any]:
        async def read() -> BenchReading:
            reading, status = await self.doing.hands.supply.read(), await self.doing.hands.supply.status()
            temps = await self._temperatures(state)
            now_ns = self.doing.clock.now_ns()
            return BenchReading(reading.volts, reading.amps, status.in_current_limit, status.tripped, temps, now_ns)

        return read


def _bay_contacts(bay: Bay) -> list[str]:
    single = [c for c in (bay.supply_contact, bay.input_contact, bay.remote_contact) if c]
    return [*single, *bay.output_contacts]


def _load_contacts(load: Load, channels: tuple[str, ...]) -> tuple[str, ...]:
    """The contacts that put a load on these channels, each once."""
    return tuple(dict.fromkeys(c for name in channels for c in load.contacts_of(name)))


def _nothing_told(request: Request, reply: Reply) -> None:
    """The live view will listen here."""
