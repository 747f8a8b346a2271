"""What the daemon does next, and what follows a night: decided from the queue, the hours and what was done. Pure."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

from sequencer.errors import EXIT_DONE, EXIT_FAULT, EXIT_NOT_CONFIRMED_SAFE, EXIT_STOPPED, EXIT_TRIPPED
from sequencer.ledger.queue import AfterTrip
from sequencer.view.words import lasted

EMPTY = "the queue is empty"


@dataclass(frozen=True)
class Waiting:
    """An entry that waits. estimate_s: upper bound of its run, s."""

    number: int
    estimate_s: float


@dataclass(frozen=True)
class Left:
    """Of the hours. left_s: until they end, None outside of them; whole_s: how long they last at all, s. opens, closes:
    when, as a person says it."""

    left_s: float | None
    whole_s: float
    opens: str = ""
    closes: str = ""


@dataclass(frozen=True)
class Span:
    """The work since the reference unit was measured first. worked: how many entries since then."""

    is_open: bool = False
    worked: int = 0


@dataclass(frozen=True)
class Take:
    number: int


@dataclass(frozen=True)
class Refer:
    """The reference unit is to be measured."""

    when: Literal["first", "last"]


@dataclass(frozen=True)
class Close:
    """The span ends without the reference unit being measured last, and why that says something of its numbers; empty
    where nothing was measured in it."""

    why: str


@dataclass(frozen=True)
class PutOnHold:
    """It can never be taken."""

    number: int
    why: str


@dataclass(frozen=True)
class Rest:
    """Nothing can be done now, and why. whys: of the entries that wait for time, by number."""

    why: str
    whys: tuple[tuple[int, str], ...] = ()


Act: TypeAlias = Take | Refer | Close | PutOnHold | Rest


def next_act(waiting: Sequence[Waiting], left: Left, reference_s: float | None, span: Span) -> Act:
    """waiting: in the order in which they are to be taken. reference_s: upper bound of a run of the reference unit;
    None: there is none.

    The first entry that can end in time is taken, with the reference unit's last run kept room for. One that could not
    end in hours that are whole is put on hold, or it would wait for ever.
    """
    once_s = reference_s or 0.0
    for one in waiting:
        if one.estimate_s + 2.0 * once_s > left.whole_s:
            besides = " with the reference unit first and last" if reference_s is not None else ""
            why = f"takes up to {lasted(one.estimate_s)}{besides}, and the hours only last {lasted(left.whole_s)}"
            return PutOnHold(one.number, why)
    around_s = once_s * (1.0 if span.is_open else 2.0)
    fitting = [one for one in waiting if left.left_s is not None and one.estimate_s + around_s <= left.left_s]
    if fitting:
        return Take(fitting[0].number) if span.is_open or reference_s is None else Refer("first")
    if span.is_open:
        return _closing(left, once_s, span)
    return _rest(waiting, left)


def _closing(left: Left, once_s: float, span: Span) -> Act:
    if not span.worked:
        return Close("")
    if left.left_s is None or once_s > left.left_s:
        return Close("the reference unit could not be measured last: no time was left for it")
    return Refer("last")


def _rest(waiting: Sequence[Waiting], left: Left) -> Rest:
    if not waiting:
        return Rest(EMPTY)
    if left.left_s is None:
        why = f"waits for {left.opens}"
        return Rest(f"{_entries(len(waiting))} for {left.opens}", tuple((one.number, why) for one in waiting))
    whys = tuple(
        (one.number, f"takes up to {lasted(one.estimate_s)}, too long to end by {left.closes}; waits for {left.opens}")
        for one in waiting
    )
    return Rest(f"{_entries(len(waiting))} for {left.opens}: nothing more can end by {left.closes}", whys)


def _entries(count: int) -> str:
    return "1 entry waits" if count == 1 else f"{count} entries wait"


# --- what follows a night


@dataclass(frozen=True)
class After:
    """state of the entry, with why; rest: what becomes of the others; over: the daemon ends."""

    state: Literal["done", "held"]
    why: str | None
    rest: Literal["go on", "hold"] = "go on"
    over: bool = False


def after(exit_code: int, causes: Collection[str], wished: AfterTrip) -> After:
    """exit_code: of the night, as of `run`. causes: of its trips: "unit", "bench", "link". wished: by the entry, for a
    trip of its unit. A trip that is not the unit's own leaves the bench in doubt: nothing more is taken by itself."""
    if exit_code == EXIT_NOT_CONFIRMED_SAFE:
        return After("held", "the bench could not be confirmed safe after it", "hold", over=True)
    if exit_code == EXIT_STOPPED:
        return After("held", "stopped by a person during it", over=True)
    if exit_code == EXIT_TRIPPED:
        if set(causes) - {"unit"}:
            return After("done", "tripped, and the bench is in doubt", "hold")
        return After("done", "tripped", "hold" if wished == "hold the rest" else "go on", over=wished == "stop")
    if exit_code != EXIT_DONE:
        return After("held", "an internal fault ended it", "hold", over=True)
    return After("done", None)


def worst(codes: Sequence[int]) -> int:
    """The daemon's own exit code from those of its nights."""
    order = (EXIT_NOT_CONFIRMED_SAFE, EXIT_FAULT, EXIT_STOPPED, EXIT_TRIPPED)
    return next((code for code in order if code in codes), EXIT_DONE)
