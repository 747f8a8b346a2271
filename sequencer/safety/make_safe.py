"""Make safe: the list of acts first (pure), then the doing; repeatable from any state, going on after a failed
act, and coming back to it: an instrument that was away for a moment must not stay energised for the night.

Normal order: signal off, silence, remote line off, supply off, rail down as measured, cut-off released, outputs seen
silent, loads open.
Fault order: signal, supply and cut-off off at once; the load stays connected, since it bleeds the rail and a relay
opened under DC welds.

What can energise must say that it is off, and the rail be seen down: else the bench is not confirmed safe. The outputs'
silence is evidence beside these. Outputs that are heard mean that something still drives them: not confirmed. Where the
digitiser does not answer their silence is "not seen", which is said; the bench is confirmed all the same, since every
source of energy has been seen off and a dead scope must not call a person out at night. So it is with contacts that
were told to open where relays can't be read back.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal, Protocol

Order = Literal["normal", "fault"]
RemoteOff = Callable[[], Awaitable[None]]
Outputs = Callable[[], Awaitable[str]]  # what shows that they are silent; raises OutputsHeard where they are not
ActName = Literal[
    "signal off",
    "silence",
    "remote off",
    "supply off",
    "supply off by hand",
    "cut-off released",
    "rail down",
    "outputs silent",
    "loads open",
]

RAIL: ActName = "rail down"
RELEASED: ActName = "cut-off released"
SILENT: ActName = "outputs silent"
BY_HAND: ActName = "supply off by hand"

SILENCE_S = 0.05
ACT_WITHIN_S = 3.0
BY_HAND_WITHIN_S = {"normal": 1200.0, "fault": 120.0}  # a person walks to the switch (our own choice)
LOOK_WITHIN_S = 1.0  # at the outputs: a dead digitiser must not hold up what comes after it
RAIL_SAFE_V = 2.0
RAIL_SAFE_A = 0.05
RAIL_POLL_S = 0.25
TOLD_OPEN = "not seen: told to open, its relays can't be read back"
READS_OFF, READS_OPEN, READS_DROPPED = "reads back off", "reads back open", "reads dropped"
BY_HAND_SAID = "as a person said, or the rail shows"
AGAIN_AFTER_S = 0.5
AGAIN_FOR_S = 20.0  # how long failed acts are tried again before a person is needed (our own choice)


class NotSeen(Exception):
    """It was told, and nothing can be asked whether it is so."""


class OutputsHeard(Exception):
    """There is signal at an output although everything is off."""


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
    @property
    def reads_back(self) -> bool: ...
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
    cut-off that stays in under a rail seen to be down, and for outputs whose silence could not be looked at: that is
    said, and harms no more.

    lines: the last word on each act, in their order. unseen: of those not confirmed, what nobody could look at. hears:
    is told after each act.
    """

    order: Order
    words: dict[ActName, str] = field(default_factory=dict)
    unconfirmed: list[ActName] = field(default_factory=list)
    unseen: set[ActName] = field(default_factory=set)
    hears: Callable[[Report], None] | None = field(default=None, repr=False, compare=False)

    @property
    def confirmed(self) -> bool:
        return not self.missing

    @property
    def missing(self) -> list[ActName]:
        """What stands in the way of `confirmed`."""
        is_down = RAIL in self.words and RAIL not in self.unconfirmed
        bearable = {RELEASED, BY_HAND, *self.unseen} if is_down else self.unseen
        return [name for name in self.unconfirmed if name not in bearable]

    @property
    def lines(self) -> list[str]:
        return [f"{name}: {word}" for name, word in self.words.items()]

    def note(self, name: ActName, word: str, *, confirmed: bool, unseen: bool = False) -> None:
        """Replaces what was said of this act before."""
        self.words[name] = word
        self.unseen = (self.unseen - {name}) | ({name} if unseen else set())
        self.unconfirmed = [n for n in self.unconfirmed if n != name] + ([] if confirmed else [name])
        if self.hears is not None:
            self.hears(self)


