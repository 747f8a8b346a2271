"""A simulated bench from truths of a test's own, and the points of a plan run over it: the night itself, the real
drivers and real sockets, in virtual time. Only the ledger is left out: rows and outcomes are kept in lists.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any, cast

from sequencer.clock import VirtualClock, one_core, run_virtual
from sequencer.measurements.judge import Judged, judge
from sequencer.measurements.output_power import Outcome
from sequencer.measurements.requests import Shot
from sequencer.measurements.values import Finding, Values
from sequencer.night.hands import Hands
from sequencer.night.keeping import Keeper
from sequencer.night.listen import Nobody
from sequencer.night.night import Doing, Night
from sequencer.night.setup import NightPlan, UnitRun
from sequencer.night.shot import Shooter
from sequencer.plan.estimate import point_window
from sequencer.plan.expand import expand
from sequencer.plan.inputs import Files, Loaded
from sequencer.plan.load import load_bench
from sequencer.plan.models import ROLES, Bench, Plan, RoleName, SupplyRange, Unit, UnitChannel
from sequencer.plan.points import AnyPoint, Point, ValuePoint
from sequencer.plan.refuse import refusals
from sequencer.roles import build, load_dialects
from sequencer.safety.make_safe import Order, RemoteOff, Report, acts, perform
from sequencer.safety.rules_load import LoadRules, Rises
from sequencer.whole_night import capture_of
from simulators.bench import BenchSpec, Instrument, SimulatedBench
from simulators.world.bench_truth import BenchTruth, DigitiserTruth
from simulators.world.layout import Bay
from simulators.world.unit_truth import UnitTruth

LEVEL_COMMAND = re.compile(r"SOUR\d*:VOLT (\d+(?:\.\d*)?)")
SHIPPED = {"a": "workshop", "b": "second_workshop"}


@cache
def _shipped(letter: str) -> Loaded[Bench]:
    return load_bench(SHIPPED[letter])


def declared_bench(
    digitiser: str = "a", supply: str = "a", bits: int = 12, generator_vrms: float = 4.0, channels: str = "A"
) -> Loaded[Bench]:
    """What the bench's file says: a shipped one with its digitiser and supply chosen by letter, `channels` wired to
    ch1, ch2.
    """
    loaded, other = _shipped(digitiser), _shipped(supply)
    bench = loaded.model
    role = dict(bench.role) | {"supply": other.model.role["supply"]}
    ceiling = bench.ceiling.model_copy(update={"generator_vrms": generator_vrms})
    depth = bench.digitiser.model_copy(update={"bits": bits})
    wiring = {f"ch{number}": f"output {name}" for number, name in enumerate(channels, start=1)}
    inputs = {name: bench.input[name] for name in wiring}
    changed = {"role": role, "ceiling": ceiling, "digitiser": depth, "wiring": wiring, "input": inputs}
    return replace(loaded, model=bench.model_copy(update=changed))


def with_load(loaded: Loaded[Bench], ohm: Mapping[str, float], uncertainty_ohm: float) -> Loaded[Bench]:
    """The same bench with another declaration of its 8R load."""
    bench = loaded.model
    load = bench.load["8R"].model_copy(update={"ohm": dict(ohm), "uncertainty_ohm": uncertainty_ohm})
    return replace(loaded, model=bench.model_copy(update={"load": dict(bench.load) | {"8R": load}}))


def declared_unit(rail_v: float, gain_db: float = 26.0, coupling_hz: float = 0.0, channels: str = "A") -> Unit:
    """What the unit's file says. rail_v: crest at which it is expected to clip."""
    return Unit(
        format=1,
        serial="MV-0900",
        model="Skerry 60 public-address amplifier",
        front_end="converter",
        output_class="AB",
        supply_v=SupplyRange(min=21.6, nominal=24.0, max=31.2),
        gain_db=gain_db,
        output_rail_v=rail_v,
        minimum_load_ohm=4.0,
        coupling_hz=coupling_hz,
        mute_s=3.0,
        passband_hz=(20.0, 20000.0),
        channel=tuple(UnitChannel(name=name) for name in channels),
    )


def plan_of(drives: tuple[str, ...], frequency_hz: float = 1000.0, thd_pct: float | tuple[float, ...] = 1.0) -> Plan:
    """One stage into 8R with quick rests."""
    stage = {
        "name": "bursts", "measurement": "output_power", "loads": ("8R",), "frequencies_hz": (frequency_hz,),
        "drives": drives, "stop_limit": {"thd_pct": thd_pct},
    }  # fmt: skip
    return Plan.model_validate({"format": 1, "name": "truths", "rest": "quick", "stage": (stage,)})


FAULTLESS = BenchTruth(digitiser=DigitiserTruth(noise_steps=0.5))  # noise, as dither, and no error


@dataclass(frozen=True)
class Wired:
    """The bench as declared, and as it truly is. true_ohm: of 8R by channel; None: as declared. others_ohm: of other
    loads.
    """

    declared: Loaded[Bench]
    truth: BenchTruth = FAULTLESS
    true_ohm: Mapping[str, float] | None = None
    others_ohm: Mapping[str, Mapping[str, float]] = field(default_factory=dict)

    def ohm_of(self, load: str) -> dict[str, float]:
        """True ohms of a load by channel."""
        true = self.true_ohm if load == "8R" else self.others_ohm.get(load)
        return dict(self.declared.model.load[load].ohm) | dict(true or {})


@dataclass
class Measured:
    """One point: its row, how it came about, and one more shot at the accepted level, judged."""

    point: Point
    row: dict[str, Any]
    outcome: Outcome
    fresh: Judged | None

    @property
    def channel(self) -> dict[str, Any]:
        return cast(dict[str, Any], self.row["channels"][0])


