"""What the night keeps, and in what order: traces first, then the row with its message in one commit; and making
safe."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Coroutine, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from drivers.timing import Clock
from sequencer.ledger.results import write_results
from sequencer.ledger.room import refuse_full
from sequencer.ledger.rows import Message, RunHead, RunOutcome
from sequencer.ledger.store import Ledger
from sequencer.ledger.traces import trace_name, write_trace
from sequencer.measurements.judge import Judged
from sequencer.measurements.output_power import Outcome
from sequencer.measurements.requests import Shot
from sequencer.measurements.values import Finding, Values
from sequencer.night.bench_state import state_at
from sequencer.night.book import Book
from sequencer.night.hands import Hands
from sequencer.night.setup import NightPlan, UnitRun, head_row
from sequencer.night.shelf import Heard, Shelf
from sequencer.night.stamps import Stamps
from sequencer.night.values import finding_row
from sequencer.plan.points import AnyPoint, Point, ValuePoint
from sequencer.publish.messages import BenchState, point_kept, run_begun, run_ended, run_resumed, status, trip_kept
from sequencer.safety.load_rest import loads_left
from sequencer.safety.make_safe import Order, Outputs, Report, acts, perform
from sequencer.safety.rules_load import LoadRules, Rises

BESIDE = ("points", "trips", "findings", "ended", "outcome")  # of a run as results have it: not of its head
CAUSES = {"Trip": "bench", "UnitTrip": "unit", "OverloadRemains": "bench"}  # an instrument's own errors are the link's


@dataclass(frozen=True)
class Desk:
    """The ledger and where its files go. shelf: keeps all shots, where that is asked."""

    ledger: Ledger
    book: Book
    out: Path
    stamps: Stamps
    shelf: Shelf | None = None


class Keeper:
    """Keeps what the night finds, and makes the bench safe when asked."""

    def __init__(
        self,
        desk: Desk,
        hands: Hands,
        clock: Clock,
        say_point: Callable[[UnitRun, Mapping[str, Any]], None],
        outputs: Outputs | None = None,
    ) -> None:
        self._desk, self._hands, self._clock, self._say_point = desk, hands, clock, say_point
        self._outputs = outputs
        self._heads: dict[str, RunHead] = {}
        self._findings: dict[str, list[dict[str, Any]]] = {}
        self._state: tuple[str, BenchState] | None = None  # as last told, with the run it was told of
        self._safe_lock = asyncio.Lock()
        self._under_way: list[asyncio.Task[None]] = []
        self.open_runs: list[UnitRun] = []
        self.tripped = False
        self.last_safe: Report | None = None
        self.hears_safe: Callable[[Report, bool], None] | None = None  # each act of making safe, and whether it is over

    def now(self) -> str:
        """RFC 3339, bench time."""
        return self._desk.stamps.now()

    async def begin(self, plan: NightPlan, run: UnitRun, proved: Mapping[str, Any]) -> None:
        """proved: of the bench, before its first unit; kept with each run."""
        head = RunHead.model_validate(head_row(plan, run, self._desk.stamps.now()) | dict(proved))
        self._heads[run.id] = head
        await self._whole(self._begin(run, head))

    async def _begin(self, run: UnitRun, head: RunHead) -> None:
        await self._desk.book.do(self._desk.ledger.begin_run, head, [run_begun(head)])
        self.open_runs.append(run)

    async def _whole(self, keeping: Coroutine[Any, Any, None]) -> None:
        """To its end, also where whoever waits for it is stopped: a stop does not wait for the disk, `written` does."""
        task = asyncio.create_task(keeping, name="keeping")
        self._under_way.append(task)
        try:
            await asyncio.shield(task)
        finally:
            if task.done():
                self._under_way.remove(task)

    async def written(self) -> None:
        """All that was begun to be kept is kept. Raises what kept it from that."""
        under_way, self._under_way = self._under_way, []
        for task in under_way:
            await task

    async def doing(self, run: UnitRun, point: AnyPoint) -> None:
        """Publishes what the bench does from here on, where that has changed."""
        now = (run.id, state_at(point))
        if now != self._state:
            self._state = now
            await self._desk.book.do(self._desk.ledger.keep_messages, [self._status(run, now[1], "", point.id)], run.id)

    def _status(self, run: UnitRun, state: BenchState, sentence: str, point: str | None) -> Message:
        head = self._heads[run.id]
        return status(head.bench, state, self._desk.stamps.now(), sentence, head, point)

    async def take_up(self, run: UnitRun, kept: Mapping[str, Any], entry: Mapping[str, Any] | None) -> None:
        """A run that another process began. kept: as the results have it; entry: of its `resumed`, kept and told."""
        before = {key: value for key, value in kept.items() if key not in BESIDE}
        resumed = [*before["resumed"], *([entry] if entry else [])]
        self._heads[run.id] = head = RunHead.model_validate(before | {"resumed": resumed})
        self._findings[run.id] = [dict(one) for one in kept["findings"]]
        self.open_runs.append(run)
        if entry is not None:
            told = [run_resumed(head, self._desk.stamps.now())]
            await self._desk.book.do(self._desk.ledger.resume_run, head, told)

    async def retell(self, run: UnitRun, entry: Mapping[str, Any]) -> None:
        """More of the last entry of `resumed`."""
        before = self._heads[run.id].model_dump()
        resumed = [*before["resumed"][:-1], entry]
        self._heads[run.id] = head = RunHead.model_validate(before | {"resumed": resumed})
        await self._desk.book.do(self._desk.ledger.resume_run, head)

    def talk(self, run: UnitRun, point: AnyPoint) -> Heard | None:
        """Who is to hear the talk of that point's measurement that begins now."""
        return self._desk.shelf.begin(run, point) if self._desk.shelf else None

    async def point(self, run: UnitRun, point: Point, row: dict[str, Any], outcome: Outcome) -> None:
        """Traces, then the row: a row never names a trace that is not there. Raises LedgerFull."""
        kept = [(kind, judged.shot) for kind, judged in _worth_keeping(outcome, row, point.keep_traces)]
        await self._whole(self._keep(run, row, kept))

    async def values(self, run: UnitRun, point: ValuePoint, row: dict[str, Any], found: Values) -> None:
        """Traces, then the row: a row that is kept lacks none of them."""
        await self._whole(self._keep(run, row, list(found.kept[: point.keep_traces])))

    async def findings(self, run: UnitRun, found: Sequence[tuple[str | None, Finding]]) -> None:
        for point_id, finding in found:
            row = finding_row(point_id, finding)
            self._findings.setdefault(run.id, []).append(row)
            await self._desk.book.do(self._desk.ledger.keep_finding, run.id, row)

    async def suspect(self, why: str) -> None:
        """The numbers of the whole night are in doubt."""
        await self._desk.book.do(self._desk.ledger.mark_suspect, why)

    async def loads(self) -> LoadRules:
        """How hot the nights of this ledger may have left the loads, whichever process had them."""
        stamps, kept = self._desk.stamps, await self._desk.book.do(self._desk.ledger.load_heat)
        return loads_left({key: (k, stamps.ns_of(at)) for key, (k, at) in kept.items()}, self._clock.now_ns())

    async def load_heat(self, rises: Rises) -> None:
        """How hot they may be from now on."""
        told = {key: (rise_k, self._desk.stamps.at(at_ns)) for key, (rise_k, at_ns) in rises.items()}
        await self._desk.book.do(self._desk.ledger.keep_load_heat, told)

    async def _keep(self, run: UnitRun, row: dict[str, Any], kept: list[tuple[str, Shot]]) -> None:
        if self._desk.shelf:
            await self._desk.shelf.written()
        names = []
        for kind, shot in kept:
            name = trace_name(run.id, row["id"], kind)
            await self._desk.book.do(write_trace, self._desk.out / "traces" / name, shot)
            names.append(f"traces/{name}")
        row = row | {"traces": names}
        message = point_kept(self._heads[run.id], row, self._desk.stamps.now())
        await self._desk.book.do(self._desk.ledger.keep_point, run.id, row, [message])
        self._say_point(run, row)
        await self._desk.book.do(refuse_full, self._desk.out)

    async def trip(
        self, run: UnitRun, sentence: str, kind: str, extra: Mapping[str, Any], shot: Shot | None = None
    ) -> None:
        """extra: point, quantity, value and limit, where a limit was passed. shot: the last one before it."""
        self.tripped = True
        row = {"time": self._desk.stamps.now(), "sentence": sentence, "cause": CAUSES.get(kind, "link")}
        row |= dict(extra)
        await self._whole(self._keep_trip(run, row, shot))

    async def _keep_trip(self, run: UnitRun, row: dict[str, Any], shot: Shot | None) -> None:
        if shot is not None:
            name = trace_name(run.id, str(row.get("point")), f"trip-{shot.number}")
            with suppress(OSError):  # a full disk: the trip is told all the same
                await self._desk.book.do(write_trace, self._desk.out / "traces" / name, shot)
                row["trace"] = f"traces/{name}"
        self._state = None
        told = self._status(run, "tripped", str(row["sentence"]), row.get("point"))
        messages = [trip_kept(self._heads[run.id], row), told]
        await self._desk.book.do(self._desk.ledger.keep_trip, run.id, row, messages)

    async def end(self, run: UnitRun, outcome: RunOutcome) -> None:
        await self._whole(self._end(run, outcome))

    async def _end(self, run: UnitRun, outcome: RunOutcome) -> None:
        ended = self._desk.stamps.now()
        message = run_ended(self._heads[run.id], ended, outcome, self._findings.get(run.id, ()))
        await self._desk.book.do(self._desk.ledger.end_run, run.id, ended, outcome, [message])
        self.open_runs = [r for r in self.open_runs if r.id != run.id]

    async def make_safe(
        self, order: Order, bleed_s: float, remote_off: Callable[[], Awaitable[None]] | None = None
    ) -> Report:
        """The acts of making safe, told as a message; one at a time. remote_off: where the unit has a remote line."""
        async with self._safe_lock:
            todo = acts(
                order,
                bleed_s=bleed_s,
                remote=remote_off is not None,
                cut_off=self._hands.cut_off is not None,
                outputs=self._outputs is not None,
                by_hand=self._hands.by_hand,
            )
            hears = self.hears_safe
            told = None if hears is None else lambda so_far: hears(so_far, False)
            report = await perform(todo, order, self._hands, self._clock, remote_off, self._outputs, told)
        self.last_safe = report
        if hears is not None:
            hears(report, True)
        return report

    async def tell_safe(self, plan: NightPlan, report: Report) -> None:
        """Publishes the last word on the bench's state."""
        state: BenchState = "made safe" if report.confirmed else "not confirmed safe"
        message = status(plan.bench.name, state, self._desk.stamps.now(), "; ".join(report.lines))
        await self._desk.book.do(self._desk.ledger.keep_messages, [message])

    async def write_results(self) -> dict[str, Any]:
        results = await self._desk.book.do(write_results, self._desk.out, self._desk.ledger)
        await self._desk.book.do(self._desk.ledger.checkpoint)
        return results


def _worth_keeping(outcome: Outcome, row: dict[str, Any], keep: int) -> list[tuple[str, Judged]]:
    """The accepted shot and the first above it; further ones only if the plan asks for more."""
    level = row["level_vrms"]
    if level is None or keep == 0:
        return []
    accepted = [j for j in outcome.judged if j.shot.number == row["shot_number"]]
    above = [j for j in outcome.judged if j.shot.level_vrms > level]
    above.sort(key=lambda j: j.shot.level_vrms)
    chosen = [("accepted", j) for j in accepted[:1]] + [("above", j) for j in above[:1]]
    others = [j for j in outcome.judged if j not in [c for _, c in chosen]]
    others.sort(key=lambda j: abs(j.shot.level_vrms - level))  # the nearest to the accepted level say most
    chosen += [(f"shot-{j.shot.number}", j) for j in others]
    return chosen[:keep]
