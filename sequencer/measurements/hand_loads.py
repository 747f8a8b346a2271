"""Loads that a person connected, or that contacts did which nobody can see, proved before anything is driven into them:
volts over amps at a harmless level, of all channels that are driven together. Where no shunt sees the current of what a
person connected, that person's own reading counts, and is told as such. Pure.

One shunt sees the sum of the loads' currents, so what is proved is the sum of the channels' siemens: a load that is
missing, or is another one, takes far more from it than all that is declared.
"""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass, replace

from sequencer.measurements.bench_check_loads import OFF_PART, shunt_input
from sequencer.measurements.bench_check_model import level_for
from sequencer.measurements.bench_inputs import at_most, declared_input, second_half, sources_of
from sequencer.measurements.by_hand import DONE, NO, HandsDone
from sequencer.measurements.requests import Answer, Ask, Fire, Reply, Request, Rest, Tell
from sequencer.measurements.values import ValueJob, shot_of
from sequencer.plan.estimate_checks import HARMLESS_VRMS, SHORT_CYCLES, check_tone_hz

SPARE = 1.3
CREST = 2.0**0.5
CANCEL = 0.5  # of the currents' sum without regard to sign
BY_WORD = "by a person's own ohmmeter: nothing here proves it"
NO_CURRENT = "no current flows into it at the harmless level: it is not connected"
CANCELS = "the outputs are of opposite sense, their currents cancel in the shunt, and its contacts can't be seen"
UNPROVED = "not driven: the load {load} was not proved"


@dataclass(frozen=True)
class Found:
    """All channels' loads side by side, ohm; by the bench's file; the most by which both may differ, as a part."""

    ohm: float
    file_ohm: float
    bound: float

    @property
    def off(self) -> float:
        return self.ohm / self.file_ohm - 1.0

    @property
    def is_it(self) -> bool:
        return abs(self.off) <= max(OFF_PART, self.bound)


def proved(job: ValueJob, so_far: HandsDone) -> Generator[Request, Reply, str | None]:
    """None once what hangs there is what the file says; else why the point is not measured. `so_far` knows it then."""
    point = job.point
    reason = UNPROVED.format(load=point.load)
    if shunt_input(job.around.bench) is None:
        so_far.proved, so_far.proof = (point.load, point.channels), BY_WORD
        return None
    found = yield from _by_shunt(job)
    if isinstance(found, Found):
        words = f"{found.ohm:.3f} ohm where {found.file_ohm:.3f} are expected, {100.0 * found.off:+.1f} %"
        if not found.is_it:
            _forget(so_far)
            return f"{reason}: channels {' and '.join(point.channels)} together are {words}"
        so_far.proof = f"volts over amps at {HARMLESS_VRMS:g} V: {' and '.join(point.channels)} together {words}"
        yield Tell(f"load {point.load} proved by {so_far.proof}")
    elif found is not None:
        return f"{reason}: {found}"
    elif not job.around.bench.load[point.load].by_hand:
        return f"{reason}: {CANCELS}"
    elif (why := (yield from _by_a_person(job))) is not None:
        _forget(so_far)
        return f"{reason}: {why}"
    else:
        so_far.proof = BY_WORD
    so_far.proved = (point.load, point.channels)
    return None


def another_one(job: ValueJob) -> Generator[Request, Reply, str | None]:
    """After drive, of contacts that nobody can see: what shows that the load is no longer there, or is another one.
    None where it is there still, and where the outputs say nothing: that is the unit's matter."""
    found = yield from _by_shunt(job)
    if isinstance(found, Found) and not found.is_it:
        return f"{found.ohm:.3f} ohm where {found.file_ohm:.3f} are expected, {100.0 * found.off:+.1f} %"
    return found if found == NO_CURRENT else None


def _forget(so_far: HandsDone) -> None:
    """It is asked for again before the next point that needs one."""
    so_far.load, so_far.channels, so_far.proved, so_far.proof = None, (), None, None


def _by_a_person(job: ValueJob) -> Generator[Request, Reply, str | None]:
    """Only where the shunt sees a difference: without one it was said when the load was connected."""
    load = job.around.bench.load[job.point.load]
    ohms = " and ".join(f"{load.ohm[c.name]:g} ohm on {c.name}" for c in job.channels)
    words = f"The outputs are of opposite sense, their currents cancel in the shunt. Did your own ohmmeter show {ohms}?"
    reply = yield Ask(words, (DONE, NO), NO)
    assert isinstance(reply, Answer)
    return None if reply.choice == DONE else "nobody said that its ohms were measured"


def _by_shunt(job: ValueJob) -> Generator[Request, Reply, Found | str | None]:
    """None where currents cancel; words where nothing was seen."""
    bench, point = job.around.bench, job.point
    shunt = shunt_input(bench) or ""
    load, shunt_ohm = bench.load[point.load], declared_input(bench, shunt).ohm or 0.0
    hz = check_tone_hz(replace(point, frequencies_hz=()), job.around.unit)  # not the point's own: one that fits
    level = level_for(job, HARMLESS_VRMS, max(c.gain_db for c in job.channels))
    file_s = sum(1.0 / load.ohm[c.name] for c in job.channels)
    crest_v = SPARE * CREST * HARMLESS_VRMS
    wanted = {c.input: min(2.0 * crest_v, job.limits.largest_range_v) for c in job.channels}
    wanted[shunt] = 2.0 * crest_v * file_s * shunt_ohm
    shot = shot_of((yield Fire(level, hz, SHORT_CYCLES, wanted, "check")))
    yield Rest(job.rest_s)
    seen = {name: second_half(shot.records[name], hz, SHORT_CYCLES) for name in wanted}
    if any(shot.records[name].overloaded for name in wanted):
        return "the digitiser overloads at the harmless level: check probes, gain and what was connected"
    if not all(seen[c.input].seen for c in job.channels):
        return "no output seen at the harmless level"
    amps = seen[shunt]
    each_a = [seen[c.input].phasor / load.ohm[c.name] for c in job.channels]
    expected_a = sum(each_a)
    if abs(expected_a) < CANCEL * sum(abs(one) for one in each_a):
        return None  # of opposite sense: the shunt sees their difference, which proves nothing
    if not amps.seen:
        return NO_CURRENT
    part = (amps.phasor / shunt_ohm / expected_a).real
    noise = math.hypot(amps.relative_noise, *(seen[c.input].relative_noise for c in job.channels))
    volts = max(at_most(sources_of(bench, c.input, seen[c.input].record.full_scale_v)) for c in job.channels)
    ohms = max(load.uncertainty_ohm / load.ohm[c.name] for c in job.channels)
    bound = volts + at_most(sources_of(bench, shunt, amps.record.full_scale_v)) + 2.0 * (noise + ohms)
    return Found(1.0 / (part * file_s), 1.0 / file_s, bound)
