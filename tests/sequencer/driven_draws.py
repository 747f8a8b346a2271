"""One drawn plan on one drawn unit, driven as a night drives it: the real measurements, wiring, roles and rules, on
instruments that are their programming pages and a unit that answers by formula.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Generator
from dataclasses import dataclass, field, replace
from functools import cache
from random import Random
from typing import Any

import numpy as np

from drivers.dialect import load_dialect
from drivers.roles.generator import Generator as GeneratorRole
from drivers.roles.generator import GeneratorCeilings
from drivers.roles.load_switch import LoadSwitch
from drivers.roles.supply import Supply, SupplyCeilings
from sequencer.analysis.records import Record
from sequencer.measurements.output_power import output_power
from sequencer.measurements.power_rows import rows
from sequencer.measurements.registry import DRIVEN, VALUE_MEASUREMENTS
from sequencer.measurements.requests import (
    Answer,
    Answered,
    Ask,
    BenchReading,
    Connect,
    Fire,
    Inputs,
    Metered,
    MeterOn,
    Outputs,
    Quiet,
    ReadBench,
    Remote,
    Reply,
    Request,
    Rest,
    SetSupply,
    Shot,
)  # fmt: skip
from sequencer.measurements.temper import temper
from sequencer.night.hands import Hands
from sequencer.night.setup import NightPlan, UnitRun, groups, power_job
from sequencer.night.unit_state import UnitState
from sequencer.night.values import value_job, value_point, value_row
from sequencer.night.wiring import OVER_VOLTAGE_FACTOR, Wiring
from sequencer.plan.expand import expand
from sequencer.plan.points import AnyPoint, Point, ValuePoint
from sequencer.roles import FREQUENCY_HZ
from sequencer.safety.rules import Rules
from tests.drivers.scripted import CountedClock
from tests.sequencer.manual_pages import GeneratorPage, Most, PageSpeaker, SupplyPage, SwitchPage
from tests.sequencer.random_benches import Drawn

PER_CYCLE, BITS = 64, 12


class Ended(Exception):
    """A rule of safety ended the unit."""


@dataclass
class Driven:
    """How one draw went. asked: every burst that a measurement asked for, with the point it was for, and
    whether a load was connected."""

    drawn: Drawn
    asked: list[tuple[AnyPoint, Fire, bool]] = field(default_factory=list)
    beyond: list[str] = field(default_factory=list)
    ends: Counter[str] = field(default_factory=Counter)


@dataclass
class Bench:
    """The bench of one draw: roles, pages, and a unit that answers by formula."""

    drawn: Drawn
    clock: CountedClock = field(default_factory=CountedClock)

    def __post_init__(self) -> None:
        bench, unit, rng = self.drawn.bench, self.drawn.unit, Random(self.drawn.number)
        ceiling = bench.ceiling
        self.most = Most(
            level_vrms=min(ceiling.generator_vrms, unit.input_max_vrms),
            burst_s=ceiling.burst_s,
            volts=min(ceiling.supply_v, unit.supply_v.max),
            amps=min(ceiling.supply_a, unit.supply_a_max),
            trip_v=1.1 * ceiling.supply_v,
        )
        self.generator, self.switch = GeneratorPage(self.most), SwitchPage(self.most)
        self.supply = SupplyPage(self.most, letter=self.drawn.supply, drawn_a=1.0)
        self.generator.left_over(rng)
        self.supply.left_over(rng)
        self.hands = self._hands()
        self.rng = np.random.default_rng(self.drawn.number)
        self.number = 0

    def _hands(self) -> Hands:
        """As the night builds them, on speakers that keep the pages."""
        ceiling, supply = self.drawn.bench.ceiling, f"supply-{self.drawn.supply}"
        nothing: Any = None
        return Hands(
            generator=GeneratorRole(
                PageSpeaker("generator", self.generator, self.clock),
                _dialect("generator-a", "generator"),
                GeneratorCeilings(ceiling.generator_vrms, ceiling.burst_s, FREQUENCY_HZ),
            ),
            supply=Supply(
                PageSpeaker("supply", self.supply, self.clock),
                _dialect(supply, "supply"),
                SupplyCeilings(ceiling.supply_v, ceiling.supply_a, OVER_VOLTAGE_FACTOR * ceiling.supply_v),
            ),
            load_switch=LoadSwitch(
                PageSpeaker("load_switch", self.switch, self.clock), _dialect("load-switch-a", "load_switch")
            ),
            digitiser=nothing,
            thermometer=nothing,
        )

    # --- what a measurement is answered

    async def serve(self, request: Request, wiring: Wiring) -> Reply:
        match request:
            case Fire():
                return await self._fire(request)
            case Quiet(seconds=seconds, full_scale_v=scale):
                least = self.hands.generator.smallest_vrms
                return await self._fire(Fire(least, 1000.0, 1, scale, "quiet", after_s=seconds + 0.01))
            case ReadBench():
                return self._reading()
            case Rest(seconds=seconds):
                await self.clock.sleep(seconds)
            case SetSupply(volts=volts, limit_a=limit_a, on=on):
                await wiring.set_supply(volts, limit_a, on)
            case Remote(on=on):
                await wiring.remote(on)
            case Connect(load=load, channels=channels):
                await wiring.connect(load, channels)
            case Ask(choices=choices):
                return Answer(choices[0], by_a_person=True)  # all that a person who is there lets it do
            case Answered():
                return Answer("done", by_a_person=True)
            case Inputs(channels=driven):
                await wiring.inputs(driven)
            case MeterOn(channel=channel):
                await wiring.meter_on(channel)
            case Outputs(closed=closed):
                await wiring.outputs(closed)
        return None

    def _reading(self) -> BenchReading:
        volts, amps = self.supply.shown_v, self.supply.shown_a
        warm_c = 25.0 + 40.0 * (1.0 - math.exp(-self.clock.now_ns() / 600e9))
        warm = dict.fromkeys(self.drawn.unit.channel_names(), warm_c)
        return BenchReading(volts, amps, False, None, warm, self.clock.now_ns())

    async def _fire(self, fire: Fire) -> Shot:
        pair = fire.second and (fire.second.frequency_hz, fire.second.ratio)
        burst = await self.hands.generator.set_burst(fire.level_vrms, fire.frequency_hz, fire.cycles, pair)
        at_ns = self.clock.now_ns()
        await self.hands.generator.fire()
        self.number += 1
        await self.clock.sleep(fire.cycles / fire.frequency_hz)
        records = {name: self._record(name, fire, scale) for name, scale in fire.full_scale_v.items()}
        volts, amps = self.supply.shown_v, self.supply.shown_a
        metered = None if fire.meter_vrms is None else self._metered(fire)
        return Shot(self.number, fire, burst.level_vrms, records, at_ns, False, None, volts, amps, metered)

    def _metered(self, fire: Fire) -> Metered | None:
        """What is really at the output that the meter's contacts are closed for."""
        meter = self.drawn.bench.meter
        assert meter is not None
        on = [name for name, contacts in meter.close.items() if self.switch.closed.issuperset(contacts)]
        assert len(on) == 1, f"the meter hangs on {on}"
        crest = min(math.sqrt(2.0) * fire.level_vrms * self.gain_of(on[0]), self.clip_v)
        return Metered(crest / math.sqrt(2.0), 10.0) if self.supply.output and not self.drawn.world.dead else None

    def _record(self, name: str, fire: Fire, scale: float) -> Record:
        """The unit's output times what the digitiser makes of it, with noise, in steps."""
        dt = 1.0 / (PER_CYCLE * max(fire.frequency_hz, 400.0 if fire.purpose != "quiet" else 0.0))
        length_s, begin_s = fire.cycles / fire.frequency_hz, -max(fire.before_s, 0.1 / fire.frequency_hz)
        end_s = length_s + max(fire.after_s, 0.1 / fire.frequency_hz)
        if fire.last_s is not None:
            begin_s, end_s = (length_s - fire.last_s) * (1.0 - 2e-4), length_s * (1.0 - 2e-4)
        times = begin_s + dt * (np.arange(math.floor((end_s - begin_s) / dt)) + 0.3)
        wire = self.drawn.bench.wiring[name]
        volts = self._seen(wire, fire, times)
        one = self.drawn.bench.input.get(name)
        reaches = sorted(r.full_scale_v * (one.factor if one else 1.0) for r in self.drawn.bench.range)
        full = next((reach for reach in reaches if reach >= scale * 0.999), reaches[-1])
        step, top = 2.0 * full / 2**BITS, 2 ** (BITS - 1)
        codes = np.round(volts / step + self.rng.normal(0.0, 0.4, volts.size))
        over = bool((codes >= top - 1).any() or (codes <= -top).any())
        kept = np.clip(codes, -top, top - 1).astype(np.int32)
        return Record(kept * step, dt, float(times[0]), step, full, over, BITS, kept, step, 0.0)

    def _seen(self, wire: str, fire: Fire, times: Any) -> Any:
        world = self.drawn.world
        if wire == "rail":
            return np.full_like(times, self.supply.shown_v)
        if not wire.startswith("output") or world.dead or not self.supply.output:
            return np.zeros_like(times)
        inside = (times >= 0.0) & (times < fire.cycles / fire.frequency_hz)
        crest = math.sqrt(2.0) * fire.level_vrms * self.gain_of(wire[-1])
        clip = self.clip_v * self.supply.shown_v / 24.0
        wave = np.clip(crest * _sines(fire, times), -clip, clip)
        lie_db = world.twin_off_db if fire.purpose == "twin" else 0.0
        lie_db += world.nonsense_db * float(self.rng.uniform(-1.0, 1.0))
        return np.where(inside, wave, 0.0) * world.seen * 10.0 ** (lie_db / 20.0)

    def declared_db(self, channel: str) -> float:
        own = next(c.gain_db for c in self.drawn.unit.channel if c.name == channel)
        return self.drawn.unit.gain_db if own is None else own

    def gain_of(self, channel: str) -> float:
        return float(10.0 ** ((self.declared_db(channel) + self.drawn.world.gain_off_db) / 20.0))

    @property
    def clip_v(self) -> float:
        rating = self.drawn.unit.rating[0]
        return float(math.sqrt(2.0 * rating.power_w * rating.load_ohm) * 10.0 ** (self.drawn.world.clip_db / 20.0))


