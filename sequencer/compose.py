"""Builds concrete things from what a command was given, and runs them. The one place that may import simulators."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from drivers.dialect import Dialect, load_dialect
from drivers.roles.capture import Capture
from sequencer.clock import VirtualClock, one_core, run_virtual
from sequencer.errors import Fault, InputRefused, Problem
from sequencer.ledger.opening import refuse_used_folder
from sequencer.ledger.store import Ledger
from sequencer.night.book import Book, OneThread
from sequencer.night.feed import Told, feeding, last_word
from sequencer.night.keeping import Desk, Keeper
from sequencer.night.listen import Listener, Plain
from sequencer.night.night import Doing, Night
from sequencer.night.setup import NightPlan, UnitRun
from sequencer.night.shot import Shooter
from sequencer.night.stamps import Stamps, run_id
from sequencer.night.supervise import Ended, exit_code, supervise
from sequencer.on_paper import accepted, version
from sequencer.plan.estimate import ShotWindow, clip_volts
from sequencer.plan.expand import expand
from sequencer.plan.inputs import Inputs
from sequencer.plan.models import ROLES, Bay, Bench, Load, RoleName, Unit
from sequencer.publish.broker_url import Broker
from sequencer.report.lines import point_line
from sequencer.report.tables import points_table
from sequencer.roles import Instruments, build, substitutes

if TYPE_CHECKING:
    from simulators.bench import Log, SimulatedBench
    from simulators.faults import LinkFaults
    from simulators.world.bench_truth import BenchTruth
    from simulators.world.layout import Bay as SimulatedBay
    from simulators.world.unit_truth import UnitTruth

DRY_START = datetime(2026, 1, 5, 22, 0, tzinfo=UTC)  # a fixed evening: rehearsals compare byte for byte

BUFFER_VALUES = 3_000_000  # 24 MB: above any record, below what the C library keeps at most

Say = Callable[[str], None]


@dataclass(frozen=True)
class Rig:
    """What tests lay on a simulated bench. faults: role -> faults of its link. log: hears every message with its reply.
    watch: is handed the bench before it starts, to be asked for the truth afterwards.
    """

    faults: Mapping[str, LinkFaults] = field(default_factory=dict)
    log: Log | None = None
    watch: Callable[[SimulatedBench], None] | None = None


@dataclass(frozen=True)
class DryRun:
    """What `dry-run` was asked."""

    plan: str | None = None
    units: tuple[str, ...] = ()
    bench: str | None = None
    out: Path | None = None
    seed: int = 1
    speed: float | None = None
    ties_seed: int | None = None  # tests draw the order of equal times from it
    rig: Rig | None = None
    broker: Broker | None = None
    listener: Listener | None = None  # who hears the night; without one, plain lines


@dataclass(frozen=True)
class Done:
    """How a night ended. results: as written to results.json. worked_s: real seconds by part, told and not kept."""

    exit_code: int
    text: str
    results: Mapping[str, Any]
    out: Path
    bench_s: float
    told: Told | None = None
    worked_s: Mapping[str, float] = field(default_factory=dict)

    def summary(self) -> dict[str, Any]:
        return {
            "exit_code": self.exit_code,
            "out": str(self.out),
            "bench_s": self.bench_s,
            "runs": [{"id": r["id"], "outcome": r["outcome"]} for r in self.results["runs"]],
        } | ({} if self.told is None else {"outbox": {"sent": self.told.sent, "remaining": self.told.remaining}})


def night_plan(inputs: Inputs, seed: int, stand_ins: Mapping[RoleName, str]) -> NightPlan:
    bench, plan = inputs.bench, inputs.plan
    twice = plan.model.reference == "first and last"
    order = (*inputs.units, inputs.units[0]) if twice else inputs.units
    runs = tuple(
        UnitRun(
            run_id(seed, plan.sha256, one.loaded.model.serial, number),
            one.loaded.model,
            one.bay,
            expand(plan.model, one.loaded.model, bench.model),
            reference=twice and one is inputs.units[0],
        )
        for number, one in enumerate(order)
    )
    return NightPlan(plan.model, bench.model, runs, seed, plan.sha256, bench.sha256, version(), stand_ins)


def dry_run(asked: DryRun, say: Say) -> Done:
    """The plan on simulated instruments. Raises InputRefused before anything is written."""
    inputs, dialects = accepted(asked.plan, asked.units, asked.bench)
    stand_ins = substitutes(dialects)
    night = night_plan(inputs, asked.seed, stand_ins)
    for role, name in stand_ins.items():
        say(f"{role}: the bench's own dialect has no simulated panel; {name} stands in for it")
    used = _with(dialects, stand_ins)
    out = asked.out or Path(f"nightramp-{night.runs[0].id}")
    refuse_used_folder(out)
    if asked.speed is not None and not asked.speed > 0:
        raise InputRefused([Problem("command line", "--speed", str(asked.speed), "a number above 0")])
    _make(out)

    async def main(clock: VirtualClock) -> Done:
        simulated = _simulated(inputs, night, used, clock, asked.rig or Rig())
        addresses = await simulated.start()
        try:
            instruments = build(inputs.bench.model, used, addresses, clock)
            place = _Place(out, asked.broker, asked.listener or Plain(say, point_line))
            done = await _night(night, instruments, clock, place)
            return replace(done, worked_s={"simulated bench": simulated.worked_s, **done.worked_s})
        finally:
            await simulated.stop()

    _keep_buffers()
    with one_core():
        return run_virtual(main, speed=asked.speed, ties_seed=asked.ties_seed)


def _keep_buffers() -> None:
    """Until a large block has been freed once, the C library gives every record's memory back to the kernel, which
    then clears it page by page for the next one: dearer than the arithmetic on it.
    """
    np.empty(BUFFER_VALUES)


def _with(dialects: Mapping[RoleName, Dialect], stand_ins: Mapping[RoleName, str]) -> dict[RoleName, Dialect]:
    return dict(dialects) | {role: load_dialect(name, role) for role, name in stand_ins.items()}


def capture_of(volts: Mapping[int, float], window: ShotWindow) -> Capture:
    """The digitiser's own form of a capture."""
    return Capture(dict(volts), window.sample_rate_hz, window.samples, window.before_s, window.delay_s)


