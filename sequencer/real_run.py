"""`run`: a plan on real instruments in real time. Lock, frozen file and guardian come before the first link opens, but
for the question who is there, where a proof says who was.
"""

from __future__ import annotations

import os
import secrets
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from drivers.dialect import Dialect
from drivers.resource import Kind, kind_of, missing, missing_library
from sequencer.clock import RealClock, run_real
from sequencer.errors import InputRefused, Problem
from sequencer.ledger.opening import refuse_used_folder
from sequencer.ledger.room import refuse_small_disk
from sequencer.lock import BenchHeld, BenchLock
from sequencer.night.asking import Asking, AtTerminal, nobody_there
from sequencer.night.commands import Commands
from sequencer.night.guarding import Alive, Guarding
from sequencer.night.listen import Listener
from sequencer.night.onlook import Onlooker
from sequencer.night.questions import Questions
from sequencer.night.setup import NightPlan
from sequencer.on_paper import Check, checked
from sequencer.plan.arming import WORD, arming_lines
from sequencer.plan.inputs import Inputs, Loaded
from sequencer.plan.models import Bench, RoleName
from sequencer.plan.within_bench import LOOPBACK
from sequencer.proving.gate import sentence
from sequencer.proving.keep import USUAL, ProofAsked, held_against, standing
from sequencer.proving.who import identities
from sequencer.publish.broker_url import Broker
from sequencer.recording import Recorded, record_path, recording
from sequencer.resuming import Begun, begun
from sequencer.roles import build, codecs_told
from sequencer.safety.freeze import began, write
from sequencer.safety.frozen_bench import SWITCHED_OFF, Held, freeze, host_and_port
from sequencer.safety.guardian_record import read_record
from sequencer.safety.lifeline import Lifeline, NotArmed, guarded
from sequencer.whole_night import Done, Place, declared_of, make_folder, night_plan, whole_night

PROOF = "bench_check"
Say = Callable[[str], None]
Ask = Callable[[str], str]


@dataclass(frozen=True)
class RealRun:
    """What `run` was asked. armed_by: who answers for it, where nobody is there to type the word. again: a night
    to go on with, which tells itself all but who answers, broker and listener."""

    plan: str
    units: tuple[str, ...]
    bench: str
    out: Path | None
    armed_by: str | None
    broker: Broker | None
    listener: Listener
    keep_shots: bool = False
    one_of_many: bool = False  # into a ledger that keeps other nights too
    alive: Alive | None = None  # hears that the watch makes progress
    commands: Commands | None = None  # what is done of what comes over MQTT
    again: Begun | None = None
    record: Path | None = None  # where every byte of the links is written
    proof: ProofAsked = USUAL
    onlooker: Onlooker | None = None  # a page


@dataclass(frozen=True)
class Ready:
    """All that was proved on paper."""

    inputs: Inputs
    dialects: dict[RoleName, Dialect]
    addresses: dict[str, str]
    night: NightPlan
    out: Path
    record: Path | None = None


def real_run(asked: RealRun, ask: Ask | None) -> Done:
    """ask: shows a prompt and returns what was typed; None where nobody is there. Raises InputRefused before anything
    is touched, also where the word is not typed."""
    say = asked.listener.said
    again = asked.again
    on_paper, inputs, dialects = again.checked() if again else checked(asked.plan, asked.units, asked.bench)
    ready = _ready(asked, on_paper, inputs, dialects)
    for line in codecs_told(dialects):
        say(line)
    lock = BenchLock(ready.addresses)
    say(bench_line(ready.night.proof))
    arm(arming_lines(on_paper.units), asked.armed_by, say, ask)
    try:
        with lock.taken(ready.night.bench.name, ready.inputs.bench.path):
            record = lock.path.with_suffix(".guardian.jsonl")
            acted = tell_last(record, say)
            if again:
                ready = replace(ready, night=replace(again.night({}, acted), proof=ready.night.proof))
            known = run_real(partial(known_again, asked, ready))
            make_folder(known.out)
            return run_real(lambda clock: guarded_night(asked, known, Hold(lock, record), clock))
    except BenchHeld as held:
        words = f"{held}: wait for it, or end it with `nightramp make-safe`"
        raise InputRefused([Problem(ready.inputs.bench.name, "role.generator.address", "held", words)]) from None
    except NotArmed as not_armed:
        raise InputRefused([Problem("this machine", "guardian", "not armed", str(not_armed))]) from None


