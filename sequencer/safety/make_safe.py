"""Make safe: the list of acts first (pure), then the doing; repeatable from any state, going on after a failed
act.

Normal order: signal off, silence, supply off, rail down as measured, loads open. Fault order: signal and supply
off at once; the load stays connected, since it bleeds the rail and a relay opened under DC welds.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol

Order = Literal["normal", "fault"]
ActName = Literal["signal off", "supply off", "silence", "rail down", "loads open"]

SILENCE_S = 0.05
ACT_WITHIN_S = 3.0
RAIL_SAFE_V = 2.0
RAIL_SAFE_A = 0.05
RAIL_POLL_S = 0.25


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


@dataclass(frozen=True)
class Act:
    """One thing to do, and how long it may take."""

    name: ActName
    within_s: float


@dataclass
class Report:
    """What was done and what could be confirmed. `confirmed` only if every act was, by reading or measuring."""

    order: Order
    lines: list[str] = field(default_factory=list)
    unconfirmed: list[str] = field(default_factory=list)

    @property
    def confirmed(self) -> bool:
        return not self.unconfirmed


def acts(order: Order, *, bleed_s: float) -> tuple[Act, ...]:
    """The acts in their order. bleed_s: how long the rail may take to fall, from the unit's file."""
    if order == "fault":
        return (
            Act("signal off", ACT_WITHIN_S),
            Act("supply off", ACT_WITHIN_S),
            Act("rail down", bleed_s),
        )
    return (
        Act("signal off", ACT_WITHIN_S),
        Act("silence", SILENCE_S + ACT_WITHIN_S),
        Act("supply off", ACT_WITHIN_S),
        Act("rail down", bleed_s),
        Act("loads open", ACT_WITHIN_S),
    )


async def perform(todo: tuple[Act, ...], order: Order, bench: Bench, clock: Clock) -> Report:
    """Does the acts in order. Relays are opened only under a rail seen to be down: else they stay as they are."""
    report = Report(order)
    doing: dict[ActName, Callable[[], Awaitable[None]]] = {
        "signal off": bench.generator.make_safe,
        "silence": lambda: clock.sleep(SILENCE_S),
        "supply off": bench.supply.make_safe,
        "rail down": lambda: _rail_down(bench.supply, clock),
        "loads open": bench.load_switch.open_all,
    }
    for act in todo:
        if act.name == "loads open" and "rail down" in report.unconfirmed:
            report.unconfirmed.append(act.name)
            report.lines.append("loads open: left as they are, since the rail was not seen to be down")
            continue
        try:
            async with clock.deadline(act.within_s):
                await doing[act.name]()
        except Exception as error:  # every failure is said, none may end the list
            report.unconfirmed.append(act.name)
            report.lines.append(f"{act.name}: not confirmed: {str(error) or 'no answer in time'}")
        else:
            report.lines.append(f"{act.name}: confirmed")
    return report


async def _rail_down(supply: MeasuringSupply, clock: Clock) -> None:
    while True:
        reading = await supply.read()
        if abs(reading.volts) < RAIL_SAFE_V and abs(reading.amps) < RAIL_SAFE_A:
            return
        await clock.sleep(RAIL_POLL_S)
