"""`instruments`: who answers on a bench; and the bench proved, on its own instruments or in simulated time.

On real instruments lock, frozen file and guardian come before the first link opens, as in `real_run`.
"""

from __future__ import annotations

import os
import sys
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from drivers.dialect import Dialect, load_dialect
from drivers.timing import Clock
from sequencer.clock import RealClock, VirtualClock, one_core, run_real, run_virtual
from sequencer.compose import DRY_START, Rig, Scripted, simulated_bench
from sequencer.errors import (
    EXIT_DONE,
    EXIT_FAULT,
    EXIT_NOT_CONFIRMED_SAFE,
    EXIT_STOPPED,
    EXIT_TRIPPED,
    InputRefused,
    Problem,
)
from sequencer.lock import BenchHeld, BenchLock
from sequencer.measurements.requests import Answer, Ask
from sequencer.memory import keep_buffers
from sequencer.night.asking import Asking, AtTerminal, nobody_there
from sequencer.night.attend import attend
from sequencer.night.guarding import Guarding
from sequencer.night.shot import Shooter
from sequencer.night.supervise import LONGEST_BLEED_S
from sequencer.plan.inputs import Loaded
from sequencer.plan.load import load_bench
from sequencer.plan.models import Bench, RoleName
from sequencer.proving.keep import files_now, record_path, refuse_place, write_proof
from sequencer.proving.printing import arming_lines
from sequencer.proving.record import Proof
from sequencer.proving.supervised import Ended, Progress, Work, to_its_end
from sequencer.proving.who import Who, who_answers
from sequencer.real_run import addresses_of, arm, links_missing, refuse_nobody_there, tell_last
from sequencer.roles import Instruments, build, codecs_told, load_dialects, substitutes
from sequencer.safety.freeze import began, write
from sequencer.safety.frozen_bench import Held, freeze
from sequencer.safety.lifeline import NotArmed, guarded
from sequencer.safety.remedies import NOT_SAFE, remedy
from sequencer.simulating import Standing
from sequencer.whole_night import capture_of

TYPED = "who typed the word at the terminal"
SEED = 1  # of simulated chance

Say = Callable[[str], None]


@dataclass(frozen=True)
class ProveAsked:
    """What `instruments` was asked. by: who answers for it, where nobody types the word. proof: where the record goes,
    else beside the bench's file."""

    bench: str
    by: str | None = None
    proof: Path | None = None
    simulated: bool = False


@dataclass(frozen=True)
class Proved:
    """How it ended. proof: the record as it was written; None where none was. lines: for a person."""

    exit_code: int
    proof: Proof | None
    path: Path
    lines: tuple[str, ...] = ()


def who_is_there(asked: ProveAsked) -> tuple[Loaded[Bench], tuple[Who, ...]]:
    """Asks each instrument its identity, and nothing else. Raises InputRefused, also where another process has the
    bench: an instrument may bear one connection only."""
    bench = load_bench(asked.bench)
    dialects = load_dialects(bench)
    if asked.simulated:

        async def main(clock: VirtualClock) -> tuple[Who, ...]:
            async with _simulated(bench, _stood_in(dialects), clock, lambda line: None) as (used, addresses, _):
                return await who_answers(bench.model, used, addresses, clock)

        return bench, run_virtual(main)
    addresses: dict[str, str] = {name: bench.model.role[name].address for name in bench.model.roles()}
    if problems := links_missing(bench, addresses):
        raise InputRefused(problems)
    try:
        with BenchLock(addresses).taken(bench.model.name, bench.path):
            return bench, run_real(lambda clock: who_answers(bench.model, dialects, addresses, clock))
    except BenchHeld as held:
        raise _held(held, bench) from None


def prove_bench(asked: ProveAsked, say: Say, ask: Callable[[str], str] | None) -> Proved:
    """ask: as in `real_run`. Raises InputRefused before anything is touched, also where the word is not typed."""
    bench = load_bench(asked.bench)
    dialects = load_dialects(bench)
    path = record_path(bench, asked.proof)
    refuse_place(path, simulated=asked.simulated)
    for line in codecs_told(dialects):
        say(line)
    job = Job(bench, dialects, files_now(bench, dialects), path, asked)
    return _in_simulated_time(job, say) if asked.simulated else _for_real(job, say, ask)


@dataclass(frozen=True)
class Job:
    """A bench that is to be proved. files: sha256 by name, as they were read."""

    bench: Loaded[Bench]
    dialects: Mapping[RoleName, Dialect]
    files: Mapping[str, str]
    path: Path
    asked: ProveAsked


def _for_real(job: Job, say: Say, ask: Callable[[str], str] | None) -> Proved:
    model = job.bench.model
    if job.asked.by:
        refuse_nobody_there(model, job.bench.name)
    addresses = addresses_of(job.bench)
    if problems := links_missing(job.bench, addresses):
        raise InputRefused(problems)
    lock = BenchLock(addresses)
    try:
        if (holder := lock.held_by()) is not None:
            raise BenchHeld(holder)
        arm(arming_lines(model), job.asked.by, say, ask, "--by")
        with lock.taken(model.name, job.bench.path):
            record = lock.path.with_suffix(".guardian.jsonl")
            tell_last(record, say)
            pid = os.getpid()
            who = Held("proving", model.name, pid, began(pid), str(record), LONGEST_BLEED_S)
            stricter = {name: role.identity for name, role in model.role.items()}
            write(lock.frozen_path, freeze(who, job.dialects, addresses, stricter))
            return run_real(lambda clock: _guarded(job, lock, addresses, clock, say))
    except BenchHeld as held:
        raise _held(held, job.bench) from None
    except NotArmed as not_armed:
        raise InputRefused([Problem("this machine", "guardian", "not armed", str(not_armed))]) from None