def resumed_run(folder: Path, asked: RealRun, ask: Ask | None, only: str | None = None) -> Done:
    """A night that died goes on, all of it or one run by its id. asked: as in `real_run`; plan, units, bench, folder
    and whether shots are kept come from the night itself. Raises InputRefused."""
    again = begun(folder, simulated=False, only=only)
    return real_run(replace(asked, out=folder, keep_shots=again.told.keep_shots, again=again), ask)


def _ready(asked: RealRun, on_paper: Check, inputs: Inputs, dialects: dict[RoleName, Dialect]) -> Ready:
    ready = proved(asked, on_paper, inputs, dialects)
    if asked.again is None:
        refuse_used_folder(ready.out)
    return ready


def proved(asked: RealRun, on_paper: Check, inputs: Inputs, dialects: dict[RoleName, Dialect]) -> Ready:
    """The night as it may be driven. Raises InputRefused: by `check`, by an address, or for want of a proof, be it of
    the bench or in the plan."""
    if on_paper.refused:
        raise InputRefused(on_paper.refused)
    if asked.armed_by:
        refuse_nobody_there(inputs.bench.model, inputs.bench.name)
    addresses = addresses_of(inputs.bench)
    if problems := links_missing(inputs.bench, addresses):
        raise InputRefused(problems)
    is_here = all(_is_here(one) for one in addresses.values())
    if not is_here and (problems := _unproved(inputs, on_paper)):
        raise InputRefused(problems)
    proof = standing(asked.proof, inputs.bench, dialects, datetime.now(UTC))  # noqa: TID251 (proofs age)
    night = asked.again.night({}) if asked.again else night_plan(inputs, secrets.randbelow(2**31), {})
    night = replace(night, proof=proof)
    out = asked.out or Path(f"nightramp-{night.runs[0].id}")
    refuse_small_disk(out, on_paper.needed_bytes(asked.keep_shots))
    record = None if asked.record is None else record_path(asked.record)
    return Ready(inputs, dialects, addresses, night, out, record)


def _is_here(address: str) -> bool:
    return kind_of(address) is Kind.SOCKET and bool(LOOPBACK.fullmatch(host_and_port(address)[0]))


def refuse_nobody_there(bench: Bench, file: str) -> None:
    """Raises InputRefused where a person must switch the supply, and none is there to."""
    if "supply" in bench.by_hand:
        words = "a person switches this bench's supply, also when something goes wrong: be there and type the word"
        raise InputRefused([Problem(file, "role.supply", "(nothing)", words)])


def addresses_of(bench: Loaded[Bench]) -> dict[str, str]:
    """Per role. Only what the guardian can reach may energise: raises InputRefused where that is no raw socket."""
    addresses: dict[str, str] = {name: bench.model.role[name].address for name in bench.model.roles()}
    problems = []
    for name in SWITCHED_OFF.keys() & addresses.keys():
        address = addresses[name]
        try:
            host_and_port(address)
        except ValueError as error:
            words = f"{error}: what can energise needs a LAN port, or a terminal server before its serial or bus port"
            problems.append(Problem(bench.name, f"role.{name}.address", repr(address), words))
    if problems:
        raise InputRefused(sorted(problems))
    return addresses


def links_missing(bench: Loaded[Bench], addresses: Mapping[str, str]) -> list[Problem]:
    """What this machine lacks for the links of a bench; nothing is opened."""
    library = bench.model.visa.library
    if (why := missing_library(library)) is not None:
        return [Problem(bench.name, "visa.library", repr(library), why)]
    found = {name: missing(address, library) for name, address in addresses.items()}
    return [Problem(bench.name, f"role.{n}.address", repr(addresses[n]), why) for n, why in found.items() if why]


def _unproved(inputs: Inputs, on_paper: Check) -> list[Problem]:
    """Off this machine nothing is driven before wiring, probes and loads were proved at 50 mV in the same night."""
    if all(any(point.measurement == PROOF for point in one.points) for one in on_paper.units):
        return []
    words = f"on real instruments a stage with measurement {PROOF!r} must prove wiring, probes and loads before drive"
    return [Problem(inputs.plan.name, "stage", "no such stage", words)]


