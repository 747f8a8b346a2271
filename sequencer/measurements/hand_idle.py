"""Idle current where nothing reads the supply: what a person reads from its meter and types. Pure."""

from __future__ import annotations

from collections.abc import Generator

from sequencer.analysis.uncertainty import DEVIATION, Part
from sequencer.measurements.idle_watch import HIGH_FACTOR, LOOK, IdleWatch
from sequencer.measurements.requests import Answer, Ask, Deed, Reply, Request
from sequencer.measurements.states import State
from sequencer.measurements.values import Finding, Value, ValueJob, Values
from sequencer.plan.ammeter import ammeter
from sequencer.plan.promises import NO_AMPS

NO = "no"
TYPED = "read from a meter and typed by a person; its uncertainty is not declared"


def by_digitiser(job: ValueJob, amps: float) -> tuple[Part, ...]:
    """What shunt or clamp, range and zero are worth, A; nothing where a remote supply reads its own current."""
    if job.context is None or "supply" not in job.context.bench.by_hand:
        return ()
    bench = job.context.bench
    found = ammeter(bench)
    if found is None:
        return ()
    range_pct = max(one.gain_uncertainty_pct for one in bench.range if one.input in ("all", found.input))
    half_a = (found.own_pct + range_pct) / 100.0 * amps + found.zero_a
    return (Part(f"ammeter:{found.input}", half_a * DEVIATION["rectangular"], "rectangular"),)


def asked(job: ValueJob, words: str) -> Generator[Request, Reply, float | None]:
    """Amps of the supply's meter; watts of the power meter on the mains. None where nobody typed a number."""
    on_mains = job.around.unit.front_end == "mains"
    unit, meter = ("W", "power meter") if on_mains else ("A", "supply's own meter")
    asks = f"What does the {meter} show, without signal, in {unit}?"
    question = " ".join(one for one in (f"Unit {job.around.unit.serial}:", words, asks) if one)
    reply = yield Ask(question, (NO,), NO, deed=Deed("meter"), number=unit)
    assert isinstance(reply, Answer)
    return None if reply.choice == NO else float(reply.choice)


def idle_value(job: ValueJob, name: str, seen: float, *, judged: bool, note: str | None = None) -> Value:
    """judged: against the window, which is in amps."""
    on_mains, window = job.around.unit.front_end == "mains", job.expected.idle_window_a
    words = f"; {note}" if note else ""
    if on_mains or window is None or not judged:
        reason = f"recorded, not judged{words}; {TYPED}"
        title = name.replace("current", "power") if on_mains else name
        return Value(title, seen, "W" if on_mains else "A", reason=reason)
    judgement = "within" if window[0] <= seen <= window[1] else "outside"
    reason = f"{window[0]:g} to {window[1]:g} A{words}; {TYPED}"
    return Value(name, seen, "A", judgement=judgement, reason=reason, low=window[0], high=window[1])


def too_high(job: ValueJob, seen: float) -> tuple[tuple[Finding, ...], str | None]:
    """A finding, and why the unit is not driven, where it is far above its window."""
    window = job.expected.idle_window_a
    if job.around.unit.front_end == "mains" or window is None or seen <= HIGH_FACTOR * window[1]:
        return (), None
    sentence = f"idle current {seen:.3g} A, above {HIGH_FACTOR:g} x the window's {window[1]:g} A"
    return (Finding("no drive", f"{sentence}: the unit is not driven", LOOK),), f"not driven: {sentence}"


def idle_as_read(job: ValueJob, state: State, watch: IdleWatch) -> Generator[Request, Reply, Values]:
    """In the state that `wait` names, as far as heat sinks tell it."""
    seen = yield from asked(job, "")
    if seen is None:
        return Values((), tuple(watch.findings), reason=f"{NO_AMPS}; nobody typed what its meter shows")
    value = idle_value(job, f"idle current, {job.point.wait}", seen, judged=state.settled, note=state.note)
    findings, no_drive = too_high(job, seen)
    return Values((value,), (*watch.findings, *findings), no_drive=no_drive)