async def _guarded(job: Job, lock: BenchLock, addresses: Mapping[str, str], clock: RealClock, say: Say) -> Proved:
    progress = Progress(clock)
    begun = datetime.now(UTC)  # noqa: TID251 (a bench is proved on a date)
    there = job.asked.by is None and sys.stdin.isatty()
    asking = progress.asking(AtTerminal(sys.stdin, say, clock) if there else nobody_there)
    async with guarded(lock.frozen_path) as lifeline:
        say(f"guardian armed, process {lifeline.pid}")
        guarding = Guarding(lifeline, clock)
        async with guarding.beating(progress):
            instruments = build(job.bench.model, job.dialects, addresses, clock, progress.link)
            _attended(job.bench.model, instruments, clock, asking, say)
            ended = await to_its_end(
                Work(job.bench.model, job.dialects, instruments, clock, asking), say, guarding.gone
            )
            await instruments.close()
            if tried := await guarding.part(confirmed=ended.made_safe):
                say(tried)
    return _closed(job, ended, (begun, begun + timedelta(seconds=clock.now_ns() / 1e9)))


def _in_simulated_time(job: Job, say: Say) -> Proved:
    used = _stood_in(job.dialects)

    async def main(clock: VirtualClock) -> Proved:
        async with _simulated(job.bench, used, clock, say) as (dialects, addresses, asking):
            instruments = build(job.bench.model, dialects, addresses, clock)
            _attended(job.bench.model, instruments, clock, asking, say)
            ended = await to_its_end(Work(job.bench.model, dialects, instruments, clock, asking), say)
            await instruments.close()
        return _closed(job, ended, (DRY_START, DRY_START + timedelta(seconds=clock.now_ns() / 1e9)))

    keep_buffers()
    with one_core():
        return run_virtual(main)


def _attended(bench: Bench, instruments: Instruments, clock: Clock, asking: Asking, say: Say) -> None:
    """Where a person works the supply: who is asked, and what looks at it."""
    attend(Shooter(instruments.hands, clock, bench.digitiser.bits, capture_of), bench, asking, say)


def _stood_in(dialects: Mapping[RoleName, Dialect]) -> dict[RoleName, Dialect]:
    """A dialect of one's own has no simulated panel: one that ships stands in for it."""
    return dict(dialects) | {role: load_dialect(name, role) for role, name in substitutes(dialects).items()}


@asynccontextmanager
async def _simulated(
    bench: Loaded[Bench], used: Mapping[RoleName, Dialect], clock: VirtualClock, say: Say
) -> AsyncIterator[tuple[Mapping[RoleName, Dialect], dict[str, str], Asking]]:
    """Its dialects, addresses, and a person who is played, with no unit in any bay."""
    simulated = simulated_bench(Standing(bench, ()), SEED, used, clock, Rig())
    addresses = await simulated.start()
    try:
        yield used, dict(addresses), _willing(Scripted((), simulated, say))
    finally:
        await simulated.stop()


def _willing(played: Scripted) -> Asking:
    """Switches and connects as asked; of a sensor to be warmed, which no simulated bench shows, nothing is said."""

    async def answered(ask: Ask) -> Answer:
        return await (nobody_there if ask.deed is None else played)(ask)

    return answered


def _closed(job: Job, ended: Ended, span: tuple[datetime, datetime]) -> Proved:
    """The record, where it came to its end and the files are still what was proved."""
    codes = {"stopped": EXIT_STOPPED, "gone": EXIT_TRIPPED, "fault": EXIT_FAULT}
    if ended.way != "done":
        return Proved(codes[ended.way] if ended.made_safe else EXIT_NOT_CONFIRMED_SAFE, None, job.path, ended.lines)
    proof = Proof(
        bench=job.bench.model.name,
        files=job.files,
        identities=ended.identities,
        simulated=job.asked.simulated,
        started=span[0].isoformat(timespec="milliseconds"),
        ended=span[1].isoformat(timespec="milliseconds"),
        by=job.asked.by or ("nobody, in simulated time" if job.asked.simulated else TYPED),
        made_safe=ended.made_safe,
        steps=ended.steps,
    )
    code = EXIT_NOT_CONFIRMED_SAFE if not proof.made_safe else EXIT_DONE if proof.held else EXIT_TRIPPED
    is_safe = proof.made_safe or proof.simulated
    lines = () if is_safe else (f"NOT CONFIRMED SAFE; next: {remedy(NOT_SAFE)}",)
    if not _are_the_same(job):
        words = "a file of the bench changed while it was being proved: nothing is kept of it; prove it again"
        return Proved(code or EXIT_TRIPPED, None, job.path, (*lines, words))
    try:
        write_proof(job.path, proof)
    except OSError as error:
        words = f"the record could not be written to {job.path}: {error.strerror}: make room, prove it again"
        return Proved(code or EXIT_FAULT, None, job.path, (*lines, words))
    return Proved(code, proof, job.path, lines)


def _are_the_same(job: Job) -> bool:
    try:
        return files_now(load_bench(job.asked.bench), job.dialects) == job.files
    except InputRefused:
        return False


def _held(held: BenchHeld, bench: Loaded[Bench]) -> InputRefused:
    words = f"{held}: wait for it, or end it with `nightramp make-safe`"
    return InputRefused([Problem(bench.name, "role.generator.address", "held", words)])