@cache
def _dialect(name: str, role: Any) -> Any:
    return load_dialect(name, role)


# --- one draw, driven as a night drives it


@dataclass
class Course:
    """One unit of one draw: what the night does with it, group by group."""

    bench: Bench
    found: Driven

    def __post_init__(self) -> None:
        drawn = self.bench.drawn
        run = UnitRun("r0", drawn.unit, drawn.bench.bay[0], expand(drawn.plan, drawn.unit, drawn.bench))
        self.plan = NightPlan(drawn.plan, drawn.bench, (run,), 1, "", "", "", {})
        self.run = run
        self.wiring = Wiring(self.bench.hands, self.bench.clock, drawn.bench, drawn.unit, run.bay)
        self.state = UnitState(run, drawn.bench, self.wiring)
        self.rules: Rules | None = None

    async def go(self) -> None:
        hands, first = self.bench.hands, self.run.points[0]
        await hands.generator.prepare()
        await hands.supply.prepare()
        await hands.load_switch.prepare()
        await self.wiring.close_bay()
        await self.wiring.connect(first.load, first.channels)
        if first.measurement != "first_power":
            await self.wiring.supply_to(first.supply_v)
            await self.wiring.remote(True)
        await hands.generator.output(True)
        for group in groups(self.run.points):
            if self.state.why_not(group[0], driven=group[0].measurement in DRIVEN) is not None:
                self.found.ends["not driven any more"] += 1
                continue
            await self._group(group)
        await hands.generator.make_safe()
        await hands.supply.make_safe()

    async def _group(self, group: tuple[AnyPoint, ...]) -> None:
        point = group[0]
        await self.wiring.connect(point.load, point.channels)
        if point.measurement != "first_power":
            await self.wiring.supply_to(point.supply_v)
        if point.thermal != "any":
            warming = value_job(self.plan, self.run, value_point(point, "temper"), self.state.context())
            done = await self._measure(point, temper(warming, point.thermal))
            self.found.ends[f"{point.thermal}: {'reached' if done.reached else 'not reached'}"] += 1
            if not done.reached:
                return
        if isinstance(point, ValuePoint):
            context = replace(self.state.context(), two_tones=self.bench.hands.generator.plays_two_tones)
            job = value_job(self.plan, self.run, point, context)
            values = await self._measure(point, VALUE_MEASUREMENTS[point.measurement](job))
            self.state.believe(values)
            self.state.rows.append(value_row(point, values))
            self.found.ends[f"{point.measurement}: {'measured' if not values.reason else 'not measured'}"] += 1
            return
        searched = tuple(p for p in group if isinstance(p, Point))
        power = power_job(self.plan, self.run, searched)
        key = (searched[0].frequency_hz, point.load, point.channels, point.supply_v)
        proof, learned = self.state.proofs.get(key), tuple(self.state.learned)
        outcome = await self._measure(point, output_power(power, proof, learned))
        self.state.proofs |= {key: outcome.proof} if outcome.proof else {}
        self.state.learned += [outcome.learned] if outcome.learned else []
        made = rows(outcome)
        self.state.rows += made
        for row in made:
            self.found.ends[f"output_power: {row['stopped_by'] or 'not measured'}"] += 1

    def _has_load(self) -> bool:
        """By the contacts that are closed."""
        closed = self.bench.switch.closed
        return any(closed & set(load.contacts()) for load in self.bench.drawn.bench.load.values())

    async def _measure(self, point: AnyPoint, talk: Generator[Request, Reply, Any]) -> Any:
        drawn, before = self.bench.drawn, self.rules
        fresh = Rules(drawn.unit, drawn.bench, self.run.bay, point.measurement)
        rules = self.rules = fresh if before is None else before.next(point.measurement)
        rules.hear(Connect(point.load, point.channels), None)
        wiring = self.wiring
        rules.hear(SetSupply(wiring.supply_v or 0.0, wiring.most_a, wiring.supply_v is not None), None)
        reply: Reply = None
        while True:
            try:
                request = talk.send(reply)
            except StopIteration as end:
                return end.value
            if isinstance(request, Fire):
                self.found.asked.append((point, request, self._has_load()))
            reply = await self.bench.serve(request, self.wiring)
            self.state.note_drive(request, reply)
            if (breach := rules.hear(request, reply)) is not None:
                raise Ended(breach.name)


def _sines(fire: Fire, times_s: Any) -> Any:
    """One or two, of a crest of 1 together: the level of two is that of a sine with the crest of their sum (page)."""
    first = fire.first_part * np.sin(2.0 * math.pi * fire.frequency_hz * times_s)
    if fire.second is None:
        return first
    return first + (1.0 - fire.first_part) * np.sin(2.0 * math.pi * fire.second.frequency_hz * times_s)