def bench_line(proof: Mapping[str, Any] | None) -> str:
    """How the bench was proved, as it is shown before anything is energised."""
    return f"  bench proved: {sentence(proof)}" if proof else "  bench proved: not looked up"


def arm(lines: Sequence[str], armed_by: str | None, say: Say, ask: Ask | None, named: str = "--armed-by") -> None:
    """Shown every time; the word, or a name, before anything is touched. named: what gives a name. Raises
    InputRefused."""
    for line in lines:
        say(line)
    if armed_by:
        say(f"armed by {armed_by}")
        return
    if ask is None:
        words = f"nobody is at a terminal to type the word: name who answers for it, {named} NAME"
        raise InputRefused([Problem("command line", named, "absent", words)])
    if ask(f"Type {WORD} to go on, anything else to leave it: ").strip() != WORD:
        raise InputRefused([Problem("terminal", "word", "not typed", f"nothing was energised; {WORD} goes on")])


@dataclass(frozen=True)
class Hold:
    lock: BenchLock
    record: Path


def tell_last(record: Path, say: Say) -> str | None:
    """What the guardian did since the last start, once; then its record is put aside."""
    if (last := read_record(record)) is not None:
        say(f"the guardian acted since the last start, in run {last.run}: {last.sentence}")
        record.replace(record.with_suffix(".told.jsonl"))
        return last.sentence
    return None


async def known_again(asked: RealRun, ready: Ready, clock: RealClock) -> Ready:
    """Its instruments are those that were proved: each is asked who it is, nothing is set. Raises gate.NotProved."""
    bench, stands = ready.inputs.bench, ready.night.proof
    if not stands or not stands.get("proved"):
        return ready
    answers = await identities(bench.model, ready.dialects, ready.addresses, clock)
    proof = held_against(asked.proof, bench, ready.dialects, answers)
    if proof != stands:
        asked.listener.said(bench_line(proof))
    return replace(ready, night=replace(ready.night, proof=proof))


async def guarded_night(asked: RealRun, ready: Ready, held: Hold, clock: RealClock) -> Done:
    bleed_s = max(run.unit.bleed_s for run in ready.night.runs)
    pid = os.getpid()
    who = Held(ready.night.runs[0].id, ready.night.bench.name, pid, began(pid), str(held.record), bleed_s)
    stricter = {name: role.identity for name, role in ready.inputs.bench.model.role.items()}
    write(held.lock.frozen_path, freeze(who, ready.dialects, ready.addresses, stricter))
    async with guarded(held.lock.frozen_path) as lifeline:
        asked.listener.said(f"guardian armed, process {lifeline.pid}")
        return await _night(asked, ready, lifeline, clock)


async def _night(asked: RealRun, ready: Ready, lifeline: Lifeline, clock: RealClock) -> Done:
    guarding = Guarding(lifeline, clock, asked.alive)
    now = datetime.now(UTC)  # noqa: TID251 (a night on a bench begins at this hour)
    there = asked.armed_by is None and sys.stdin.isatty()
    asking: Asking = AtTerminal(sys.stdin, asked.listener.said, clock) if there else nobody_there
    if (questions := _questions(asked)) is not None:
        questions.at_terminal = asking if there else None
        asking = questions
    told = declared_of(ready.night, simulated=False, keep_shots=asked.keep_shots)
    recorded = Recorded(told, ready.dialects, now, asked.again is not None, asking is not nobody_there)
    with recording(ready.record, recorded) as kept:
        heard = kept.asking(asking, clock)
        place = Place(ready.out, asked.broker, asked.listener, now, guarding, asked.keep_shots, heard)
        place = replace(place, one_of_many=asked.one_of_many, commands=asked.commands, onlooker=asked.onlooker)
        instruments = build(ready.inputs.bench.model, ready.dialects, ready.addresses, clock, kept.links)
        done = await whole_night(ready.night, instruments, clock, place)
        kept.ended(done)
    return done.and_said(kept.words)


def _questions(asked: RealRun) -> Questions | None:
    """Where others than the terminal may answer: over MQTT, on a page; both have the same ones."""
    afar = (asked.commands, asked.onlooker.commands if asked.onlooker else None)
    return next((one.acts.questions for one in afar if one is not None and one.acts.questions is not None), None)
