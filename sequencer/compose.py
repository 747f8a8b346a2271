"""Builds concrete things from what a command was given, and runs them. The one place that may import simulators."""

from __future__ import annotations

import importlib.metadata
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drivers.dialect import Dialect, load_dialect
from drivers.roles.capture import Capture
from sequencer.clock import VirtualClock, one_core, run_virtual
from sequencer.errors import InputRefused, Problem
from sequencer.ledger.opening import refuse_used_folder
from sequencer.ledger.store import Ledger
from sequencer.night.book import Book
from sequencer.night.keeping import Desk, Keeper
from sequencer.night.night import Doing, Night
from sequencer.night.setup import NightPlan, UnitRun
from sequencer.night.shot import Shooter
from sequencer.night.stamps import Stamps, run_id
from sequencer.night.supervise import Ended, exit_code, supervise
from sequencer.plan.check_table import Checked, check_json, check_table
from sequencer.plan.estimate import ShotWindow, estimates
from sequencer.plan.expand import expand
from sequencer.plan.inputs import Files, Inputs, UnitInBay
from sequencer.plan.load import load_inputs
from sequencer.plan.models import RoleName
from sequencer.plan.refuse import refusals
from sequencer.plan.schema import file_schemas
from sequencer.report.lines import point_line
from sequencer.report.tables import points_table
from sequencer.roles import Instruments, build, load_dialects, substitutes

if TYPE_CHECKING:
    from simulators.bench import SimulatedBench

DRY_START = datetime(2026, 1, 5, 22, 0, tzinfo=UTC)  # a fixed evening: rehearsals compare byte for byte
DEMO_PLAN = "demo"
DEMO_BENCH = "workshop"
DEMO_UNITS = ("ferry_pa_60", "ferry_pa_60_aft")

Say = Callable[[str], None]


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


@dataclass(frozen=True)
class Check:
    """A plan on paper, per unit."""

    units: tuple[Checked, ...]

    @property
    def refused(self) -> list[Problem]:
        return list(dict.fromkeys(problem for one in self.units for problem in one.refused))

    def text(self) -> str:
        return "\n\n".join("\n".join(check_table(one)) for one in self.units)

    def as_json(self) -> list[dict[str, Any]]:
        return [check_json(one) for one in self.units]


@dataclass(frozen=True)
class Done:
    """How a night ended. results: as written to results.json."""

    exit_code: int
    text: str
    results: Mapping[str, Any]
    out: Path
    bench_s: float

    def summary(self) -> dict[str, Any]:
        return {
            "exit_code": self.exit_code,
            "out": str(self.out),
            "bench_s": self.bench_s,
            "runs": [{"id": r["id"], "outcome": r["outcome"]} for r in self.results["runs"]],
        }


def version() -> str:
    try:
        return importlib.metadata.version("nightramp")
    except importlib.metadata.PackageNotFoundError:
        return "unpackaged"


def schemas() -> dict[str, Any]:
    """JSON Schema of every file and message, by kind."""
    from drivers.dialect_model import DialectFile
    from sequencer.ledger.results import results_schema
    from sequencer.publish.messages import message_schemas

    messages = {f"message-{kind}": schema for kind, schema in message_schemas().items()}
    return file_schemas() | {"dialect": DialectFile.model_json_schema(), "results": results_schema()} | messages


def _inputs(plan: str | None, units: Sequence[str], bench: str | None) -> Inputs:
    return load_inputs(plan or DEMO_PLAN, tuple(units) or DEMO_UNITS, bench or DEMO_BENCH)


def check(plan: str, units: Sequence[str], bench: str | None) -> Check:
    """Every unit of the plan on paper. Raises InputRefused where a file alone cannot be used."""
    inputs = _inputs(plan, units, bench)
    load_dialects(inputs.bench)
    return Check(tuple(_on_paper(inputs, one) for one in inputs.units))


def _on_paper(inputs: Inputs, one: UnitInBay) -> Checked:
    plan, unit, bench = inputs.plan.model, one.loaded.model, inputs.bench.model
    refused = refusals(plan, unit, bench, Files(inputs.plan.name, one.loaded.name, inputs.bench.name))
    # What can't be built on paper is refused already: its cost is not worked out.
    points = () if refused else expand(plan, unit, bench)
    costs = () if refused else estimates(points, unit, bench, plan.budget.shots_per_point)
    return Checked(plan, unit, bench, points, costs, tuple(refused))


