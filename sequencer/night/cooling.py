"""The loads' stop limit in a night: they cool before a burst that would take them beyond it, and what that burst may
leave in them is on the disk before it is fired."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from drivers.timing import Clock
from sequencer.measurements.requests import Fire
from sequencer.safety.rules import Rules
from sequencer.safety.rules_load import WARM_C, Rises

LOADS_COOL_AT_MOST_S = 900.0  # before one burst (our own choice)


class LoadsTooWarm(Exception):
    """They would have to cool for longer than a night waits: the point is not measured."""


async def loads_cooled(rules: Rules | None, request: Fire, clock: Clock, said: Callable[[str], None]) -> None:
    """Returns once the loads bear this burst. Raises LoadsTooWarm where they would need too long."""
    rest_s = 0.0 if rules is None else rules.rest_s(request, clock.now_ns())
    if rest_s > LOADS_COOL_AT_MOST_S:
        words = f"this burst would take the loads beyond {WARM_C:g} degC unless they cool for {rest_s:.0f} s"
        raise LoadsTooWarm(f"temperature: {words}, longer than {LOADS_COOL_AT_MOST_S:g} s")
    if rest_s > 0.0:
        said(f"the loads cool for {rest_s:.3g} s before the next burst")
        await clock.sleep(rest_s)


async def heat_kept(rules: Rules | None, request: Fire, clock: Clock, keep: Callable[[Rises], Awaitable[None]]) -> None:
    """Returns once the disk knows how hot this burst may leave the loads, where that is news."""
    if rules is not None and (rises := rules.loads_to_keep(request, clock.now_ns())):
        await keep(rises)
        rules.loads_kept(rises)
