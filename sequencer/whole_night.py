"""A night from its plan to its results: ledger, analysis thread, supervision. On whichever instruments and clock it is
handed."""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from drivers.roles.capture import Capture
from drivers.timing import Clock
from sequencer.errors import Fault, InputRefused, Problem
from sequencer.ledger.declared import Declared, DeclaredNight, DeclaredRun, write_declared
from sequencer.ledger.store import Ledger
from sequencer.memory import give_back
from sequencer.night.asking import Asking, nobody_there
from sequencer.night.attend import attend
from sequencer.night.book import Book, OneThread
from sequencer.night.commands import Commands
from sequencer.night.feed import Heard, Told, feeding, last_word
from sequencer.night.guarding import Guarding
from sequencer.night.keeping import Desk, Keeper
from sequencer.night.listen import Listener
from sequencer.night.night import Doing, Night
from sequencer.night.onlook import Onlooker, looking_on
from sequencer.night.outputs import OutputsLook
from sequencer.night.setup import NightPlan, UnitRun
from sequencer.night.shelf import Shelf
from sequencer.night.shot import Shooter
from sequencer.night.stamps import Stamps, run_id
from sequencer.night.supervise import Ended, exit_code, supervise
from sequencer.on_paper import version
from sequencer.plan.estimate import ShotWindow
from sequencer.plan.expand import expand
from sequencer.plan.inputs import Inputs
from sequencer.plan.models import RoleName
from sequencer.publish.broker_url import Broker
from sequencer.report.tables import points_table
from sequencer.roles import Instruments


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
    lines: tuple[str, ...] = ()  # how it ended, of `text`

    def and_said(self, line: str | None) -> Done:
        """With one more line at its end, if there is one."""
        return self if line is None else replace(self, text=f"{self.text}\n{line}", lines=(*self.lines, line))

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
    method = inputs.method.model if inputs.method else None
    bench_file = bench.name if bench.path.stem == bench.name else str(bench.path.resolve())
    return NightPlan(
        plan.model, bench.model, runs, seed, plan.sha256, bench.sha256, version(), stand_ins, method, bench_file
    )


def capture_of(volts: Mapping[int, float], window: ShotWindow) -> Capture:
    """The digitiser's own form of a capture."""
    return Capture(dict(volts), window.sample_rate_hz, window.samples, window.before_s, window.delay_s)


@dataclass(frozen=True)
class Place:
    """Where a night is kept, and where it is told. start: wall time at the clock's nought. guarding: the process that
    outlives this one, None in simulated time. keep_shots: all of them, whole. one_of_many: the ledger keeps others
    too. commands: what is done of what comes over MQTT; None: nothing. onlooker: a page."""

    out: Path
    broker: Broker | None
    listener: Listener
    start: datetime
    guarding: Guarding | None = None
    keep_shots: bool = False
    asking: Asking = nobody_there
    one_of_many: bool = False
    commands: Commands | None = None
    onlooker: Onlooker | None = None


async def whole_night(night: NightPlan, instruments: Instruments, clock: Clock, place: Place) -> Done:
    """Ledger, analysis thread, supervision; whatever happens the results are written from the ledger."""
    book, out, say = Book(), place.out, place.listener.said
    thinking = OneThread("analysis")
    ledger = await book.do(Ledger, out / "ledger.sqlite")
    try:
        if night.resumed is None:
            said = declared_of(night, simulated=place.guarding is None, keep_shots=place.keep_shots)
            await book.do(write_declared, out, said, one_of_many=place.one_of_many)
        elif (await book.do(ledger.last_told))[0] != night.resumed.seq:
            words = "another process went on with it since it was read: resume it again, if it is not done"
            raise InputRefused([Problem(str(out), "ledger", "grown", words)])
        desk = Desk(ledger, book, out, Stamps(clock, place.start), Shelf(out, book) if place.keep_shots else None)
        shooter = Shooter(instruments.hands, clock, night.bench.digitiser.bits, capture_of)
        attend(shooter, night.bench, place.asking, say)
        outputs = OutputsLook(shooter, night.bench)
        keeper = Keeper(desk, instruments.hands, clock, place.listener.point_kept, outputs)
        work = Night(night, Doing(instruments.hands, clock, keeper, thinking, shooter, place.listener, place.asking))
        async with (
            looking_on(place.onlooker, work, keeper, place.start) as looking,
            feeding(place.broker, desk, night.bench.name, say, Heard(place.commands)) as feed,
        ):
            work.watch.tell = looking.tells(feed.reading if feed else None)
            if feed and place.commands:
                place.commands.belongs_to(lambda: work.latched, feed.question)
            async with place.guarding.beating(work.watch) if place.guarding else nullcontext():
                ended = await supervise(work, keeper, night, say, place.guarding)
                await instruments.close()
                if place.guarding and (tried := await place.guarding.part(confirmed=ended.confirmed)):
                    ended.lines.append(tried)
                looking.lines = ended.lines
            results, bench_s = await _written(keeper, ended), clock.now_ns() / 1e9
            told = await feed.finish(*last_word(ended)) if feed else None
        ended.lines += [str(told)] if told else []
    finally:
        await book.do(ledger.close)
        book.close()
        thinking.shutdown(wait=True)
        give_back()
    worked_s = {"analysis": thinking.worked_s, "ledger": book.worked_s}
    text, lines = _closing(ended, results, out), tuple(ended.lines)
    return Done(exit_code(ended), text, results, out, bench_s, told, worked_s, lines)


def declared_of(night: NightPlan, *, simulated: bool, keep_shots: bool) -> Declared:
    """What a night was told."""
    runs = {run.id: DeclaredRun(unit=run.unit, bay=run.bay.name, reference=run.reference) for run in night.runs}
    begun = DeclaredNight(
        order=tuple(runs),
        seed=night.seed,
        simulated=simulated,
        bench_file=night.bench_file,
        plan_sha256=night.plan_sha256,
        bench_sha256=night.bench_sha256,
        version=night.version,
        keep_shots=keep_shots,
        method=night.method,
    )
    if night.proof is not None:  # else absent: what was not set is not written
        begun = begun.model_copy(update={"proof": dict(night.proof)})
    return Declared(plan=night.plan, bench=night.bench, run=runs, night=begun)


async def _written(keeper: Keeper, ended: Ended) -> dict[str, Any]:
    """Results from the ledger; where they can't be written (a full disk), that is said, and what is kept stays kept."""
    try:
        return await keeper.write_results()
    except (Fault, OSError) as error:
        ended.way = "fault"
        ended.lines.append(f"internal fault: results not written: {error}")
        return {"format": 1, "runs": [], "suspect": None}


def make_folder(out: Path) -> None:
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