def night_plan(inputs: Inputs, seed: int, stand_ins: Mapping[RoleName, str]) -> NightPlan:
    bench, plan = inputs.bench, inputs.plan
    runs = tuple(
        UnitRun(
            run_id(seed, plan.sha256, one.loaded.model.serial, number),
            one.loaded.model,
            one.bay,
            expand(plan.model, one.loaded.model, bench.model),
        )
        for number, one in enumerate(inputs.units)
    )
    return NightPlan(plan.model, bench.model, runs, seed, plan.sha256, bench.sha256, version(), stand_ins)


def dry_run(asked: DryRun, say: Say) -> Done:
    """The plan on simulated instruments. Raises InputRefused before anything is written."""
    inputs = _inputs(asked.plan, asked.units, asked.bench)
    dialects = load_dialects(inputs.bench)
    refused = Check(tuple(_on_paper(inputs, one) for one in inputs.units)).refused
    if refused:
        raise InputRefused(refused)
    stand_ins = substitutes(dialects)
    night = night_plan(inputs, asked.seed, stand_ins)
    for role, name in stand_ins.items():
        say(f"{role}: the bench's own dialect has no simulated panel; {name} stands in for it")
    out = asked.out or Path(f"nightramp-{night.runs[0].id}")
    refuse_used_folder(out)
    if asked.speed is not None and not asked.speed > 0:
        raise InputRefused([Problem("command line", "--speed", str(asked.speed), "a number above 0")])

    async def main(clock: VirtualClock) -> Done:
        simulated = _simulated(inputs, night, clock)
        addresses = await simulated.start()
        try:
            instruments = build(inputs.bench.model, _with(dialects, stand_ins), addresses, clock)
            return await _night(night, instruments, clock, out, say)
        finally:
            await simulated.stop()

    with one_core():
        return run_virtual(main, speed=asked.speed, ties_seed=asked.ties_seed)


def _with(dialects: Mapping[RoleName, Dialect], stand_ins: Mapping[RoleName, str]) -> dict[RoleName, Dialect]:
    return dict(dialects) | {role: load_dialect(name, role) for role, name in stand_ins.items()}


def capture_of(volts: Mapping[int, float], window: ShotWindow) -> Capture:
    """The digitiser's own form of a capture."""
    return Capture(dict(volts), window.sample_rate_hz, window.samples, window.before_s)


async def _night(night: NightPlan, instruments: Instruments, clock: VirtualClock, out: Path, say: Say) -> Done:
    """Ledger, analysis thread, supervision; whatever happens the results are written from the ledger."""
    book = Book()
    await book.do(_make, out)
    thinking = ThreadPoolExecutor(max_workers=1, thread_name_prefix="analysis")
    ledger = await book.do(Ledger, out / "ledger.sqlite")
    try:
        desk = Desk(ledger, book, out, Stamps(clock, DRY_START))
        keeper = Keeper(desk, instruments.hands, clock, lambda run, row: say(point_line(run.unit.serial, row)))
        shooter = Shooter(instruments.hands, clock, night.bench.digitiser.bits, capture_of)
        work = Night(night, Doing(instruments.hands, clock, keeper, thinking, shooter, say))
        ended = await supervise(work, keeper, night, say)
        await instruments.close()
        results = await keeper.write_results()
        await book.do(ledger.checkpoint)
    finally:
        await book.do(ledger.close)
        book.close()
        thinking.shutdown(wait=True)
    return Done(exit_code(ended), _closing(ended, results, out), results, out, clock.now_ns() / 1e9)


def _make(out: Path) -> None:
    out.mkdir(parents=True, exist_ok=True)


def _closing(ended: Ended, results: Mapping[str, Any], out: Path) -> str:
    lines = [points_table(dict(results)), "", *ended.lines, f"kept in {out}/"]
    return "\n".join(lines)


def _simulated(inputs: Inputs, night: NightPlan, clock: VirtualClock) -> SimulatedBench:
    from simulators.bench import SimulatedBench

    from sequencer.simulated import bench_spec

    return SimulatedBench(bench_spec(inputs, night), clock, night.seed)
