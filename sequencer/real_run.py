"""`run`: a plan on real instruments in real time. Lock, frozen file and guardian come before the first link opens."""

from __future__ import annotations

import os
import secrets
import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from drivers.dialect import Dialect
from sequencer.clock import RealClock, run_real
from sequencer.errors import InputRefused, Problem
from sequencer.ledger.opening import refuse_used_folder
from sequencer.lock import BenchHeld, BenchLock
from sequencer.night.asking import AtTerminal, nobody_there
from sequencer.night.guarding import Guarding
from sequencer.night.listen import Listener
from sequencer.night.setup import NightPlan
from sequencer.on_paper import Check, check, read
from sequencer.plan.arming import WORD, arming_lines
from sequencer.plan.inputs import Inputs
from sequencer.plan.models import RoleName
from sequencer.plan.within_bench import LOOPBACK
from sequencer.publish.broker_url import Broker
from sequencer.roles import build
from sequencer.safety.freeze import began, write
from sequencer.safety.frozen_bench import Held, freeze, host_and_port
from sequencer.safety.guardian_record import read_record
from sequencer.safety.lifeline import Lifeline, NotArmed, guarded
from sequencer.whole_night import Done, Place, make_folder, night_plan, whole_night

PROOF = "bench_check"
Say = Callable[[str], None]
Ask = Callable[[str], str]


@dataclass(frozen=True)
class RealRun:
    """What `run` was asked. armed_by: who answers for it, where nobody is there to type the word."""

    plan: str
    units: tuple[str, ...]
    bench: str
    out: Path | None
    armed_by: str | None
    broker: Broker | None
    listener: Listener
    keep_shots: bool = False


@dataclass(frozen=True)
class _Ready:
    """All that was proved on paper."""

    inputs: Inputs
    dialects: dict[RoleName, Dialect]
    addresses: dict[str, str]
    night: NightPlan
    out: Path


def real_run(asked: RealRun, ask: Ask | None) -> Done:
    """ask: shows a prompt and returns what was typed; None where nobody is there. Raises InputRefused before anything
    is touched, also where the word is not typed."""
    say = asked.listener.said
    on_paper = check(asked.plan, asked.units, asked.bench)
    ready = _ready(asked, on_paper)
    lock = BenchLock(ready.addresses)
    _arm(asked, on_paper, ask)
    try:
        with lock.taken(ready.night.bench.name, ready.inputs.bench.path):
            record = lock.path.with_suffix(".guardian.jsonl")
            _tell_last(record, say)
            make_folder(ready.out)
            return run_real(lambda clock: _guarded_night(asked, ready, _Held(lock, record), clock))
    except BenchHeld as held:
        words = f"{held}: wait for it, or end it with `nightramp make-safe`"
        raise InputRefused([Problem(ready.inputs.bench.name, "role.generator.address", "held", words)]) from None
    except NotArmed as not_armed:
        raise InputRefused([Problem("this machine", "guardian", "not armed", str(not_armed))]) from None


def _ready(asked: RealRun, on_paper: Check) -> _Ready:
    if on_paper.refused:
        raise InputRefused(on_paper.refused)
    inputs, dialects = read(asked.plan, asked.units, asked.bench)
    bench = inputs.bench.model
    addresses: dict[str, str] = {name: bench.role[name].address for name in bench.roles()}
    problems = _addresses(inputs.bench.name, addresses)
    if not problems and not all(LOOPBACK.fullmatch(host_and_port(one)[0]) for one in addresses.values()):
        problems += _unproved(inputs, on_paper)
    if problems:
        raise InputRefused(problems)
    night = night_plan(inputs, secrets.randbelow(2**31), {})
    out = asked.out or Path(f"nightramp-{night.runs[0].id}")
    refuse_used_folder(out)
    return _Ready(inputs, dialects, addresses, night, out)


def _addresses(bench: str, addresses: dict[str, str]) -> list[Problem]:
    """Only what the guardian can reach may be energised."""
    problems = []
    for name, address in addresses.items():
        try:
            host_and_port(address)
        except ValueError as error:
            problems.append(Problem(bench, f"role.{name}.address", repr(address), str(error)))
    return problems


def _unproved(inputs: Inputs, on_paper: Check) -> list[Problem]:
    """Off this machine nothing is driven before wiring, probes and loads were proved at 50 mV in the same night."""
    if all(any(point.measurement == PROOF for point in one.points) for one in on_paper.units):
        return []
    words = f"on real instruments a stage with measurement {PROOF!r} must prove wiring, probes and loads before drive"
    return [Problem(inputs.plan.name, "stage", "no such stage", words)]


def _arm(asked: RealRun, on_paper: Check, ask: Ask | None) -> None:
    """Shown every time; the word, or a name, before anything is touched."""
    for line in arming_lines(on_paper.units):
        asked.listener.said(line)
    if asked.armed_by:
        asked.listener.said(f"armed by {asked.armed_by}")
        return
    if ask is None:
        words = "nobody is at a terminal to type the word: name who answers for it, --armed-by NAME"
        raise InputRefused([Problem("command line", "--armed-by", "absent", words)])
    if ask(f"Type {WORD} to go on, anything else to leave it: ").strip() != WORD:
        raise InputRefused([Problem("terminal", "word", "not typed", f"nothing was energised; {WORD} goes on")])


@dataclass(frozen=True)
class _Held:
    lock: BenchLock
    record: Path


def _tell_last(record: Path, say: Say) -> None:
    """What the guardian did since the last start, once; then its record is put aside."""
    if (last := read_record(record)) is not None:
        say(f"the guardian acted since the last start, in run {last.run}: {last.sentence}")
        record.replace(record.with_suffix(".told.jsonl"))


async def _guarded_night(asked: RealRun, ready: _Ready, held: _Held, clock: RealClock) -> Done:
    bleed_s = max(run.unit.bleed_s for run in ready.night.runs)
    pid = os.getpid()
    who = Held(ready.night.runs[0].id, ready.night.bench.name, pid, began(pid), str(held.record), bleed_s)
    stricter = {name: role.identity for name, role in ready.inputs.bench.model.role.items()}
    write(held.lock.frozen_path, freeze(who, ready.dialects, ready.addresses, stricter))
    async with guarded(held.lock.frozen_path) as lifeline:
        asked.listener.said(f"guardian armed, process {lifeline.pid}")
        return await _night(asked, ready, lifeline, clock)


async def _night(asked: RealRun, ready: _Ready, lifeline: Lifeline, clock: RealClock) -> Done:
    instruments = build(ready.inputs.bench.model, ready.dialects, ready.addresses, clock)
    guarding = Guarding(lifeline, clock)
    begun = datetime.now(UTC)  # noqa: TID251 (a night on a bench begins at this hour)
    there = asked.armed_by is None and sys.stdin.isatty()
    asking = AtTerminal(sys.stdin, asked.listener.said, clock) if there else nobody_there
    place = Place(ready.out, asked.broker, asked.listener, begun, guarding, asked.keep_shots, asking)
    return await whole_night(ready.night, instruments, clock, place)
