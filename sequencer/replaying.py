"""`replay`: a recorded night once more, its instruments answered by the recording: on a machine without any, in as long
as the analysis takes."""

from __future__ import annotations

import asyncio
import json
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from drivers.dialect import Dialect, DialectProblems, dialect_from_text, load_dialect
from drivers.replay_link import Replay
from drivers.tape import EVENT, NOBODY, SENT, Entry, NoTape, entries, escaped
from sequencer.clock import VirtualClock, one_core, run_virtual
from sequencer.errors import InputRefused, Problem
from sequencer.ledger.declared import Declared
from sequencer.measurements.requests import Answer, Ask
from sequencer.night.asking import nobody_there
from sequencer.night.listen import Listener
from sequencer.night.setup import NightPlan, UnitRun
from sequencer.plan.expand import expand
from sequencer.plan.models import RoleName
from sequencer.recording import ANSWER, END, NIGHT, RECORDING_NAME, came_of
from sequencer.roles import build
from sequencer.whole_night import Done, Place, make_folder, whole_night

Say = Callable[[str], None]


@dataclass(frozen=True)
class Head:
    """What the first line tells: the night, how it was spoken to, and when."""

    declared: Declared
    dialects: dict[RoleName, Dialect]
    start: datetime
    resumed: bool
    asked: bool


@dataclass(frozen=True)
class Looked:
    """A recording read through once. messages: sent, per instrument; ended: what came of it, None where it breaks off.
    answers: of people, with their times in ns. problem: the first line that was changed, if one was."""

    path: Path
    messages: Mapping[str, int]
    last_s: float
    ended: Mapping[str, Any] | None
    answers: tuple[tuple[int, Mapping[str, Any]], ...] = ()
    problem: str = ""

    def lines(self) -> list[str]:
        many = sum(self.messages.values())
        told = [f"{self.path}: {many} messages to {len(self.messages)} instruments, {self.last_s:.3f} s of bench time"]
        told += [f"  {who:12} {count} messages" for who, count in sorted(self.messages.items())]
        if self.ended is None:
            told.append("  it breaks off: whoever wrote it was ended in the middle")
        return told


def recording_file(asked: Path) -> Path:
    """The file itself, or the one in that folder."""
    return asked / RECORDING_NAME if asked.is_dir() else asked


def looked_through(path: Path) -> Looked:
    """Every line read, every check worked out; behind a line that was changed they are only counted. Raises
    InputRefused where it can't be read at all."""
    try:
        return _looked(path, trusted=False)
    except NoTape as wrong:
        problem = str(wrong)
    try:
        return replace(_looked(path, trusted=True), problem=problem)
    except NoTape as wrong:
        raise _refused(path, "file", "(see there)", str(wrong)) from None


def _looked(path: Path, *, trusted: bool) -> Looked:
    messages: Counter[str] = Counter()
    ended, last_ns, answers = None, 0, []
    for entry in _read(path, trusted=trusted):
        last_ns = max(last_ns, entry.t_ns)
        if entry.who == NOBODY:
            text = entry.data.decode("utf-8", "replace")
            if text.startswith(ANSWER):
                answers.append((entry.t_ns, _json(text.removeprefix(ANSWER))))
            ended = _json(text.removeprefix(END)) if text.startswith(END) else ended
        elif entry.sign == SENT:
            messages[entry.who] += 1
    return Looked(path, messages, last_ns / 1e9, ended, tuple(answers))


def _json(text: str) -> Mapping[str, Any]:
    """Raises NoTape: in a file edited by hand."""
    try:
        found: Mapping[str, Any] = dict(json.loads(text))
    except (ValueError, TypeError):
        raise NoTape(f"what is told of the night can't be read: {text[:60]!r}") from None
    return found


def _read(path: Path, *, trusted: bool) -> Iterator[Entry]:
    try:
        with path.open(encoding="latin-1", newline="\n") as file:
            yield from entries(file, trusted=trusted)
    except OSError as error:
        raise InputRefused(
            [Problem("command line", "RECORDING", str(path), f"can't be read: {(error.strerror or '').lower()}")]
        ) from None


def head_of(path: Path) -> Head:
    """Raises InputRefused: no night on its first line, or one that this version can't read."""
    first = next(_read(path, trusted=True), None)
    text = "" if first is None else first.data.decode("utf-8", "replace")
    if first is None or first.who != NOBODY or not text.startswith(NIGHT):
        raise _refused(path, "line 2", "absent", "no night is told there: it can be looked through, not replayed")
    try:
        told = json.loads(text.removeprefix(NIGHT))
        declared = Declared.model_validate_json(json.dumps(told["declared"]))
        if declared.night is None:
            raise KeyError("declared.night")
        dialects = {
            role: _dialect(role, name, told["texts"].get(role), declared) for role, name in told["dialects"].items()
        }
        return Head(
            declared, dialects, datetime.fromisoformat(told["start"]), bool(told["resumed"]), bool(told["asked"])
        )
    except (ValueError, KeyError, TypeError, ValidationError) as error:
        why = f"can't be read by this version: {type(error).__name__}: {str(error)[:200]}"
        raise _refused(path, "line 2", "(see there)", why) from None
    except DialectProblems as wrong:
        raise InputRefused([Problem(str(path), p.key, p.found, p.remedy) for p in wrong.problems]) from None


