"""Builds concrete things from what a command was given, and runs them. The one place that may import simulators."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from drivers.dialect import Dialect, load_dialect
from sequencer.clock import RealClock, VirtualClock, one_core, run_real, run_virtual
from sequencer.errors import InputRefused, Problem
from sequencer.faults_file import DeclaredBarrierFault, FaultsFile, load_faults
from sequencer.ledger.opening import refuse_used_folder
from sequencer.ledger.room import refuse_small_disk
from sequencer.measurements.by_hand import DONE
from sequencer.measurements.requests import Answer, Ask, Deed
from sequencer.measurements.terminal_scan import SHELL
from sequencer.memory import keep_buffers
from sequencer.night.asking import Asking, nobody_there
from sequencer.night.listen import Listener, Plain
from sequencer.night.onlook import Onlooker, asking_on
from sequencer.on_paper import accepted
from sequencer.plan.estimate import clip_volts
from sequencer.plan.load import load_on_bench
from sequencer.plan.models import Bay, Bench, Load, Role, RoleName, Unit
from sequencer.publish.broker_url import Broker
from sequencer.recording import Recorded, record_path, recording
from sequencer.report.lines import point_line
from sequencer.resuming import Begun
from sequencer.roles import build, codecs_told, load_dialects, substitutes
from sequencer.simulating import Files, Running, Standing, check_bench_out, log_of_messages, ports_of
from sequencer.whole_night import Done, Place, declared_of, make_folder, night_plan, whole_night

if TYPE_CHECKING:
    from simulators.bench import Instrument, Log, SimulatedBench
    from simulators.faults import LinkFaults
    from simulators.timebase import TimeBase
    from simulators.world.bench_truth import BenchTruth
    from simulators.world.layout import Bay as SimulatedBay
    from simulators.world.unit_truth import UnitTruth

ENDS_AT_OHM = 1e7  # the ohmmeter of whoever is played
DRY_START = datetime(2026, 1, 5, 22, 0, tzinfo=UTC)  # a fixed evening: rehearsals compare byte for byte

Say = Callable[[str], None]


@dataclass(frozen=True)
class Rig:
    """What tests lay on a simulated bench. faults: role -> faults of its link. log: hears every message with its reply.
    watch: is handed the bench before it starts, to be asked for the truth afterwards. ports: role -> where it listens,
    else anywhere. single_connection: roles that serve one connection, besides those of the bench's file. barriers: what
    goes wrong with the bench's own."""

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
    asking: Asking = nobody_there
    answers: tuple[str, ...] | None = None  # of a person who is played: in order, or () for one who does all
    again: Begun | None = None  # a rehearsal to go on with: what it was told, it tells itself
    record: Path | None = None  # where every byte of the links is written
    onlooker: Onlooker | None = None  # a page: asks too, where time can be watched (speed)


def dry_run(asked: DryRun, say: Say) -> Done:
    """The plan on simulated instruments. Raises InputRefused before anything is written."""
    again = asked.again
    on_paper, inputs, dialects = again.checked() if again else accepted(asked.plan, asked.units, asked.bench)
    stand_ins = substitutes(dialects)
    night = again.night(stand_ins) if again else night_plan(inputs, asked.seed, stand_ins)
    start = again.start if again else DRY_START
    for role, name in stand_ins.items():
        say(f"{role}: the bench's own dialect has no simulated panel; {name} stands in for it")
    for line in codecs_told(dialects):
        say(line)
    used = _with(dialects, stand_ins)
    out = again.folder if again else asked.out or Path(f"nightramp-{night.runs[0].id}")
    keep_shots = again.told.keep_shots if again else asked.keep_shots
    if not again:
        refuse_used_folder(out)
    refuse_small_disk(out, on_paper.needed_bytes(keep_shots))
    if asked.speed is not None and not asked.speed > 0:
        raise InputRefused([Problem("command line", "--speed", str(asked.speed), "a number above 0")])
    record = None if asked.record is None else record_path(asked.record)
    make_folder(out)
    told = declared_of(night, simulated=True, keep_shots=keep_shots)
    on_page = asked.onlooker is not None and asked.speed is not None and asked.answers is None
    is_asked = asked.answers is not None or asked.asking is not nobody_there or on_page
    night_recorded = Recorded(told, used, start, again is not None, is_asked)

    async def main(clock: VirtualClock) -> Done:
        simulated = simulated_bench(Standing(inputs.bench, inputs.units), night.seed, used, clock, asked.rig or Rig())
        asking = asked.asking if asked.answers is None else Scripted(asked.answers, simulated, say)
        addresses = await simulated.start()
        try:
            with recording(record, night_recorded) as kept:
                instruments = build(inputs.bench.model, used, addresses, clock, kept.links)
                hears = asked.listener or Plain(say, point_line)
                asking = kept.asking(asking_on(asked.onlooker, asking, say, clock if on_page else None), clock)
                place = Place(out, asked.broker, hears, start, None, keep_shots, asking, onlooker=asked.onlooker)
                done = await whole_night(night, instruments, clock, place)
                kept.ended(done)
            return replace(done.and_said(kept.words), worked_s={"simulated bench": simulated.worked_s, **done.worked_s})
        finally:
            await simulated.stop()

    keep_buffers()
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
            await running.run(simulated_bench(standing, asked.seed, used, clock, replace(rig, log=log)))

    run_real(main)


