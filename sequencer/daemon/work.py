"""The daemon's own loop: one entry of the queue after the other, each a whole guarded night of one unit.

Nothing is energised between two nights: then, and only then, files are read and the queue is written.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from drivers.timing import Clock
from sequencer.clock import RealClock
from sequencer.daemon.adding import time_s
from sequencer.daemon.decide import (
    After,
    Close,
    Left,
    PutOnHold,
    Refer,
    Rest,
    Span,
    Take,
    Waiting,
    after,
    next_act,
    worst,
)
from sequencer.daemon.fitting import causes, changed_bench, of_one_unit, refuse_changed, sha256
from sequencer.daemon.from_afar import FromAfar, Reach
from sequencer.daemon.left import NOTHING_LEFT, BrokenOff, going_on, held_because
from sequencer.daemon.live import Telling
from sequencer.daemon.notify import Notifier
from sequencer.daemon.pages import pages
from sequencer.daemon.reference import compared, not_again
from sequencer.daemon.wish import Wish
from sequencer.errors import InputRefused, Problem
from sequencer.ledger.faults import LedgerBusy
from sequencer.ledger.queue import Entry, Queue
from sequencer.night.listen import Listener
from sequencer.night.onlook import Onlooker
from sequencer.night.supervise import Stop
from sequencer.on_paper import checked
from sequencer.plan.inputs import Loaded
from sequencer.plan.models import Bench
from sequencer.proving.gate import NotProved
from sequencer.real_run import Hold, Ready, RealRun, guarded_night, known_again, proved
from sequencer.recording import record_in
from sequencer.whole_night import Done

LOOK_AGAIN_S = 1.0
PULSE_S = 0.5
FOR_EVER_S = float("inf")


@dataclass(frozen=True)
class Tools:
    """What the loop works with. bench: as it was when the lock was taken. now: local wall time, without a zone."""

    bench: Loaded[Bench]
    queue: Queue
    hold: Hold
    notifier: Notifier
    telling: Telling
    listener: Listener
    now: Callable[[], datetime]
    left: BrokenOff = NOTHING_LEFT
    onlooker: Onlooker | None = None


@dataclass
class _State:
    """reference_s: upper bound of a run of the reference unit, s; reference: its bay and serial. first: id of its first
    run in this span."""

    reference_s: float | None = None
    reference: tuple[str, str] = ("", "")
    span: Span = field(default_factory=Span)
    first: str = ""
    codes: list[int] = field(default_factory=list)
    last_rest: Rest | None = None
    over: bool = False


class Daemon:
    """`work` until a signal, the end of the queue with `once`, or an end that wants a person. Returns an exit code."""

    def __init__(self, wish: Wish, tools: Tools, clock: Clock) -> None:
        self._wish, self._tools, self._clock = wish, tools, clock
        self._say = tools.listener.said
        self._state = _State()
        reach = Reach(
            wish.ledger,
            wish.broker,
            tools.bench.model.name,
            str(tools.bench.path),
            self._say,
            lambda: tools.now().astimezone(),
        )
        self._afar = FromAfar(reach, clock, commands=wish.commands, onlooker=tools.onlooker)

    async def work(self, stop: Stop) -> int:
        if self._wish.reference is not None:
            on_paper, inputs, _ = checked(*self._reference())
            self._state.reference_s = time_s(on_paper)
            self._state.reference = inputs.units[0].bay.name, inputs.units[0].loaded.model.serial
        pulse = asyncio.create_task(self._pulse(), name="word to the service manager")
        self._tools.notifier.ready()
        try:
            for entry in self._tools.left.entries:
                await self._go_on(entry, stop)
            while not (stop.count or self._state.over):
                await self._act(stop)
        finally:
            self._tools.notifier.stopping()
            self._tools.telling.doing("ending")
            await self._afar.before_night()
            pulse.cancel()
            await asyncio.gather(pulse, return_exceptions=True)
        return worst(self._state.codes)

    async def _pulse(self) -> None:
        """Between two nights this loop's own turning is progress; during one, its watch's (`Guarding`)."""
        while True:
            if not self._tools.notifier.watched:
                self._tools.notifier.alive()
            await self._clock.sleep(PULSE_S)

    # --- one act

    async def _act(self, stop: Stop) -> None:
        try:
            waiting = self._tools.queue.entries("waiting")
        except LedgerBusy as busy:
            await self._pause(stop, Rest(str(busy)))
            return
        state = self._state
        every = [Waiting(one.number, one.estimate_s) for one in waiting]
        match next_act(every, self._left(), state.reference_s, state.span):
            case Take(number):
                await self._entry(next(one for one in waiting if one.number == number), stop)
            case Refer(when):
                await self._refer(when, stop)
            case Close(why):
                state.span = Span()
                if why:
                    self._say(not_again(self._wish.ledger, state.first, why))
            case PutOnHold(number, why):
                self._put_on_hold(number, why)
            case Rest() as rest:
                if self._wish.once:
                    self._say(f"ends: {rest.why}")
                    state.over = True
                await self._pause(stop, rest)

    def _left(self) -> Left:
        hours, now = self._wish.hours, self._tools.now()
        if hours is None:
            return Left(FOR_EVER_S, FOR_EVER_S)
        closes = hours.closes(now)
        opens = hours.opens(now)
        day = "tomorrow " if opens.date() == now.date() + timedelta(days=1) else ""
        told = "" if closes is None else f"{closes:%H:%M}"
        return Left(hours.left_s(now), hours.whole_s(now), f"{day}{opens:%H:%M}", told)

    async def _pause(self, stop: Stop, rest: Rest) -> None:
        if rest != self._state.last_rest:
            self._state.last_rest = rest
            for number, why in rest.whys:
                self._tools.queue.note(number, why)
            self._told("waiting", rest.why)
            if not self._wish.once:
                self._say(rest.why)
        await self._afar.between_nights()
        if not self._state.over:
            with suppress(TimeoutError):
                async with self._clock.deadline(LOOK_AGAIN_S):
                    await stop.first.wait()

    def _told(self, doing: Any, sentence: str, **more: Any) -> None:
        self._tools.telling.doing(doing, sentence=sentence, **more)
        self._tools.notifier.status(sentence)

    def _put_on_hold(self, number: int, why: str) -> None:
        self._tools.queue.put_on_hold(number, why)
        self._say(f"entry {number} is held: {why}")

    # --- an entry

    async def _entry(self, entry: Entry, stop: Stop) -> None:
        try:
            asked, ready = self._ready(entry)
            ready = await known_again(asked, ready, RealClock())
        except InputRefused as refused:
            if self._bench_changed() or isinstance(refused, NotProved):  # a person must see to the bench
                raise
            self._put_on_hold(entry.number, "; ".join(map(str, refused.problems)))
            return
        queue = self._tools.queue
        if not queue.take(entry.number, ready.night.runs[0].id):
            return
        await self._measured(entry, asked, ready, stop)

    async def _go_on(self, entry: Entry, stop: Stop) -> None:
        """A run that a daemon's death broke off, before anything else is taken."""
        if stop.count or self._state.over:  # it stays taken, for the next start
            return
        asked, left = self._run(entry.plan, entry.unit), self._tools.left
        try:
            asked, ready = going_on(entry, self._tools.bench, asked, left.acted)
            ready = await known_again(asked, ready, RealClock())
        except NotProved:  # it stays taken
            raise
        except InputRefused as refused:
            self._tools.queue.ended(entry.number, "held", held_because(refused))
            self._say(f"entry {entry.number} is held: {held_because(refused)}")
            return
        await self._measured(entry, asked, ready, stop)

    async def _measured(self, entry: Entry, asked: RealRun, ready: Ready, stop: Stop) -> None:
        queue = self._tools.queue
        words = f"entry {entry.number}: unit {entry.serial} in bay {entry.bay}"
        self._told("measuring", words, entry=entry.number, plan=ready.night.plan.name)
        self._say(words)
        try:
            done = await self._night(asked, ready)
        except BaseException as error:
            queue.ended(entry.number, "held", f"ended by {type(error).__name__}: {error}")
            raise
        what = after(done.exit_code, causes(done, ready), entry.after_trip)
        queue.ended(entry.number, what.state, what.why)
        self._state.span = replace(self._state.span, worked=self._state.span.worked + 1)
        self._follow(what, f"entry {entry.number}")
        await self._draw(stop)

    def _ready(self, entry: Entry) -> tuple[RealRun, Ready]:
        """Raises InputRefused: refused by now, or no longer what was added."""
        on_paper, inputs, dialects = checked(entry.plan, (f"{entry.unit}@{entry.bay}",), str(self._tools.bench.path))
        refuse_changed(entry, inputs, self._tools.bench)
        bay, serial = self._state.reference
        if bay == entry.bay and serial != entry.serial:
            remedy = f"the reference unit {serial} is in that bay: put one of them into another, and add it anew"
            raise InputRefused([Problem(f"entry {entry.number}", "bay", bay, remedy)])
        inputs = of_one_unit(inputs, {"label": entry.label} if entry.label else {})
        asked = self._run(entry.plan, entry.unit)
        return asked, proved(asked, on_paper, inputs, dialects)

    def _run(self, plan: str, unit: str) -> RealRun:
        return RealRun(
            plan=plan,
            units=(unit,),
            bench=str(self._tools.bench.path),
            out=self._wish.ledger.parent,
            armed_by=self._wish.armed_by or "the word typed at the start",
            broker=self._wish.broker,
            listener=self._tools.listener,
            one_of_many=True,
            alive=self._tools.notifier,
            commands=self._afar.commands,
            proof=self._wish.proof,
            onlooker=self._tools.onlooker,
        )

    async def _night(self, asked: RealRun, ready: Ready) -> Done:
        """A clock of its own: a night's stamps count from its beginning."""
        await self._afar.before_night()
        self._afar.latched = False  # whoever let the queue go on has looked
        ready = replace(ready, record=self._record(ready.night.runs[0].id))
        done = await guarded_night(asked, ready, self._tools.hold, RealClock())
        for line in done.lines:
            self._say(line)
        self._state.codes.append(done.exit_code)
        self._state.last_rest = None
        return done

    def _record(self, run_id: str) -> Path | None:
        """Where the night is recorded. That it can't be holds up no night."""
        if self._wish.record is None:
            return None
        try:
            return record_in(self._wish.record, run_id)
        except InputRefused as refused:
            self._say(f"not recorded: {'; '.join(map(str, refused.problems))}")
            return None

    def _follow(self, what: After, whose: str) -> None:
        if what.why:
            self._say(f"{whose}: {what.why}")
        if what.rest == "hold":
            held = self._tools.queue.hold(None, f"{whose}: {what.why}")
            self._say(f"held after it: {len(held)}; nothing goes on by itself")
            self._state.span = Span()
            self._afar.latched = True
        self._state.over = what.over

    async def _draw(self, stop: Stop, *, only_new: bool = True) -> None:
        if stop.count == 0:
            self._told("drawing pages", "pages are being drawn")
            self._say(await pages(self._wish.ledger.parent, self._clock, stop, only_new=only_new))

    # --- the reference unit

    def _reference(self) -> tuple[str, tuple[str], str]:
        unit, plan = self._wish.reference or ("", "")
        return plan, (unit,), str(self._tools.bench.path)

    async def _refer(self, when: str, stop: Stop) -> None:
        """First: a span of work begins. Last: it ends, and what has changed puts its numbers in doubt."""
        plan, units, bench = self._reference()
        on_paper, inputs, dialects = checked(plan, units, bench)
        if self._bench_changed():
            raise changed_bench(self._tools.bench)
        asked = self._run(plan, units[0])
        ready = await known_again(asked, proved(asked, on_paper, of_one_unit(inputs, {}), dialects), RealClock())
        runs = tuple(replace(run, reference=True) for run in ready.night.runs)
        ready = replace(ready, night=replace(ready.night, runs=runs))
        words = f"reference unit {runs[0].unit.serial} in bay {runs[0].bay.name}, {when}"
        self._told("reference unit", words, plan=inputs.plan.model.name)
        self._say(words)
        done = await self._night(asked, ready)
        first, self._state.first = self._state.first, runs[0].id if when == "first" else ""
        self._state.span = Span(is_open=when == "first")
        self._follow(after(done.exit_code, causes(done, ready), "hold the rest"), words)
        if when == "last" and stop.count == 0:
            for line in compared(self._wish.ledger, first, runs[0].id):
                self._say(line)
            await self._draw(stop, only_new=False)  # a doubt stands on every sheet

    def _bench_changed(self) -> bool:
        return sha256(self._tools.bench.path) != self._tools.bench.sha256