@dataclass(frozen=True)
class _Place:
    """Where a night is kept, and where it is told."""

    out: Path
    broker: Broker | None
    listener: Listener


async def _night(night: NightPlan, instruments: Instruments, clock: VirtualClock, place: _Place) -> Done:
    """Ledger, analysis thread, supervision; whatever happens the results are written from the ledger."""
    book, out, say = Book(), place.out, place.listener.said
    thinking = OneThread("analysis")
    ledger = await book.do(Ledger, out / "ledger.sqlite")
    try:
        desk = Desk(ledger, book, out, Stamps(clock, DRY_START))
        keeper = Keeper(desk, instruments.hands, clock, place.listener.point_kept)
        shooter = Shooter(instruments.hands, clock, night.bench.digitiser.bits, capture_of)
        work = Night(night, Doing(instruments.hands, clock, keeper, thinking, shooter, place.listener))
        async with feeding(place.broker, desk, night.bench.name, say) as feed:
            ended = await supervise(work, keeper, night, say)
            await instruments.close()
            results, bench_s = await _written(keeper, ended), clock.now_ns() / 1e9
            told = await feed.finish(*last_word(ended)) if feed else None
        ended.lines += [str(told)] if told else []
    finally:
        await book.do(ledger.close)
        book.close()
        thinking.shutdown(wait=True)
    worked_s = {"analysis": thinking.worked_s, "ledger": book.worked_s}
    return Done(exit_code(ended), _closing(ended, results, out), results, out, bench_s, told, worked_s)


async def _written(keeper: Keeper, ended: Ended) -> dict[str, Any]:
    """Results from the ledger; where they can't be written (a full disk), that is said, and what is kept stays kept."""
    try:
        return await keeper.write_results()
    except (Fault, OSError) as error:
        ended.way = "fault"
        ended.lines.append(f"internal fault: results not written: {error}")
        return {"format": 1, "runs": [], "suspect": None}


