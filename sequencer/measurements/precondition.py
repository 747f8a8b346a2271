"""`precondition`: an amplifier warmed as a rated power asks for it: 1/8 of it, 1 kHz, all channels, an hour. Pure.

It goes by 16 CFR 432.3 (from memory) as far as a bench with nobody there can; what was met of it and what was not is
said in plain words. What is measured next in the plan is measured warm.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass

import numpy as np

from sequencer.measurements.heating import tone_for
from sequencer.measurements.known_limit import rated_w, rating_of
from sequencer.measurements.requests import BenchReading, ReadBench, Rest
from sequencer.measurements.soak import Soak, keep_level
from sequencer.measurements.soak_rows import curve
from sequencer.measurements.states import first_start_c
from sequencer.measurements.values import Value, ValueJob, Values, ValueTalk
from sequencer.plan.estimate_heat import EIGHTH, HEATING_HZ, soak_part

HOUR_MIN, AIR_C = 60.0, 25.0  # 16 CFR 432.3, from memory
POWER_WITHIN = 0.05  # of what is asked (our own judgement)
MET, NOT_MET, NOT_KNOWN, NONE = "met", "not met", "not known", "does not apply"


@dataclass(frozen=True)
class Condition:
    """One of 16 CFR 432.3: what it asks, whether it was met, and why."""

    asks: str
    met: str
    words: str


def precondition(job: ValueJob) -> ValueTalk:
    """Power held, how long, heat sinks before and after, and each condition. It ends at heat.stop_c, as a soak does."""
    yield Rest(job.rest_s)
    rating = rating_of(job)
    tone = yield from tone_for(job, soak_part(job.point), rated_w(job))
    if isinstance(tone, str):
        return Values(reason=tone)
    run = Soak(job, tone)
    reply = yield ReadBench()
    assert isinstance(reply, BenchReading)
    run.before = [reply]
    yield from keep_level(run)
    conditions = tuple(_conditions(run, rating.power_w if rating else None))
    return Values(
        values=tuple(_values(run, conditions)),
        findings=(run.finding,) if run.finding else (),
        shots=sum(h.bursts for h in run.heated),
        trip=run.trip,
        extra={
            "conditions": [asdict(one) for one in conditions],
            "curve": curve(run.heated, np.array([run.since_s(h.bench.at_ns) for h in run.heated])),
            "frequency_hz": HEATING_HZ,
            "level_vrms": tone.level_vrms,
            "power_part": soak_part(job.point),
            "power_basis": tone.basis,
            "minutes": run.at_s / 60.0,
            "stopped_by": run.stopped_by,
        },
    )


def _held_w(run: Soak, name: str) -> float:
    """Mean of the bursts' ends."""
    seen = [w for h in run.heated if (w := h.power_w[name]) is not None]
    return sum(seen) / len(seen) if seen else 0.0


def _duty(run: Soak) -> float:
    driven_s = sum(h.bursts for h in run.heated) * run.tone.burst_s
    return min(driven_s / run.at_s, 1.0) if run.at_s else 0.0


def _values(run: Soak, conditions: tuple[Condition, ...]) -> Iterator[Value]:
    part = soak_part(run.job.point)
    told = f"{part:.3g} {run.tone.basis}; bursts of {run.tone.burst_s:.3g} s, {100.0 * _duty(run):.0f} % of the time"
    for channel in run.job.channels:
        name = channel.name
        yield Value("power held", _held_w(run, name), "W", name, None, None, None, told, HEATING_HZ)
        start_c, end_c = _heatsinks(run, name)
        reason = None if start_c is not None else "no thermometer sees it"
        judgement = None if start_c is not None else "not measured"
        yield Value("heat sink, start", start_c, "degC", name, judgement=judgement, reason=reason)
        yield Value("heat sink, end", end_c, "degC", name, judgement=judgement, reason=reason)
    yield Value("duration", run.at_s / 60.0, "min", reason=_told(conditions))


def _told(conditions: tuple[Condition, ...]) -> str:
    by_met = {met: [one.asks for one in conditions if one.met == met] for met in (NOT_MET, NOT_KNOWN)}
    return "16 CFR 432.3, from memory: " + "; ".join(
        f"{met}: {', '.join(asks)}" for met, asks in by_met.items() if asks
    )


def _heatsinks(run: Soak, name: str) -> tuple[float | None, float | None]:
    first, last = run.before[0].heatsink_c, run.heated[-1].bench.heatsink_c
    return first_start_c(run.job).get(name, first.get(name)), last.get(name)


def _conditions(run: Soak, rated_w: float | None) -> Iterator[Condition]:
    job, tone = run.job, run.tone
    minutes = run.at_s / 60.0
    yield Condition("one hour", MET if minutes >= HOUR_MIN - 1e-6 else NOT_MET, f"{minutes:.0f} min")
    yield Condition("a sine of 1 kHz", MET, f"{HEATING_HZ:g} Hz")
    missing = [c.name for c in job.around.unit.channel if c.name not in job.point.channels]
    all_of_them = f"{', '.join(missing)} not driven" if missing else f"{len(job.channels)} together"
    yield Condition("all channels driven", NOT_MET if missing else MET, all_of_them)
    yield _power(run, rated_w)
    steady = f"counted bursts of {tone.burst_s:.3g} s, {100.0 * _duty(run):.0f} % of the time, so that no tone can last"
    yield Condition("without a pause", NOT_MET, steady)
    seen = [c for one in job.channels if (c := _heatsinks(run, one.name)[0]) is not None]
    air = "nothing reads the air"
    if seen:
        air += f"; heat sinks at {min(seen):.1f} degC when this run began"
    yield Condition(f"still air of {AIR_C:g} degC or more", NOT_KNOWN, air)
    yield Condition("controls set flat", NOT_KNOWN, f"its file says: {job.around.unit.settings}")
    if job.around.unit.front_end != "mains":
        yield Condition("mains of 120 V, 60 Hz", NONE, f"fed with {job.point.supply_v:g} V DC")


def _power(run: Soak, rated_w: float | None) -> Condition:
    """Each channel within 5 % of what is asked, or above it."""
    part = soak_part(run.job.point)
    held_w = {c.name: _held_w(run, c.name) for c in run.job.channels}
    held = ", ".join(f"{name} {watts:.3g} W" for name, watts in held_w.items())
    least_w = (1.0 - POWER_WITHIN) * EIGHTH * (rated_w or 0.0)
    met = MET if rated_w is not None and min(held_w.values()) >= least_w else NOT_MET
    return Condition("1/8 of the rated power", met, f"{held}; {part:.3g} {run.tone.basis}")
