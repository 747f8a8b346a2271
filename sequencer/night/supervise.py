"""Who ends a night, and how: its own end, an error, a signal, a second one. The bench is made safe on every way
out.

First signal and normal end: normal order. Error, trip, second signal: fault order. Clean-up talks to the
instruments in a stated order from this one task; nothing that is cancelled does.
"""

from __future__ import annotations

import asyncio
import signal
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from drivers.errors import InstrumentError
from sequencer.errors import EXIT_DONE, EXIT_FAULT, EXIT_NOT_CONFIRMED_SAFE, EXIT_STOPPED, EXIT_TRIPPED, Fault
from sequencer.measurements.output_power import OverloadRemains
from sequencer.night.guarding import Guarding
from sequencer.night.keeping import Keeper
from sequencer.night.night import Night, Trip
from sequencer.night.setup import NightPlan
from sequencer.safety.make_safe import RELEASED, Order, RemoteOff, Report
from sequencer.safety.remedies import NOT_SAFE, STOPPED, remedy, remedy_of

Way = str  # "done", "stopped", "tripped", "fault"
EXITS = {"done": EXIT_DONE, "stopped": EXIT_STOPPED, "tripped": EXIT_TRIPPED, "fault": EXIT_FAULT}
LONGEST_BLEED_S = 10.0
GUARDIAN_GONE = "guardian gone: the process that would make the bench safe in our place has ended"


@dataclass
class Ended:
    """How the night ended, and whether the bench is confirmed safe."""

    way: Way
    confirmed: bool
    lines: list[str] = field(default_factory=list)


def exit_code(ended: Ended) -> int:
    """Not confirmed safe beats all."""
    return EXITS[ended.way] if ended.confirmed else EXIT_NOT_CONFIRMED_SAFE


class Stop:
    """Signals seen so far: the first stops the night, the second hurries the making safe."""

    def __init__(self) -> None:
        self.count = 0
        self.first = asyncio.Event()
        self.second = asyncio.Event()

    def seen(self) -> None:
        self.count += 1
        (self.first if self.count == 1 else self.second).set()


_heard_by: list[Stop] = []  # of this process: signals belong to it as a whole


@contextmanager
def listening(*, earlier: bool = False) -> Iterator[Stop]:
    """Ctrl-C, SIGTERM and a closed terminal, from here on; a signal is never lost. May be nested: each hears all.
    earlier: what the one around it has heard already counts here too."""
    stop, loop = Stop(), asyncio.get_running_loop()
    is_outer = not _heard_by
    if earlier and any(one.count for one in _heard_by):
        stop.seen()
    numbers: tuple[signal.Signals, ...] = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    _heard_by.append(stop)
    try:
        for number in numbers if is_outer else ():
            loop.add_signal_handler(number, _all_hear)
    except (ValueError, RuntimeError):  # not in the main thread (tests): nobody sends signals there
        numbers = ()
    try:
        yield stop
    finally:
        _heard_by.remove(stop)
        for number in numbers if is_outer else ():
            loop.remove_signal_handler(number)


def hear_stop(times: int) -> None:
    """As if so many signals had come: one stops, a second one hurries."""
    for _ in range(times):
        _all_hear()


def _all_hear() -> None:
    for one in _heard_by:
        one.seen()


async def supervise(
    work: Night, keeper: Keeper, plan: NightPlan, say: Callable[[str], None], guarding: Guarding | None = None
) -> Ended:
    """Runs the night to whatever end; returns how it ended once the bench was made safe as far as it can be."""
    with listening(earlier=True) as stop:
        way, why, todo = await _until_end(work, stop, guarding)
        if why:
            say(why)
        order: Order = "normal" if way in ("done", "stopped") else "fault"
        bleed_s = max((run.unit.bleed_s for run in plan.runs), default=LONGEST_BLEED_S)
        report = await _made_safe(keeper, order, bleed_s, stop, say, work.remote_off)
    lines = [why] if why else []
    try:
        await work.settle(report)
        for run in list(keeper.open_runs):
            await keeper.end(run, "stopped" if way == "stopped" else "tripped" if way == "tripped" else "unfinished")
        await keeper.tell_safe(plan, report)
    except Exception as error:  # a full disk, say: the bench is safe, the book is not complete
        way = "fault"
        if not isinstance(error, Fault):
            traceback.print_exception(error)
        lines.append(f"internal fault: {error}")
        todo = remedy_of(error)
    lines.append(_closing(report))
    if next_line := todo if report.confirmed else remedy(NOT_SAFE):
        lines.append(f"next: {next_line}")
    return Ended(way, report.confirmed, lines)


def _closing(report: Report) -> str:
    """What does not stand in the way of "confirmed" is said beside it: cut-off, outputs and contacts that nobody could
    look at."""
    if not report.confirmed:
        return "NOT CONFIRMED SAFE: " + "; ".join(report.lines)
    said = [RELEASED] if RELEASED in report.words else []
    said += [name for name in report.words if name in report.unseen]
    return "; ".join(["made safe, confirmed", *(f"{name}: {report.words[name]}" for name in said)])


async def _until_end(work: Night, stop: Stop, guarding: Guarding | None) -> tuple[Way, str, str]:
    """How and why it ended, and what a person does next."""
    night = asyncio.create_task(work.work(), name="night")
    enders = [asyncio.create_task(stop.first.wait(), name="first signal")]
    if guarding is not None:
        enders.append(asyncio.create_task(guarding.gone.wait(), name="guardian gone"))
    await asyncio.wait((night, *enders), return_when=asyncio.FIRST_COMPLETED)
    is_unguarded = guarding is not None and guarding.gone.is_set() and not stop.count
    if not night.done():
        night.cancel()
        await asyncio.wait((night,))
    for ender in enders:
        ender.cancel()
    if is_unguarded and night.cancelled():
        gone = Trip(GUARDIAN_GONE, "guardian gone")
        work.end_by(gone)
        return "tripped", f"tripped: {GUARDIAN_GONE}", remedy_of(gone)
    return _way(night, work.tripped)


def _way(night: asyncio.Task[None], units_tripped: list[str]) -> tuple[Way, str, str]:
    if night.cancelled():
        return "stopped", "stopped by a person", remedy(STOPPED)
    error = night.exception()
    if error is None:  # what to do stands beside each unit's trip
        return ("tripped", f"units tripped: {', '.join(units_tripped)}", "") if units_tripped else ("done", "", "")
    if isinstance(error, Trip | InstrumentError | OverloadRemains):
        return "tripped", f"tripped: {error}", remedy_of(error)
    if not isinstance(error, Fault):
        traceback.print_exception(error)
    return "fault", f"internal fault: {type(error).__name__}: {error}", remedy_of(error)


async def _made_safe(
    keeper: Keeper,
    order: Order,
    bleed_s: float,
    stop: Stop,
    say: Callable[[str], None],
    remote_off: RemoteOff | None = None,
) -> Report:
    """In the order asked; a second signal breaks off a normal order and begins the fault order afresh."""
    making = asyncio.create_task(
        keeper.make_safe(order, bleed_s, remote_off if order == "normal" else None), name=f"make safe, {order} order"
    )
    hurry = asyncio.create_task(stop.second.wait(), name="second signal")
    await asyncio.wait((making, hurry), return_when=asyncio.FIRST_COMPLETED)
    if not making.done() and order == "normal":
        say("second signal: signal and supply off at once")
        making.cancel()
        await asyncio.wait((making,))
        making = asyncio.create_task(keeper.make_safe("fault", bleed_s), name="make safe, fault order")
    await asyncio.wait((making,))
    hurry.cancel()
    return making.result()