@dataclass
class NightOnWire:
    """points: in running order; values: rows of points that search no level, and how they came about.

    commanded_vrms: every level the generator was told to give, from the simulator's own log.
    """

    points: list[Measured] = field(default_factory=list)
    values: list[tuple[dict[str, Any], Values]] = field(default_factory=list)
    commanded_vrms: list[float] = field(default_factory=list)
    safe: list[Report] = field(default_factory=list)
    findings: list[tuple[str | None, Finding]] = field(default_factory=list)

    def log(self, now_ns: int, name: str, message: str, reply: bytes | None) -> None:
        if name.startswith("generator") and (found := LEVEL_COMMAND.fullmatch(message)):
            self.commanded_vrms.append(float(found[1]))


class InMemory:
    """Stands in for the ledger's keeper. After each point with an accepted level it fires once more at that level."""

    def __init__(self, hands: Hands, clock: VirtualClock, bench: Bench, shooter: Shooter, found: NightOnWire) -> None:
        self._hands, self._clock, self._bench, self._shooter, self._found = hands, clock, bench, shooter, found

    def talk(self, run: UnitRun, point: AnyPoint) -> None: ...

    async def doing(self, run: UnitRun, point: AnyPoint) -> None: ...

    async def loads(self) -> LoadRules:
        return LoadRules()

    async def load_heat(self, rises: Rises) -> None: ...

    async def written(self) -> None: ...

    async def begin(self, plan: NightPlan, run: UnitRun, proved: Mapping[str, Any]) -> None: ...

    def now(self) -> str:
        return "2026-01-05T22:00:00.000+00:00"

    async def findings(self, run: UnitRun, found: Sequence[tuple[str | None, Finding]]) -> None:
        self._found.findings += found

    async def trip(
        self, run: UnitRun, sentence: str, kind: str, extra: Mapping[str, Any], shot: Shot | None = None
    ) -> None: ...

    async def end(self, run: UnitRun, outcome: str) -> None: ...

    async def point(self, run: UnitRun, point: Point, row: dict[str, Any], outcome: Outcome) -> None:
        accepted = [j for j in outcome.judged if j.shot.number == row.get("shot_number")]
        fresh = await self._once_more(outcome, accepted[0]) if accepted else None
        self._found.points.append(Measured(point, row, outcome, fresh))

    async def values(self, run: UnitRun, point: ValuePoint, row: dict[str, Any], found: Values) -> None:
        self._found.values.append((row, found))

    async def _once_more(self, outcome: Outcome, accepted: Judged) -> Judged:
        job, request = outcome.job, accepted.shot.request
        await self._clock.sleep(job.rest_s)
        window = point_window(self._bench, job.point)
        shot = await self._shooter.fire(request, window)
        await self._clock.sleep(job.rest_s)
        return judge(job, shot, dict(outcome.twin.channels) if outcome.twin else {})

    async def make_safe(self, order: Order, bleed_s: float, remote_off: RemoteOff | None = None) -> Report:
        todo = acts(order, bleed_s=bleed_s, remote=remote_off is not None)
        report = await perform(todo, order, self._hands, self._clock, remote_off)
        self._found.safe.append(report)
        return report


def run_plan(wired: Wired, unit: Unit, truth: UnitTruth, plan: Plan, seed: int = 1) -> NightOnWire:
    """Every point of `plan` on one unit: night, roles, links, sockets, panels, world. Raises what the night raises."""
    bench = wired.declared.model
    assert refusals(plan, unit, bench, Files()) == []
    dialects = load_dialects(wired.declared)
    found = NightOnWire()
    run = UnitRun("r0", unit, bench.bay[0], expand(plan, unit, bench))
    night = NightPlan(plan, bench, (run,), seed, "0" * 64, "0" * 64, "test", {})

    async def main(clock: VirtualClock) -> NightOnWire:
        names: dict[RoleName, str] = {role: dialect.name for role, dialect in dialects.items()}
        simulated = SimulatedBench(_spec(wired, truth, names), clock, seed, log=found.log)
        instruments = build(bench, dialects, await simulated.start(), clock)
        with ThreadPoolExecutor(max_workers=1, thread_name_prefix="analysis") as thinking:
            try:
                shooter = Shooter(instruments.hands, clock, bench.digitiser.bits, capture_of)
                keeper = cast(Keeper, InMemory(instruments.hands, clock, bench, shooter, found))
                doing = Doing(instruments.hands, clock, keeper, thinking, shooter, Nobody())
                await Night(night, doing).work()
            finally:
                await instruments.close()
                await simulated.stop()
        return found

    with one_core():
        return run_virtual(main)


def _spec(wired: Wired, unit: UnitTruth, fronts: Mapping[RoleName, str]) -> BenchSpec:
    bench = wired.declared.model
    bay = bench.bay[0]
    contacts = tuple(c for c in (bay.supply_contact, bay.input_contact, *bay.output_contacts) if c)
    inputs = {name: (contact,) for name, contact in bay.input_contacts.items()}
    truth = replace(wired.truth, digitiser=replace(wired.truth.digitiser, bits=bench.digitiser.bits))
    return BenchSpec(
        roles={name: Instrument(fronts[name], bench.role[name].serial or "1") for name in ROLES},
        wiring={_number(name): wire for name, wire in bench.wiring.items()},
        loads={
            label: {name: (one.contacts_of(name), wired.ohm_of(label)[name]) for name in one.ohm}
            for label, one in bench.load.items()
        },
        bays=(Bay(bay.name, unit, contacts, inputs, dict(bay.thermometer), bay.remote_contact),),
        probe_factors={_number(name): one.factor for name, one in bench.input.items()},
        truth=truth,
    )


def _number(name: str) -> int:
    return int(name.removeprefix("ch"))
