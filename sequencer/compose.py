"""Builds concrete things from what a command was given, and runs them. The one place that may import simulators."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from drivers.dialect import Dialect, load_dialect
from sequencer.clock import RealClock, VirtualClock, one_core, run_real, run_virtual
from sequencer.errors import InputRefused, Problem
from sequencer.faults_file import DeclaredBarrierFault, FaultsFile, load_faults
from sequencer.ledger.opening import refuse_used_folder
from sequencer.night.listen import Listener, Plain
from sequencer.on_paper import accepted
from sequencer.plan.estimate import clip_volts
from sequencer.plan.load import load_on_bench
from sequencer.plan.models import Bay, Bench, Load, Role, RoleName, Unit
from sequencer.publish.broker_url import Broker
from sequencer.report.lines import point_line
from sequencer.roles import build, load_dialects, substitutes
from sequencer.simulating import Files, Running, Standing, check_bench_out, log_of_messages, ports_of
from sequencer.whole_night import Done, Place, make_folder, night_plan, whole_night

if TYPE_CHECKING:
    from simulators.bench import Instrument, Log, SimulatedBench
    from simulators.faults import LinkFaults
    from simulators.timebase import TimeBase
    from simulators.world.bench_truth import BenchTruth
    from simulators.world.layout import Bay as SimulatedBay
    from simulators.world.unit_truth import UnitTruth

DRY_START = datetime(2026, 1, 5, 22, 0, tzinfo=UTC)  # a fixed evening: rehearsals compare byte for byte

BUFFER_VALUES = 3_000_000  # 24 MB: above any record, below what the C library keeps at most

Say = Callable[[str], None]


@dataclass(frozen=True)
class Rig:
    """What tests lay on a simulated bench. faults: role -> faults of its link. log: hears every message with its reply.
    watch: is handed the bench before it starts, to be asked for the truth afterwards. ports: role -> where it listens,
    else anywhere. single_connection: roles that serve one connection, besides those of the bench's file. barriers: what
    goes wrong with the bench's own.
    """

    faults: Mapping[str, LinkFaults] = field(default_factory=dict)
    log: Log | None = None
    watch: Callable[[SimulatedBench], None] | None = None
    ports: Mapping[str, int] = field(default_factory=dict)
    single_connection: tuple[str, ...] = ()
    barriers: tuple[DeclaredBarrierFault, ...] = ()


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
    keep_shots: bool = False


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
    make_folder(out)

    async def main(clock: VirtualClock) -> Done:
        simulated = _simulated(Standing(inputs.bench, inputs.units), asked.seed, used, clock, asked.rig or Rig())
        addresses = await simulated.start()
        try:
            instruments = build(inputs.bench.model, used, addresses, clock)
            hears = asked.listener or Plain(say, point_line)
            place = Place(out, asked.broker, hears, DRY_START, keep_shots=asked.keep_shots)
            done = await whole_night(night, instruments, clock, place)
            return replace(done, worked_s={"simulated bench": simulated.worked_s, **done.worked_s})
        finally:
            await simulated.stop()

    _keep_buffers()
    with one_core():
        return run_virtual(main, speed=asked.speed, ties_seed=asked.ties_seed)


@dataclass(frozen=True)
class Simulate:
    """What `simulate` was asked. faults: else the file that the bench names, if it names one."""

    bench: str
    units: tuple[str, ...] = ()
    faults: Path | None = None
    seed: int = 1
    files: Files = field(default_factory=Files)


def simulate(asked: Simulate, say: Say) -> None:
    """Simulated instruments for other processes, in real time, until a signal comes. Raises InputRefused before
    anything listens or is written."""
    standing = Standing(*load_on_bench(asked.units, asked.bench))
    bench, dialects = standing.bench, load_dialects(standing.bench)
    check_bench_out(bench, asked.files.bench_out)
    named = bench.model.simulated.faults
    faults = asked.faults or (bench.path.parent / named if named else None)
    declared = load_faults(faults) if faults else FaultsFile(format=1)
    rig = Rig(
        _link_faults(declared, asked.seed),
        ports=ports_of(bench),
        single_connection=declared.single_connection,
        barriers=declared.barrier,
    )
    used = _with(dialects, substitutes(dialects))
    for bay in bench.model.bay:
        placed = [one.loaded.model.serial for one in standing.units if one.bay.name == bay.name]
        say(f"bay {bay.name}: {placed[0] if placed else 'empty'}")
    running = Running(asked.files, bench, say)

    async def main(clock: RealClock) -> None:
        roles = {dialect.name: name for name, dialect in used.items()}
        with log_of_messages(asked.files.log, roles, running.log_failed) as log:
            await running.run(_simulated(standing, asked.seed, used, clock, replace(rig, log=log)))

    run_real(main)


def _link_faults(declared: FaultsFile, seed: int) -> dict[str, LinkFaults]:
    from simulators.faults import LinkFault, LinkFaults

    faults: dict[str, LinkFaults] = {}
    for one in declared.fault:
        fault = LinkFault(one.kind, one.at_message, one.at_s, 0.0, one.begins, one.times or None, one.for_s)
        faults[one.role] = LinkFaults((*faults.get(one.role, LinkFaults()).faults, fault), seed)
    return faults


def _keep_buffers() -> None:
    """Until a large block has been freed once, the C library gives every record's memory back to the kernel, which
    then clears it page by page for the next one: dearer than the arithmetic on it.
    """
    np.empty(BUFFER_VALUES)


def _with(dialects: Mapping[RoleName, Dialect], stand_ins: Mapping[RoleName, str]) -> dict[RoleName, Dialect]:
    return dict(dialects) | {role: load_dialect(name, role) for role, name in stand_ins.items()}


def _simulated(
    standing: Standing, seed: int, dialects: Mapping[RoleName, Dialect], clock: TimeBase, rig: Rig
) -> SimulatedBench:
    """The bench as simulated: truths of its own files, chosen by serial, never the declared values themselves."""
    from simulators.bench import BenchSpec, SimulatedBench

    bench = standing.bench.model
    truth = _bench_truth(bench)
    spec = BenchSpec(
        roles={name: _instrument(bench.role[name], dialects[name].name, name, rig) for name in bench.roles()},
        wiring={_input_number(name): wire for name, wire in bench.wiring.items()},
        loads={name: _true_loads(name, load, truth.load_ohm.get(name, {}), seed) for name, load in bench.load.items()},
        bays=tuple(_simulated_bay(bay, standing, seed) for bay in bench.bay),
        probe_factors={_input_number(name): one.factor for name, one in bench.input.items()},
        truth=truth,
    )
    simulated = SimulatedBench(spec, clock, seed, rig.faults, rig.log)
    for one in rig.barriers:
        _plan_barrier_fault(simulated, one)
    if rig.watch is not None:
        rig.watch(simulated)
    return simulated


def _plan_barrier_fault(simulated: SimulatedBench, one: DeclaredBarrierFault) -> None:
    guards, at_ns = simulated.world.guards, round(one.at_s * 1e9)
    if one.kind == "welded":
        guards.weld(at_ns)
        return
    guards.open(one.contact, at_ns)
    if one.for_s:
        guards.close(one.contact, at_ns + round(one.for_s * 1e9))


def _instrument(role: Role, front: str, name: str, rig: Rig) -> Instrument:
    from simulators.bench import Instrument

    single = role.single_connection or name in rig.single_connection
    return Instrument(front, role.serial or "1", single, rig.ports.get(name, 0))


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


def _simulated_bay(bay: Bay, standing: Standing, seed: int) -> SimulatedBay:
    from simulators.world.layout import Bay as SimulatedBay

    placed = next((one for one in standing.units if one.bay.name == bay.name), None)
    unit = _unit_truth(standing.bench.model, placed.loaded.model, seed) if placed else None
    contacts = tuple(c for c in (bay.supply_contact, bay.input_contact, *bay.output_contacts) if c)
    inputs = {name: (contact,) for name, contact in bay.input_contacts.items()}
    return SimulatedBay(bay.name, unit, contacts, inputs, dict(bay.thermometer), remote_contact=bay.remote_contact)


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
