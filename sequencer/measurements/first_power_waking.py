"""A unit coming alive: its current, when its outputs begin to follow a harmless tone, and what they do just then.

The digitiser knows no trigger but a burst. So tones of 0.2 s at 50 mV follow one another from the moment the remote
line closes: the record in which the tone appears shows the instant and the thump. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Mapping
from dataclasses import dataclass, field

import numpy as np

from sequencer.analysis.records import Record, Volts
from sequencer.measurements.bench_check_model import CREST_SCALE_V, level_for, scales, tone_hz
from sequencer.measurements.bench_inputs import tone_seen
from sequencer.measurements.power_job import ChannelJob
from sequencer.measurements.requests import BenchReading, Fire, ReadBench, Reply, Request, Rest, Shot
from sequencer.measurements.values import ValueJob, shot_of
from sequencer.plan.estimate_checks import INRUSH_S, WAKE_AT_MOST_S, WIRING_VRMS, tone_cycles

LIMITED_S = 1.0  # in limit for longer, once the inrush is over: off (common practice, no source)
STEADY_FROM_S = 3.0  # common practice, no source
STEADY_READINGS, PAUSE_S = 5, 0.1
BLOCK_CYCLES = 2  # of the tone, in which it is looked for
END_CYCLES = 20  # of a record: gain is there when it stands in them
HALF = 0.5  # of its level at the record's end: from there on the output follows
SHOWN_S = (-0.05, 0.1)  # around where it follows
GAP_NOTE = "it came alive between two records: at least this"
SEEN_NOTE = "largest excursion while it came alive, mean of each cycle of the tone"
WIDE_NOTE = "beyond the range: at least this"
NOT_ALIVE = "it did not come alive"


@dataclass(frozen=True)
class Instant:
    """When, s after the unit was switched on, and how far that may be off either way."""

    at_s: float
    within_s: float


@dataclass(frozen=True)
class Thump:
    """peak_v: None where it was not seen; within_v: what the tone's own beginning may add, its crest, and a step, V.
    shown: (s from where it follows, V) of the mean over each cycle, for the sheet's picture."""

    peak_v: float | None
    within_v: float | None
    note: str
    shown: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class Waking:
    """held_down: why it must be switched off. mute: until the last channel followed; None where one never did."""

    readings: tuple[BenchReading, ...]
    mute: Instant | None
    silent: tuple[str, ...]
    thumps: Mapping[str, Thump]
    waited_s: float
    shots: int
    held_down: str | None = None


@dataclass
class _Watch:
    """alive: per channel, when it began to follow."""

    job: ValueJob
    alive: dict[str, Instant] = field(default_factory=dict)
    thumps: dict[str, Thump] = field(default_factory=dict)
    shots: int = 0
    begun_ns: int = 0
    begun_within_s: float = 0.0
    limited_since_s: float | None = None
    last_end_s: float = 0.0
    now_s: float = 0.0

    @property
    def waiting(self) -> list[ChannelJob]:
        return [c for c in self.job.channels if c.name not in self.alive]

    def seconds(self, at_ns: int) -> float:
        return (at_ns - self.begun_ns) / 1e9

    def hear(self, reading: BenchReading | Shot, at_s: float) -> str | None:
        """Why it must be switched off, if it must."""
        self.now_s = at_s
        if reading.supply_tripped:
            return f"the supply tripped ({reading.supply_tripped.replace('_', ' ')}) when it came on"
        if not reading.supply_limited or self.now_s < INRUSH_S:
            self.limited_since_s = None
            return None
        since_s = self.limited_since_s if self.limited_since_s is not None else self.now_s
        self.limited_since_s = since_s
        if self.now_s - since_s <= LIMITED_S:
            return None
        return (
            f"the supply is in current limit at {reading.supply_a:.3g} A for more than {LIMITED_S:g} s after it came on"
        )

    def look(self, shot: Shot) -> str | None:
        """Which channels follow by now. What the supply says of it is what `hear` says."""
        self.shots += 1
        began_s = self.seconds(shot.fired_at_ns)
        fire = shot.request
        for channel in self.waiting:
            record = shot.records[channel.input]
            at_s = follows_from(record, fire.frequency_hz, fire.cycles)
            if at_s is not None:
                self._woke(channel, record, at_s, began_s, 1.0 / fire.frequency_hz)
        self.last_end_s = began_s + fire.cycles / fire.frequency_hz
        return self.hear(shot, self.last_end_s)

    def read(self, reading: BenchReading) -> str | None:
        return self.hear(reading, self.seconds(reading.at_ns))

    def _woke(self, channel: ChannelJob, record: Record, at_s: float, began_s: float, cycle_s: float) -> None:
        in_gap = at_s <= BLOCK_CYCLES * cycle_s
        if in_gap and self.shots > 1:
            half_s = (began_s - self.last_end_s) / 2.0
            self.alive[channel.name] = Instant(self.last_end_s + half_s, half_s + self.begun_within_s)
        else:
            self.alive[channel.name] = Instant(began_s + at_s, BLOCK_CYCLES * cycle_s + self.begun_within_s)
        note = WIDE_NOTE if record.overloaded else GAP_NOTE if in_gap else SEEN_NOTE
        self.thumps[channel.name] = Thump(
            excursion_v(record, cycle_s, at_s),
            _tone_crest_v(record, cycle_s) + record.step_v,
            note,
            sketch(record, cycle_s, at_s),
        )

    def closed(self, readings: tuple[BenchReading, ...], held_down: str | None = None) -> Waking:
        silent = tuple(c.name for c in self.waiting)
        last = None if silent else max(self.alive.values(), key=lambda one: one.at_s)
        missing = {name: Thump(None, None, NOT_ALIVE) for name in silent}
        return Waking(readings, last, silent, {**self.thumps, **missing}, self.now_s, self.shots, held_down)