def _make(out: Path) -> None:
    """The night's folder, before anything is energised. Raises InputRefused where it can't be made or written to."""
    try:
        out.mkdir(parents=True, exist_ok=True)
        writable = os.access(out, os.W_OK | os.X_OK)
        why = "may not be written to"
    except OSError as error:
        writable, why = False, f"can't be made: {(error.strerror or 'no reason given').lower()}"
    if not writable:
        raise InputRefused([Problem("command line", "--out", str(out), f"{why}: name another folder")])


def _closing(ended: Ended, results: Mapping[str, Any], out: Path) -> str:
    lines = [points_table(dict(results)), "", *ended.lines, f"kept in {out}/"]
    return "\n".join(lines)


def _simulated(
    inputs: Inputs, night: NightPlan, dialects: Mapping[RoleName, Dialect], clock: VirtualClock, rig: Rig
) -> SimulatedBench:
    """The bench as simulated: truths of its own files, chosen by serial, never the declared values themselves."""
    from simulators.bench import BenchSpec, Instrument, SimulatedBench

    bench = inputs.bench.model
    truth = _bench_truth(bench)
    spec = BenchSpec(
        roles={
            name: Instrument(dialects[name].name, bench.role[name].serial or "1", bench.role[name].single_connection)
            for name in ROLES
        },
        wiring={_input_number(name): wire for name, wire in bench.wiring.items()},
        loads={
            name: _true_loads(name, load, truth.load_ohm.get(name, {}), night.seed) for name, load in bench.load.items()
        },
        bays=tuple(_simulated_bay(bay, inputs, night.seed) for bay in bench.bay),
        probe_factors={_input_number(name): one.factor for name, one in bench.input.items()},
        truth=truth,
    )
    simulated = SimulatedBench(spec, clock, night.seed, rig.faults, rig.log)
    if rig.watch is not None:
        rig.watch(simulated)
    return simulated


def _input_number(name: str) -> int:
    return int(name.removeprefix("ch"))


def _bench_truth(bench: Bench) -> BenchTruth:
    """The named truth with the bench's own converter; without one, instruments with noise but no errors."""
    from simulators.world.bench_truth import BenchTruth
    from simulators.world.truth_files import SHIPPED, load_bench_truth

    named = bench.simulated.world
    truth = load_bench_truth(SHIPPED / f"{named}.toml") if named else BenchTruth()
    return replace(truth, digitiser=replace(truth.digitiser, bits=bench.digitiser.bits))


def _true_loads(
    name: str, load: Load, known: Mapping[str, float], seed: int
) -> dict[str, tuple[tuple[str, ...], float]]:
    from simulators.world.unit_truth import spread_ohm

    return {
        channel: (load.contacts_of(channel), known.get(channel) or spread_ohm(ohm, seed, name, channel))
        for channel, ohm in load.ohm.items()
    }


def _simulated_bay(bay: Bay, inputs: Inputs, seed: int) -> SimulatedBay:
    from simulators.world.layout import Bay as SimulatedBay

    placed = next((one for one in inputs.units if one.bay.name == bay.name), None)
    unit = _unit_truth(inputs.bench.model, placed.loaded.model, seed) if placed else None
    contacts = tuple(c for c in (bay.supply_contact, bay.input_contact, *bay.output_contacts) if c)
    return SimulatedBay(bay.name, unit, contacts, {}, dict(bay.thermometer), remote_contact=bay.remote_contact)


def _unit_truth(bench: Bench, unit: Unit, seed: int) -> UnitTruth:
    from simulators.world.truth_files import SHIPPED, load_unit_truth
    from simulators.world.unit_truth import DeclaredUnit, UnitTruth

    named = bench.simulated.truth.get(unit.serial)
    if named is not None:
        return load_unit_truth(SHIPPED / f"{named}.toml")
    idle = unit.idle_current.window_a
    declared = DeclaredUnit(
        serial=unit.serial,
        channels=unit.channel_names(),
        gain_db=unit.gain_db,
        output_rail_v=max(clip_volts(unit, unit.minimum_load_ohm, unit.supply_v.nominal).values()),
        lowest_load_ohm=unit.minimum_load_ohm,
        supply_v=unit.supply_v.nominal,
        idle_a=sum(idle) / 2.0 if idle else 0.5,
        coupling_hz=unit.coupling_hz,
        bridged=unit.bridged,
    )
    return UnitTruth.from_ratings(declared, seed)
