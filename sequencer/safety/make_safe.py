"""Make safe: the list of acts first (pure), then the doing; repeatable from any state, going on after a failed
act, and coming back to it: an instrument that was away for a moment must not stay energised for the night.

Normal order: signal off, silence, remote line off, supply off, rail down as measured, cut-off released, loads open.
Fault order: signal, supply and cut-off off at once; the load stays connected, since it bleeds the rail and a relay
opened under DC welds.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol

Order = Literal["normal", "fault"]
RemoteOff = Callable[[], Awaitable[None]]
ActName = Literal["signal off", "silence", "remote off", "supply off", "cut-off released", "rail down", "loads open"]

RAIL: ActName = "rail down"
RELEASED: ActName = "cut-off released"

SILENCE_S = 0.05
ACT_WITHIN_S = 3.0
RAIL_SAFE_V = 2.0
RAIL_SAFE_A = 0.05
RAIL_POLL_S = 0.25
READS_OFF, READS_OPEN, READS_DROPPED = "reads back off", "reads back open", "reads dropped"
AGAIN_AFTER_S = 0.5
AGAIN_FOR_S = 20.0  # how long failed acts are tried again before a person is needed (our own choice)


class Clock(Protocol):
    def now_ns(self) -> int: ...
    async def sleep(self, seconds: float) -> None: ...
    def deadline(self, seconds: float) -> Any: ...


class Reading(Protocol):
    @property
    def volts(self) -> float: ...
    @property
    def amps(self) -> float: ...


class Switchable(Protocol):
    async def make_safe(self) -> None: ...


class MeasuringSupply(Switchable, Protocol):
    async def read(self) -> Reading: ...


class Openable(Protocol):
    async def open_all(self) -> None: ...


class Bench(Protocol):
    @property
    def generator(self) -> Switchable: ...
    @property
    def supply(self) -> MeasuringSupply: ...
    @property
    def load_switch(self) -> Openable: ...
    @property
    def cut_off(self) -> Switchable | None: ...


@dataclass(frozen=True)
class Act:
    """One thing to do, how long it may take, and what is waited before it."""

    name: ActName
    within_s: float
    with_the_one_before: bool = False  # begun together: a dead instrument must not delay the other one
    after_s: float = 0.0


@dataclass
class Report:
    """What was done and what could be confirmed. `confirmed` only if every act was, by reading or measuring; but for a
    cut-off that stays in under a rail seen to be down: that is said, and harms no more.

    lines: the last word on each act, in their order.
    """

    order: Order
    words: dict[ActName, str] = field(default_factory=dict)
    unconfirmed: list[ActName] = field(default_factory=list)

    @property
    def confirmed(self) -> bool:
        return not self.missing

    @property
    def missing(self) -> list[ActName]:
        """What stands in the way of `confirmed`."""
        is_down = RAIL in self.words and RAIL not in self.unconfirmed
        return [name for name in self.unconfirmed if not (is_down and name == RELEASED)]

    @property
    def lines(self) -> list[str]:
        return [f"{name}: {word}" for name, word in self.words.items()]

    def note(self, name: ActName, word: str, *, confirmed: bool) -> None:
        """Replaces what was said of this act before."""
        self.words[name] = word
        self.unconfirmed = [n for n in self.unconfirmed if n != name] + ([] if confirmed else [name])


def acts(order: Order, *, bleed_s: float, remote: bool = False, cut_off: bool = False) -> tuple[Act, ...]:
    """The acts in their order. bleed_s: how long the rail may take to fall, from the unit's file. remote: the unit
    has a remote line, which goes before the supply; in fault order the supply itself takes it along. cut_off: the
    bench has a relay in the supply's lead. Out, also by its own clock, it hides the unit's reservoir from the supply's
    meter: loads then stay for all the time that the rail may take.
    """
    if order == "fault":
        return (
            Act("signal off", ACT_WITHIN_S),
            Act("supply off", ACT_WITHIN_S, with_the_one_before=True),
            *((Act(RELEASED, ACT_WITHIN_S, with_the_one_before=True),) if cut_off else ()),
            Act("rail down", bleed_s),
        )
    return (
        Act("signal off", ACT_WITHIN_S),
        Act("silence", SILENCE_S + ACT_WITHIN_S),
        *((Act("remote off", ACT_WITHIN_S),) if remote else ()),
        Act("supply off", ACT_WITHIN_S),
        Act("rail down", bleed_s),
        *((Act(RELEASED, ACT_WITHIN_S),) if cut_off else ()),
        Act("loads open", ACT_WITHIN_S, after_s=bleed_s if cut_off else 0.0),
    )


async def perform(
    todo: tuple[Act, ...], order: Order, bench: Bench, clock: Clock, remote_off: RemoteOff | None = None
) -> Report:
    """Does the acts in order, each once; then those that failed again, in order, for AGAIN_FOR_S.

    Relays are opened only under a rail seen to be down: else they stay as they are.
    """
    report = Report(order)
    await _once_each(todo, report, bench, clock, remote_off)
    end_ns = clock.now_ns() + round(AGAIN_FOR_S * 1e9)
    while not report.confirmed and clock.now_ns() < end_ns:
        await clock.sleep(AGAIN_AFTER_S)
        again = tuple(act for act in todo if act.name in report.unconfirmed)
        await _once_each(again, report, bench, clock, remote_off)
    return report


async def _once_each(
    todo: tuple[Act, ...], report: Report, bench: Bench, clock: Clock, remote_off: RemoteOff | None
) -> None:
    doing: dict[ActName, Callable[[], Awaitable[str | None]]] = {
        "signal off": lambda: _with_words(bench.generator.make_safe, READS_OFF),
        "silence": lambda: _with_words(lambda: clock.sleep(SILENCE_S), f"{SILENCE_S:g} s"),
        "remote off": lambda: _with_words(remote_off or (lambda: clock.sleep(0.0)), READS_OPEN),
        "supply off": lambda: _with_words(bench.supply.make_safe, READS_OFF),
        RELEASED: lambda: _with_words(bench.cut_off.make_safe if bench.cut_off else _nothing, READS_DROPPED),
        "rail down": lambda: _rail_down(bench.supply, clock),
        "loads open": lambda: _with_words(bench.load_switch.open_all, READS_OPEN),
    }
    for group in _together(todo):
        # Begun in the stated order, awaited in the stated order.
        tasks = [asyncio.create_task(_one(act, doing[act.name], report, clock), name=act.name) for act in group]
        try:
            for task in tasks:
                await task
        finally:
            for task in tasks:
                task.cancel()


def _together(todo: tuple[Act, ...]) -> list[list[Act]]:
    groups: list[list[Act]] = []
    for act in todo:
        if act.with_the_one_before and groups:
            groups[-1].append(act)
        else:
            groups.append([act])
    return groups


async def _nothing() -> None:
    """Of a bench that does not have it."""


async def _with_words(do: Callable[[], Awaitable[None]], evidence: str) -> str:
    """What the act itself checks: it raises where that is not so."""
    await do()
    return evidence


async def _one(act: Act, do: Callable[[], Awaitable[str | None]], report: Report, clock: Clock) -> None:
    """One act, under its own deadline; what came of it goes into the report."""
    if act.name == "loads open" and "rail down" in report.unconfirmed:
        report.note(act.name, "left as they are, since the rail was not seen to be down", confirmed=False)
        return
    try:
        async with clock.deadline(act.after_s + act.within_s):
            if act.after_s:
                await clock.sleep(act.after_s)
            evidence = await do()
    except Exception as error:  # every failure is said, none may end the list
        report.note(act.name, f"not confirmed: {str(error) or 'no answer in time'}", confirmed=False)
    else:
        report.note(act.name, f"confirmed, {evidence}", confirmed=True)


async def _rail_down(supply: MeasuringSupply, clock: Clock) -> str:
    while True:
        reading = await supply.read()
        if abs(reading.volts) < RAIL_SAFE_V and abs(reading.amps) < RAIL_SAFE_A:
            return f"{reading.volts:.2f} V and {reading.amps:.3f} A at the supply"
        await clock.sleep(RAIL_POLL_S)
