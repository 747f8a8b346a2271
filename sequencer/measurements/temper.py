"""Brings the heat sinks to where a group of points begins: cold (at most 40 degC) or hot (45 to 55 degC). Pure."""

from __future__ import annotations

from collections.abc import Generator, Mapping
from dataclasses import dataclass, field

from sequencer.measurements.heating import Tone, heat_once, tone_for
from sequencer.measurements.requests import BenchReading, ReadBench, Reply, Request, Rest
from sequencer.measurements.states import COOL_C, LOOK_EVERY_S
from sequencer.measurements.values import ValueJob
from sequencer.plan.estimate_heat import COLD_AT_MOST_S, EIGHTH, HOT_AT_MOST_S

HOT_C = (45.0, 55.0)  # common practice, no source
CALM_S = 30.0  # a sensor beside the devices reads high while they are driven: it is asked again after that
CALM_K = 0.5  # how much further to go than what the calm took away
NOT_SEEN = "no thermometer sees the heat sinks"


@dataclass(frozen=True)
class Tempered:
    """How it ended. reason: why the state was not reached. heatsink_c: as last read; shots: bursts fired."""

    reached: bool
    reason: str | None = None
    heatsink_c: Mapping[str, float] = field(default_factory=dict)
    waited_s: float = 0.0
    shots: int = 0


@dataclass
class _Look:
    """Temperatures as they come, and how long it has taken."""

    first_ns: int | None = None
    celsius: Mapping[str, float] = field(default_factory=dict)
    waited_s: float = 0.0
    shots: int = 0
    trouble: str | None = None

    def hear(self, reading: BenchReading) -> None:
        self.first_ns = reading.at_ns if self.first_ns is None else self.first_ns
        self.waited_s = (reading.at_ns - self.first_ns) / 1e9
        self.celsius = reading.heatsink_c
        if reading.supply_tripped:
            self.trouble = f"supply tripped ({reading.supply_tripped.replace('_', ' ')})"

    @property
    def coolest_c(self) -> float:
        return min(self.celsius.values())

    @property
    def hottest_c(self) -> float:
        return max(self.celsius.values())

    def ended(self, reason: str | None = None) -> Tempered:
        return Tempered(reason is None, reason, dict(self.celsius), self.waited_s, self.shots)


def temper(job: ValueJob, wanted: str) -> Generator[Request, Reply, Tempered]:
    """Waits or heats until the sinks of all thermometers are in the state `wanted`: "cold", "hot", "any".

    Heated with bursts of 1/8 power. At most 60 min for cold, 45 for hot; then the reason says how far it came.
    """
    if wanted == "any":
        return Tempered(True)
    look = _Look()
    yield from _look(look)
    if look.trouble or not look.celsius:
        return look.ended(look.trouble or NOT_SEEN)
    if wanted == "cold":
        return (yield from _cold(look))
    return (yield from _hot(job, look))


def _look(look: _Look) -> Generator[Request, Reply, None]:
    reply = yield ReadBench()
    assert isinstance(reply, BenchReading)
    look.hear(reply)


def _cold(look: _Look) -> Generator[Request, Reply, Tempered]:
    while look.hottest_c > COOL_C:
        if look.waited_s >= COLD_AT_MOST_S:
            return look.ended(_words(look, f"above {COOL_C:g}"))
        yield Rest(LOOK_EVERY_S)
        yield from _look(look)
        if look.trouble:
            return look.ended(look.trouble)
    return look.ended()


def _hot(job: ValueJob, look: _Look) -> Generator[Request, Reply, Tempered]:
    """Heats in stretches; after each it is calm for half a minute, and only then does the reading count."""
    tone: Tone | None = None
    aim_c = HOT_C[0]
    while not look.trouble:
        if look.waited_s >= HOT_AT_MOST_S or look.hottest_c >= job.around.unit.heat.stop_c:
            return look.ended(_words(look, f"not within {HOT_C[0]:g} to {HOT_C[1]:g}"))
        if look.hottest_c > HOT_C[1]:
            yield Rest(LOOK_EVERY_S)
            yield from _look(look)
        elif look.coolest_c >= HOT_C[0]:
            return look.ended()
        else:
            if tone is None:
                found = yield from tone_for(job, EIGHTH)
                if isinstance(found, str):
                    return look.ended(found)
                tone = found
            aim_c = yield from _stretch(job, look, tone, aim_c)
    return look.ended(look.trouble)


def _stretch(job: ValueJob, look: _Look, tone: Tone, aim_c: float) -> Generator[Request, Reply, float]:
    """Bursts until the coolest sink reads aim_c or the hottest the upper end; what to aim at next time, degC."""
    most_c = min(HOT_C[1], job.around.unit.heat.stop_c)
    while look.coolest_c < aim_c and look.hottest_c < most_c and look.waited_s < HOT_AT_MOST_S and not look.trouble:
        yield from _burst(job, look, tone)
    driven_c = look.coolest_c
    yield Rest(CALM_S)
    yield from _look(look)
    return max(aim_c, HOT_C[0] + max(driven_c - look.coolest_c, 0.0) + CALM_K)


def _burst(job: ValueJob, look: _Look, tone: Tone) -> Generator[Request, Reply, None]:
    heated = yield from heat_once(job, tone, "warming")
    look.shots += heated.bursts
    look.hear(heated.bench)
    if heated.shot.supply_tripped:
        look.trouble = f"supply tripped ({heated.shot.supply_tripped.replace('_', ' ')}) while it was warmed"
    elif heated.shot.supply_limited:
        look.trouble = "the supply went into current limit while it was warmed"
    elif void := heated.void:
        look.trouble = f"channel {', '.join(void)} gave more than its level asks for while it was warmed"
    elif gone := heated.gone(tone):
        look.trouble = f"the output of channel {', '.join(gone)} went away while it was warmed"


def _words(look: _Look, what: str) -> str:
    temps = ", ".join(f"{name} {celsius:.1f}" for name, celsius in sorted(look.celsius.items()))
    return f"heat sinks {what} degC after {look.waited_s / 60.0:.0f} min: {temps}"
