"""A bench is proved to whatever end: its own, an error, a signal, a second one, the guardian's. Made safe on every way
out."""

from __future__ import annotations

import asyncio
import traceback
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from drivers.dialect import Dialect
from drivers.link import Link, LinkModel
from drivers.timing import Clock
from sequencer.measurements.requests import Answer, Ask
from sequencer.night.asking import Asking
from sequencer.night.supervise import GUARDIAN_GONE, LONGEST_BLEED_S, Stop, listening
from sequencer.plan.models import Bench, RoleName
from sequencer.proving.prove import prove, was_made_safe
from sequencer.proving.record import ProofStep
from sequencer.roles import Instruments
from sequencer.safety.make_safe import Order, Report, acts, perform
from sequencer.safety.remedies import NOT_SAFE, remedy

STALE_S = 20.0  # without a byte on any link, and nobody asked: no step waits as long (our own choice)

Say = Callable[[str], None]


class Progress:
    """A bench is being proved as long as bytes go over its links, or a person is asked."""

    def __init__(self, clock: Clock) -> None:
        self._clock, self._last_ns, self._asked = clock, clock.now_ns(), 0

    def link(self, model: LinkModel, clock: Clock) -> Link:
        """As `Link`, and heard."""
        return Link(model, clock, self._heard)

    def is_late(self, now_ns: int, by_s: float) -> bool:
        return not self._asked and now_ns - self._last_ns > round((STALE_S + by_s) * 1e9)

    def asking(self, asking: Asking) -> Asking:
        async def waited(ask: Ask) -> Answer:
            self._asked += 1
            try:
                return await asking(ask)
            finally:
                self._asked -= 1
                self._last_ns = self._clock.now_ns()

        return waited

    def _heard(self, t_ns: int, who: str, sign: str, data: bytes | Sequence[bytes]) -> None:
        self._last_ns = t_ns


@dataclass(frozen=True)
class Work:
    """What is proved with what."""

    bench: Bench
    dialects: Mapping[RoleName, Dialect]
    instruments: Instruments
    clock: Clock
    asking: Asking


@dataclass(frozen=True)
class Ended:
    """way: "done", "stopped", "gone" (the guardian). steps: empty where it did not come to its end."""

    way: str
    made_safe: bool
    steps: tuple[ProofStep, ...] = ()
    identities: Mapping[str, str] = field(default_factory=dict)
    lines: tuple[str, ...] = ()


async def to_its_end(work: Work, say: Say, gone: asyncio.Event | None = None) -> Ended:
    """Until it is over, a signal comes, or the guardian ends. Made safe on every way out."""
    with listening() as stop:
        proving = asyncio.create_task(
            prove(work.bench, work.instruments, work.dialects, work.clock, say, work.asking), name="proving"
        )
        enders = [asyncio.create_task(one.wait(), name="ender") for one in (stop.first, *([gone] if gone else []))]
        await asyncio.wait((proving, *enders), return_when=asyncio.FIRST_COMPLETED)
        if not proving.done():
            await _broken_off(proving, stop)
        for ender in enders:
            ender.cancel()
        if not proving.cancelled() and proving.exception() is None:
            steps = proving.result()
            told: dict[str, str] = {
                name: actor.identity for name, actor in work.instruments.actors.items() if actor.identity
            }
            return Ended("done", was_made_safe(steps), steps, told)
        hurried = stop.count > 1 or not stop.count
        report = await _made_safe(work, "fault" if hurried else "normal")
    if (error := None if proving.cancelled() else proving.exception()) is not None:
        traceback.print_exception(error)
        return Ended(
            "fault", report.confirmed, lines=(f"internal fault: {type(error).__name__}: {error}", *_left(report))
        )
    way = "stopped" if stop.count else "gone"
    first = "stopped by a person: nothing is kept of it" if way == "stopped" else GUARDIAN_GONE
    return Ended(way, report.confirmed, lines=(first, *_left(report)))


def _identities(instruments: Instruments) -> dict[str, str]:
    return {name: actor.identity for name, actor in instruments.actors.items() if actor.identity}


async def _broken_off(proving: asyncio.Task[tuple[ProofStep, ...]], stop: Stop) -> None:
    """It makes the bench safe before it ends; a second signal breaks that off too."""
    proving.cancel()
    hurry = asyncio.create_task(stop.second.wait(), name="second signal")
    await asyncio.wait((proving, hurry), return_when=asyncio.FIRST_COMPLETED)
    if not proving.done():
        proving.cancel()
    hurry.cancel()
    await asyncio.wait((proving,))


async def _made_safe(work: Work, order: Order) -> Report:
    """Once more by ourselves: what broke off may have left anything."""
    hands = work.instruments.hands
    todo = acts(order, bleed_s=LONGEST_BLEED_S, cut_off=hands.cut_off is not None, by_hand=hands.by_hand)
    return await perform(todo, order, hands, work.clock)


def _left(report: Report) -> tuple[str, ...]:
    """How the bench was left."""
    if report.confirmed:
        return ("made safe, confirmed",)
    return ("NOT CONFIRMED SAFE: " + "; ".join(report.lines), f"next: {remedy(NOT_SAFE)}")