def _link_faults(declared: FaultsFile, seed: int) -> dict[str, LinkFaults]:
    from simulators.faults import LinkFault, LinkFaults

    faults: dict[str, LinkFaults] = {}
    for one in declared.fault:
        fault = LinkFault(one.kind, one.at_message, one.at_s, 0.0, one.begins, one.times or None, one.for_s)
        faults[one.role] = LinkFaults((*faults.get(one.role, LinkFaults()).faults, fault), seed)
    return faults


def _with(dialects: Mapping[RoleName, Dialect], stand_ins: Mapping[RoleName, str]) -> dict[RoleName, Dialect]:
    return dict(dialects) | {role: load_dialect(name, role) for role, name in stand_ins.items()}


def simulated_bench(
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
        rates_hz=bench.digitiser.rates_hz,
        meter={f"output {name}": contacts for name, contacts in bench.meter.close.items()} if bench.meter else {},
    )
    simulated = SimulatedBench(spec, clock, seed, rig.faults, rig.log)
    if not standing.units:
        simulated.lay(bench.prove.loop_input, bench.prove.dummy_ohm)
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
        channel: (
            load.contacts_of(channel) or (by_hand(name, channel),),
            known.get(channel) or spread_ohm(ohm, seed, name, channel),
        )
        for channel, ohm in load.ohm.items()
    }


def by_hand(load: str, channel: str) -> str:
    """What a simulated load hangs on that no contact of the switch connects: closed by whoever plays the person."""
    return f"{load} on {channel} by hand"


def do(simulated: SimulatedBench, deed: Deed) -> None:
    """What a person is asked to do, done on a simulated bench."""
    world, now_ns = simulated.world, simulated.now_ns()
    if deed.what == "supply":
        world.set_supply(now_ns, deed.volts, deed.limit_a, deed.on)
    elif deed.what in ("probe", "leads"):
        number = _input_number(deed.input or "ch0")
        world.probes.pop(number, None)
        if deed.terminal is not None:
            world.probes[number] = "input ground" if deed.terminal == SHELL else f"leg {deed.terminal}"
    elif deed.load is not None:
        contacts = frozenset(by_hand(deed.load, channel) for channel in deed.channels)
        world.weld(now_ns, contacts, welded=deed.what == "load on")


class Scripted:
    """A person who is played: does what it says done, on the simulated bench, and reads the simulated supply's meter.

    answers: one a question, in order; "*" is what a willing person says: the first choice, or what a meter shows. After
    the last one nobody answers; without any, all are "*".
    """

    def __init__(self, answers: tuple[str, ...], simulated: SimulatedBench, say: Say) -> None:
        self._left = list(answers) if answers else None
        self._simulated, self._say = simulated, say

    async def __call__(self, ask: Ask) -> Answer:
        while (answer := self._next(ask)) is not None and not ask.accepts(answer):
            self._say(f"{ask.question} ({answer}: one of: {ask.answers})")
        if answer is None:
            self._say(f"{ask.question} (nobody answers)")
            return await nobody_there(ask)
        self._say(f"{ask.question} ({answer})")
        if ask.deed is not None and answer == DONE:
            do(self._simulated, ask.deed)
        return Answer(answer, by_a_person=True)

    def _next(self, ask: Ask) -> str | None:
        answer = "*" if self._left is None else self._left.pop(0) if self._left else None
        if answer != "*":
            return answer
        if ask.deed is not None and ask.deed.what == "ohmmeter":
            return f"{self._shell_ohm():.4g}"
        return f"{self._meter():.4g}" if ask.number else ask.choices[0]

    def _shell_ohm(self) -> float:
        """From the input's shell to the supply's minus, by a meter that ends at 10 Mohm."""
        units = [bay.unit for bay in self._simulated.world.layout.bays if bay.unit is not None]
        return min([ENDS_AT_OHM, *(one.input_ground_ohm for one in units[:1])])

    def _meter(self) -> float:
        """Amps, over the last 50 ms."""
        now_ns = self._simulated.now_ns()
        return self._simulated.world.supply_means(now_ns - 50_000_000, now_ns).amps


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

    if (named := bench.simulated.truth.get(unit.serial)) is not None:
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
