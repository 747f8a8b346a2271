"""`soak`: both channels at 1/8 of full power for many minutes: what the heat sinks make of it. Pure.

Counted bursts, one straight after the other; each is looked at in its last 0.2 s, where the supply's meter is read
as well. Two numbers tell a bad mounting: the sides differ, or a side's K/W is more than its model's.
"""

from __future__ import annotations

from collections.abc import Generator, Mapping
from dataclasses import dataclass, field
from typing import Any

from sequencer.measurements.heating import Heated, Tone, heat_once, tone_for
from sequencer.measurements.requests import BenchReading, ReadBench, Reply, Request, Rest
from sequencer.measurements.soak_findings import findings
from sequencer.measurements.soak_heat import Course, Side, course, sides
from sequencer.measurements.soak_rows import curve, values
from sequencer.measurements.values import Finding, ValueJob, Values, ValueTalk
from sequencer.plan.estimate_heat import IDLE_AFTER_S, soak_part

IDLE_READINGS, IDLE_PAUSE_S = 5, 0.5
COOLING_EVERY_S = 30.0
LOOK = "Let it cool, look at fan, air path and mounting before it is driven for long"
ENDED_EARLY = {"soak": "soak ended early", "precondition": "precondition ended early"}


@dataclass
class Soak:
    """As it goes. before, after: readings without signal; heated: every burst. stopped_by: None where it lasted."""

    job: ValueJob
    tone: Tone
    before: list[BenchReading] = field(default_factory=list, init=False)
    heated: list[Heated] = field(default_factory=list, init=False)
    after: list[BenchReading] = field(default_factory=list, init=False)
    stopped_by: str | None = field(default=None, init=False)
    trip: str | None = field(default=None, init=False)
    finding: Finding | None = field(default=None, init=False)

    @property
    def at_s(self) -> float:
        """Since the first burst began."""
        return self.since_s(self.heated[-1].bench.at_ns) if self.heated else 0.0

    def since_s(self, at_ns: int) -> float:
        return (at_ns - self.heated[0].begun_ns) / 1e9

    def hear(self, heated: Heated) -> None:
        """Takes down one burst, or several short ones, and decides whether it was the last."""
        self.heated.append(heated)
        shot, stop_c = heated.shot, self.job.around.unit.heat.stop_c
        celsius = heated.bench.heatsink_c
        tripped = shot.supply_tripped or heated.bench.supply_tripped
        if tripped:
            self.trip = f"supply tripped ({tripped.replace('_', ' ')}) at {self._part}"
        elif shot.supply_limited:
            self._stop("supply_current_limit", "the supply went into current limit", None)
        elif gone := heated.gone(self.tone):
            self._stop("protection", f"the output of channel {', '.join(gone)} went away", gone[0])
        elif void := heated.void:
            self._stop("overload", f"channel {', '.join(void)} gave more than its level asks for", void[0])
        elif hot := [name for name, c in celsius.items() if c >= stop_c]:
            sentence = f"heat sink {hot[0]} at {celsius[hot[0]]:.1f} degC, stop limit {stop_c:g}"
            self._stop("temperature", sentence, hot[0])

    def _stop(self, stopped_by: str, sentence: str, channel: str | None) -> None:
        self.stopped_by = stopped_by
        name = self.job.point.measurement
        words = f"{name} ended after {self.at_s / 60.0:.0f} of {self.job.point.minutes:g} min: {sentence}"
        self.finding = Finding(ENDED_EARLY[name], words, LOOK, channel)

    @property
    def _part(self) -> str:
        return f"{soak_part(self.job.point):g} of full power, after {self.at_s / 60.0:.0f} min"


def soak(job: ValueJob) -> ValueTalk:
    """Temperature at the end, time constant and K/W of each channel; the curve of the whole of it.

    At heat.stop_c it ends: what was seen until then is kept.
    """
    yield Rest(job.rest_s)
    tone = yield from tone_for(job, soak_part(job.point))
    if isinstance(tone, str):
        return Values(reason=tone)
    run = Soak(job, tone)
    run.before = yield from _idle()
    yield from keep_level(run)
    if run.trip is None:
        run.after = yield from _idle_after()
    return _found(run)


def keep_level(run: Soak) -> Generator[Request, Reply, None]:
    """Burst after burst for the point's minutes, or until one of them says that it is enough."""
    while run.at_s < 60.0 * run.job.point.minutes and run.stopped_by is None and run.trip is None:
        run.hear((yield from heat_once(run.job, run.tone, "soak")))


def _idle() -> Generator[Request, Reply, list[BenchReading]]:
    seen = []
    for _ in range(IDLE_READINGS):
        reply = yield ReadBench()
        assert isinstance(reply, BenchReading)
        seen.append(reply)
        yield Rest(IDLE_PAUSE_S)
    return seen


def _idle_after() -> Generator[Request, Reply, list[BenchReading]]:
    """Idle current five minutes after the last burst: by then the devices are as warm as their heat sink."""
    for _ in range(round(IDLE_AFTER_S / COOLING_EVERY_S)):
        yield Rest(COOLING_EVERY_S)
        yield ReadBench()  # someone looks on: whoever listens to the replies sees a runaway
    return (yield from _idle())


def _found(run: Soak) -> Values:
    seen = course(run.job, run.before, run.heated)
    by_channel = sides(run.job, seen)
    found = findings(run.job, seen, by_channel, run.before, run.after)
    return Values(
        values=values(run.job, seen, by_channel, run.before, run.after),
        findings=(*([run.finding] if run.finding else []), *found),
        shots=sum(h.bursts for h in run.heated),
        trip=run.trip,
        trip_rule="supply tripped" if run.trip else None,
        extra=_extra(run, seen, by_channel),
    )


def _extra(run: Soak, seen: Course, by_channel: Mapping[str, Side]) -> dict[str, Any]:
    return {
        "curve": curve(run.heated, seen.times_s),
        "frequency_hz": run.tone.fire("soak").frequency_hz,
        "cycles": run.tone.cycles,
        "steady": True,
        "level_vrms": run.tone.level_vrms,
        "power_part": soak_part(run.job.point),
        "power_basis": run.tone.basis,
        "duty_pct": 100.0 * seen.duty,
        "minutes": run.at_s / 60.0,
        "stopped_by": run.stopped_by,
        "ambient_c": {name: side.ambient_c for name, side in by_channel.items()},
        "ambient_basis": seen.ambient_basis,
        "heat_w": {name: side.heat_w for name, side in by_channel.items()},
    }