def acts(
    order: Order,
    *,
    bleed_s: float,
    remote: bool = False,
    cut_off: bool = False,
    outputs: bool = False,
    by_hand: frozenset[str] = frozenset(),
) -> tuple[Act, ...]:
    """The acts in their order. bleed_s: how long the rail may take to fall, from the unit's file. remote: the unit
    has a remote line, which goes before the supply; in fault order the supply itself takes it along. cut_off: the
    bench has a relay in the supply's lead. Out, also by its own clock, it hides the unit's reservoir from the supply's
    meter: loads then stay for all the time that the rail may take. outputs: somebody can look at them; last, so that
    it delays nothing that switches off. by_hand: the roles that a person works: the supply is then switched off when
    that person comes to it, and no load is opened.
    """
    off = Act("supply off", ACT_WITHIN_S) if "supply" not in by_hand else Act(BY_HAND, BY_HAND_WITHIN_S[order])
    look = (Act(SILENT, LOOK_WITHIN_S),) if outputs else ()
    if order == "fault":
        return (
            Act("signal off", ACT_WITHIN_S),
            replace(off, with_the_one_before=True),
            *((Act(RELEASED, ACT_WITHIN_S, with_the_one_before=True),) if cut_off else ()),
            Act("rail down", bleed_s),
            *look,
        )
    return (
        Act("signal off", ACT_WITHIN_S),
        Act("silence", SILENCE_S + ACT_WITHIN_S),
        *((Act("remote off", ACT_WITHIN_S),) if remote else ()),
        off,
        Act("rail down", bleed_s),
        *((Act(RELEASED, ACT_WITHIN_S),) if cut_off else ()),
        *look,
        *(() if "load_switch" in by_hand else (Act("loads open", ACT_WITHIN_S, after_s=bleed_s if cut_off else 0.0),)),
    )


async def perform(
    todo: tuple[Act, ...],
    order: Order,
    bench: Bench,
    clock: Clock,
    remote_off: RemoteOff | None = None,
    outputs: Outputs | None = None,
    hears: Callable[[Report], None] | None = None,
) -> Report:
    """Does the acts in order, each once; then those that failed again, in order, for AGAIN_FOR_S. hears: see Report.

    Relays are opened only under a rail seen to be down: else they stay as they are.
    """
    report = Report(order, hears=hears)
    doing = _doing(bench, clock, remote_off, outputs)
    await _once_each(todo, report, doing, clock)
    end_ns = clock.now_ns() + round(AGAIN_FOR_S * 1e9)
    while not report.confirmed and clock.now_ns() < end_ns:
        await clock.sleep(AGAIN_AFTER_S)
        again = tuple(act for act in todo if act.name in report.unconfirmed)
        await _once_each(again, report, doing, clock)
    return report


def _doing(
    bench: Bench, clock: Clock, remote_off: RemoteOff | None, outputs: Outputs | None
) -> Mapping[ActName, Callable[[], Awaitable[str | None]]]:
    return {
        "signal off": lambda: _with_words(bench.generator.make_safe, READS_OFF),
        "silence": lambda: _with_words(lambda: clock.sleep(SILENCE_S), f"{SILENCE_S:g} s"),
        "remote off": lambda: _opened(remote_off or (lambda: clock.sleep(0.0)), bench.load_switch),
        "supply off": lambda: _with_words(bench.supply.make_safe, READS_OFF),
        BY_HAND: lambda: _with_words(bench.supply.make_safe, BY_HAND_SAID),
        RELEASED: lambda: _with_words(bench.cut_off.make_safe if bench.cut_off else _nothing, READS_DROPPED),
        "rail down": lambda: _rail_down(bench.supply, clock),
        SILENT: outputs or _nobody_looks,
        "loads open": lambda: _opened(bench.load_switch.open_all, bench.load_switch),
    }


async def _once_each(
    todo: tuple[Act, ...],
    report: Report,
    doing: Mapping[ActName, Callable[[], Awaitable[str | None]]],
    clock: Clock,
) -> None:
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


async def _nobody_looks() -> str:
    raise LookupError("no digitiser looks at them")


async def _with_words(do: Callable[[], Awaitable[None]], evidence: str) -> str:
    """What the act itself checks: it raises where that is not so."""
    await do()
    return evidence


async def _opened(do: Callable[[], Awaitable[None]], switch: Openable) -> str:
    await do()
    if not switch.reads_back:
        raise NotSeen(TOLD_OPEN)
    return READS_OPEN


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
    except NotSeen as told:
        report.note(act.name, str(told), confirmed=False, unseen=True)
    except Exception as error:  # every failure is said, none may end the list
        if act.name == SILENT and not isinstance(error, OutputsHeard):
            word = f"not seen: {str(error) or 'digitiser: no answer in time'}"
            report.note(act.name, word, confirmed=False, unseen=True)
            return
        report.note(act.name, f"not confirmed: {str(error) or 'no answer in time'}", confirmed=False)
    else:
        report.note(act.name, f"confirmed, {evidence}", confirmed=True)


async def _rail_down(supply: MeasuringSupply, clock: Clock) -> str:
    while True:
        reading = await supply.read()
        if math.isnan(reading.volts):
            raise LookupError("nothing sees it: no remote supply, and no digitiser input at the rail")
        if math.isnan(reading.amps) and abs(reading.volts) < RAIL_SAFE_V:
            return f"{reading.volts:.2f} V at the unit, its current is not seen"
        if abs(reading.volts) < RAIL_SAFE_V and abs(reading.amps) < RAIL_SAFE_A:
            return f"{reading.volts:.2f} V and {reading.amps:.3f} A at the supply"
        await clock.sleep(RAIL_POLL_S)