def _dialect(role: RoleName, name: str, text: str | None, declared: Declared) -> Dialect:
    channel = declared.bench.role[role].channel
    return load_dialect(name, role, channel) if text is None else dialect_from_text(text, name, role, channel)


def _refused(path: Path, key: str, value: str, remedy: str) -> InputRefused:
    return InputRefused([Problem(str(path), key, value, remedy)])


@dataclass(frozen=True)
class Replayed:
    """done: the night as it came out now. difference: the first one, empty if there is none."""

    done: Done | None
    difference: str


def replay_night(looked: Looked, out: Path, listener: Listener) -> Replayed:
    """The recorded night into the folder `out`. Ends by itself: with the recording, or at the first difference. Raises
    InputRefused."""
    head = head_of(looked.path)
    if head.resumed:
        raise _refused(looked.path, "line 2", "resumed", "a night that was gone on with can't be replayed")
    make_folder(out)
    night = _night(head)
    assert head.declared.night is not None
    keep_shots = head.declared.night.keep_shots
    replay = Replay(entry for entry in _read(looked.path, trusted=True) if entry.who != NOBODY)

    async def main(clock: VirtualClock) -> Done | None:
        bench = head.declared.bench
        addresses: dict[str, str] = {name: bench.role[name].address for name in bench.roles()}
        instruments = build(bench, head.dialects, addresses, clock, replay.link)
        asking = Answers(list(looked.answers), clock) if head.asked else nobody_there
        place = Place(out, None, listener, head.start, keep_shots=keep_shots, asking=asking)
        work = asyncio.create_task(whole_night(night, instruments, clock, place), name="replayed night")
        differs = asyncio.create_task(replay.differs.wait(), name="first difference")
        await asyncio.wait((work, differs), return_when=asyncio.FIRST_COMPLETED)
        if replay.difference is not None:
            work.cancel()
            await asyncio.wait((work,))
            await instruments.close()
            return None
        differs.cancel()
        return work.result()

    with one_core():
        done = run_virtual(main)
    if replay.difference is not None:
        broken_off = replay.is_over and looked.ended is None
        return Replayed(None, "" if broken_off else str(replay.difference))
    assert done is not None
    return Replayed(done, _what_is_left(replay) or _results_apart(looked, done))


@dataclass(frozen=True)
class Answers:
    """What people said, at their times. A question that was broken off had no answer, and has none now."""

    said: list[tuple[int, Mapping[str, Any]]]
    clock: VirtualClock

    async def __call__(self, ask: Ask) -> Answer:
        if not self.said or self.said[0][1].get("question") != ask.question:
            await asyncio.get_running_loop().create_future()
        at_ns, told = self.said.pop(0)
        await self.clock.sleep_until_ns(at_ns)
        return Answer(str(told["choice"]), bool(told["by_a_person"]))


def _night(head: Head) -> NightPlan:
    declared, told = head.declared, head.declared.night
    assert told is not None
    runs = []
    for name in told.order:
        one = declared.run[name]
        bay = next(bay for bay in declared.bench.bay if bay.name == one.bay)
        points = expand(declared.plan, one.unit, declared.bench)
        runs.append(UnitRun(name, one.unit, bay, points, one.reference))
    return NightPlan(
        declared.plan,
        declared.bench,
        tuple(runs),
        told.seed,
        told.plan_sha256,
        told.bench_sha256,
        told.version,
        {},
        told.method,
        told.bench_file,
        proof=told.proof,
    )


def _what_is_left(replay: Replay) -> str:
    entry = replay.left()
    if entry is None:
        return ""
    kind = "what was sent" if entry.sign == SENT else "the link" if entry.sign == EVENT else "what came"
    return (
        f"{entry.who} at {entry.at} s (line {entry.line}): recorded, and not done now: "
        f"{kind}, {escaped(entry.data)[:120]}"
    )


def _results_apart(looked: Looked, done: Done) -> str:
    """Every byte was the same; so must the results be, unless they are worked out otherwise now."""
    if looked.ended is None:
        return ""
    then, now = looked.ended, came_of(done.results, done.exit_code)
    if then == now:
        return ""
    apart = sorted(key for key in then["points"] | now["points"] if then["points"].get(key) != now["points"].get(key))
    if apart:
        return f"every message is the same, but the results are not: {', '.join(apart[:10])} differ"
    if then["exit_code"] != now["exit_code"]:
        return f"every message is the same, but it ended {then['exit_code']} then and {now['exit_code']} now"
    return "every message and each point are the same, but not all of the results' other rows"
