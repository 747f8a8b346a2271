"""`idle_current`: what the whole unit draws from the supply without signal: the mean of ten meter windows.

It is the current into the unit, converter and fan included, not that of its output devices. Pure.
"""

from __future__ import annotations

import math

from sequencer.measurements.hand_idle import by_digitiser, idle_as_read
from sequencer.measurements.idle_watch import SMOOTHED, IdleWatch, watched
from sequencer.measurements.requests import Rest
from sequencer.measurements.states import State, reach
from sequencer.measurements.values import Finding, Value, ValueJob, Values, ValueTalk, expanded, near, scatter

WINDOWS, PAUSE_S = 10, 0.5
NOT_JUDGED = "recorded, not judged: the unit's file gives no window"
METER_NOTE = "uncertainty: of repeat readings; the meter's own is not declared"
RAISE = "Set the bias by the unit's manual and measure again warm; look for an open emitter resistor or driver"
LOWER = "Set the bias by the unit's manual and measure again warm; look for an oscillation"


def idle_current(job: ValueJob) -> ValueTalk:
    """One value in the state that `wait` names, judged against the unit's window where its file gives one.

    Outside the window: a finding. Far above it: the unit is not driven. Rising by more than 20 % in a minute: a trip.
    """
    watch = IdleWatch(job)
    yield Rest(job.rest_s)
    state = yield from reach(watch)
    counted = len(watch.readings)
    if not watch.ended:
        yield from watched(watch, WINDOWS, PAUSE_S)
    amps = [a for _, a in watch.readings[counted:]] or [a for _, a in watch.readings[-SMOOTHED:]]
    if all(math.isnan(one) for one in amps):
        return (yield from idle_as_read(job, state, watch))
    value = _value(job, amps, state, watch)
    if not watch.ended:
        watch.findings += _findings(job, value)
    values = (value, *_waited(job, state))
    return Values(values, tuple(watch.findings), no_drive=watch.no_drive, trip=watch.trip, trip_rule=watch.trip_rule)


def _value(job: ValueJob, amps: list[float], state: State, watch: IdleWatch) -> Value:
    mean_a = sum(amps) / len(amps)
    own = by_digitiser(job, mean_a)
    expanded_a, factor = expanded([scatter(amps, "repeatability"), *own]) if len(amps) > 1 else (None, None)
    window = job.expected.idle_window_a
    judgement, reason = _judged(mean_a, expanded_a, window, _doubt(state, watch))
    note = f"; {state.note}" if state.settled and state.note else ""
    return Value(
        name=f"idle current, {job.point.wait}",
        value=mean_a,
        unit="A",
        expanded_uncertainty=expanded_a,
        coverage_factor=factor,
        judgement=judgement,
        reason=f"{reason}{note}; {'by the digitiser, no remote supply' if own else METER_NOTE}",
        low=window[0] if window and judgement else None,
        high=window[1] if window and judgement else None,
    )


def _doubt(state: State, watch: IdleWatch) -> str | None:
    """Why it is not the state that was asked for."""
    if watch.trip:
        return "it had not settled"
    return None if state.settled else state.note or "it had not settled"


def _judged(
    amps: float, expanded_a: float | None, window: tuple[float, float] | None, doubt: str | None
) -> tuple[str | None, str]:
    if window is None:
        return None, NOT_JUDGED
    if doubt is not None:
        return None, f"recorded, not judged: {doubt}"
    low, high = window
    nearest = min(window, key=lambda edge: abs(amps - edge))
    return "within" if low <= amps <= high else "outside", f"{low:g} to {high:g} A{near(amps, nearest, expanded_a)}"


def _findings(job: ValueJob, value: Value) -> list[Finding]:
    """Low idle current shows as crossover distortion, high as heat."""
    window, amps = job.expected.idle_window_a, value.value
    if value.judgement != "outside" or window is None or amps is None:
        return []
    low, high = window
    if amps < low:
        sentence = f"idle current {amps:.3g} A, {job.point.wait}: below the window's {low:g} A"
        return [Finding("idle current low", sentence, RAISE)]
    sentence = f"idle current {amps:.3g} A, {job.point.wait}: above the window's {high:g} A"
    return [Finding("idle current high", sentence, LOWER)]


def _waited(job: ValueJob, state: State) -> list[Value]:
    """How long the state took, where it is one that is waited for."""
    names = {"warm": "idle current, time until settled", "cooled": "idle current, time until cooled"}
    name = names.get(job.point.wait)
    if name is None:
        return []
    return [Value(name, state.waited_s if state.settled else None, "s", reason=None if state.settled else state.note)]