def wake(job: ValueJob, switching: Request) -> Generator[Request, Reply, Waking]:
    """Does what switches the unit on, and watches: 3 s at least, and until every channel follows, 12 s at most."""
    watch = _Watch(job)
    before = yield from _read()
    yield switching
    after = yield from _read()
    watch.begun_ns = (before.at_ns + after.at_ns) // 2
    watch.begun_within_s = (after.at_ns - before.at_ns) / 2e9
    held_down = watch.read(after)
    while held_down is None and (watch.now_s < STEADY_FROM_S or (watch.waiting and watch.now_s < WAKE_AT_MOST_S)):
        if watch.waiting:
            held_down = watch.look((yield from _tone(job)))
        else:
            yield Rest(PAUSE_S)
            held_down = watch.read((yield from _read()))
    readings: list[BenchReading] = []
    while held_down is None and len(readings) < STEADY_READINGS:
        reading = yield from _read()
        readings.append(reading)
        held_down = watch.read(reading)
        yield Rest(PAUSE_S)
    return watch.closed(tuple(readings), held_down)


def _read() -> Generator[Request, Reply, BenchReading]:
    reply = yield ReadBench()
    assert isinstance(reply, BenchReading)
    return reply


def _tone(job: ValueJob) -> Generator[Request, Reply, Shot]:
    hz = tone_hz(job)
    level = level_for(job, WIRING_VRMS, max(c.gain_db for c in job.channels))
    return shot_of((yield Fire(level, hz, tone_cycles(hz), scales(job, CREST_SCALE_V), "check")))


def follows_from(record: Record, frequency_hz: float, cycles: int) -> float | None:
    """s after the trigger from which the output follows the tone; None where it does not at the record's end.

    The tone's rms in blocks of two cycles, against that of the last twenty.
    """
    end_s = (cycles - 0.5) / frequency_hz
    last = tone_seen(record, frequency_hz, end_s - min(END_CYCLES, cycles / 2.0) / frequency_hz, end_s)
    if not last.seen:
        return None
    block_s = BLOCK_CYCLES / frequency_hz
    times = record.times_s
    inside = (times >= 0.0) & (times < cycles / frequency_hz)
    turned = record.volts[inside] * np.exp(-2j * math.pi * frequency_hz * times[inside])
    size = max(1, round(block_s / record.sample_interval_s))
    blocks = turned[: turned.size // size * size].reshape(-1, size).mean(axis=1)
    quiet = np.flatnonzero(np.abs(blocks) * math.sqrt(2.0) < HALF * last.rms_v)
    return 0.0 if quiet.size == 0 else float(quiet[-1] + 1) * block_s


def _tone_crest_v(record: Record, cycle_s: float) -> float:
    """Of the tone at the record's end, by ten of its last cycles."""
    end_s = float(record.times_s[-1]) - 2.0 * cycle_s
    last = tone_seen(record, 1.0 / cycle_s, end_s - END_CYCLES * cycle_s / 2.0, end_s)
    return abs(last.phasor)


def excursion_v(record: Record, cycle_s: float, at_s: float) -> float:
    """Largest distance of the mean over one cycle of the tone, which takes the tone out, from where it lay before
    at_s, when the output was still muted; from where it ends, where the record shows nothing of that. V."""
    return float(np.max(np.abs(_from_rest(record, cycle_s, at_s))))


def sketch(record: Record, cycle_s: float, at_s: float) -> tuple[tuple[float, float], ...]:
    """The same distance, signed, cycle by cycle around at_s."""
    away = _from_rest(record, cycle_s, at_s)
    size = max(1, round(cycle_s / record.sample_interval_s))
    every = max(1, size // 2)
    middles = record.start_s + record.sample_interval_s * (np.arange(away.size) + (size - 1) / 2.0) - at_s
    kept = [i for i in range(0, away.size, every) if SHOWN_S[0] <= middles[i] <= SHOWN_S[1]]
    return tuple((round(float(middles[i]), 5), float(f"{away[i]:.4g}")) for i in kept)


def _from_rest(record: Record, cycle_s: float, at_s: float) -> Volts:
    size = max(1, round(cycle_s / record.sample_interval_s))
    means = np.convolve(record.volts, np.full(size, 1.0 / size), mode="valid")
    before = means[: max(0, round((at_s - BLOCK_CYCLES * cycle_s - record.start_s) / record.sample_interval_s) - size)]
    rest_v = float(np.median(before if before.size >= size else means[-max(1, means.size // 10) :]))
    away: Volts = means - rest_v
    return away
