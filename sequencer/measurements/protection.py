"""`protection`: at what level a unit's protection takes the outputs away within a burst, and how they come back.

One burst of 20 cycles after another, 1 dB and then 0.5 dB apart, up to 1 dB above the level at which the unit clips.
That it did not cut in is an answer too. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Iterator, Mapping
from dataclasses import dataclass, field

from sequencer.analysis.cut_in import CutIn, cut_in
from sequencer.analysis.uncertainty import Part
from sequencer.measurements.known_limit import rating_of
from sequencer.measurements.output_offset import silent_part
from sequencer.measurements.power_job import ChannelJob
from sequencer.measurements.recovery import (
    BACK_DB,
    OFF_S,
    WAIT_S,
    Recovery,
    frequency_of,
    gains_db,
    harmless,
    has_remote,
    until_back,
)
from sequencer.measurements.requests import Fire, Quiet, Reply, Request, Rest, Shot
from sequencer.measurements.values import Finding, Value, ValueJob, Values, ValueTalk, expanded, shot_of
from sequencer.plan.estimate_protection import BEYOND_DB, CYCLES, FROM_DB, NEAR_DB, STEPS_DB
from sequencer.plan.window import SILENCE_READ_S

RANGE_MARGIN = 1.15
OFFSET_SCALE_V = 2.0
OFFSET_MOVED_V = 0.02
EARLY_DB = 0.5
CHECK = "Check what the protection senses (current, offset, heat) and its threshold, then measure again"
MOVED = "Look at the output relay and at what the protection switches; measure the offset again"


@dataclass
class _Seen:
    """What the ramp met. hit: the shot within which outputs went away; between: they were gone before it began."""

    gain_db: Mapping[str, float]
    offset_v: Mapping[str, float]
    shots: int = 1
    last: Shot | None = None
    hit: Shot | None = None
    between: bool = False
    cuts: Mapping[str, CutIn] = field(default_factory=dict)
    ended: str = ""


def protection(job: ValueJob) -> ValueTalk:
    """Values of where it cut in and when it came back; judged: whether it came back by itself within a minute."""
    offsets, quiet_shots = yield from _offsets(job)
    yield Rest(job.rest_s)
    proof = yield from harmless(job)
    seen = _Seen(gains_db(job, proof), offsets, shots=1 + quiet_shots)
    if away := [c.name for c in job.channels if abs(seen.gain_db[c.name] - c.gain_db) > 6.0]:
        return Values(shots=seen.shots, reason=f"gain of channel {', '.join(away)} is far from what the file says")
    yield Rest(job.rest_s)
    yield from _raise(job, seen)
    if seen.hit is None:
        tripped = seen.last.supply_tripped if seen.last else None
        trip = f"the supply tripped ({tripped}) before any protection cut in" if tripped else None
        return Values(_not_in(job, seen), shots=seen.shots, trip=trip, trip_rule="supply tripped" if trip else None)
    least = {name: db - BACK_DB for name, db in seen.gain_db.items()}
    back = yield from until_back(job, least, _end_ns(seen.hit))
    seen.shots += back.shots
    if back.returned_s is None:
        return _never_back(job, seen, back)
    return (yield from _back(job, seen, back))


# --- the ramp


def _raise(job: ValueJob, seen: _Seen) -> Generator[Request, Reply, None]:
    for level_db in levels_db(job, seen.gain_db):
        shot = yield from _burst(job, level_db, seen.gain_db)
        seen.shots += 1
        cuts = {c.name: cut for c in job.channels if (cut := _cut(job, c, shot, seen.gain_db)) is not None}
        if cuts:
            seen.hit, seen.cuts, seen.between = shot, cuts, all(cut.crest_v == 0.0 for cut in cuts.values())
            return
        seen.last = shot
        if shot.supply_limited or shot.supply_tripped:
            seen.ended = "the supply went into current limit first"
            return
        yield Rest(job.rest_s)


def levels_db(job: ValueJob, gain_db: Mapping[str, float]) -> list[float]:
    """Levels to fire, dB re 1 Vrms at the input: from 10 dB below the clip to 1 dB above it, no ceiling passed."""
    knee = knee_db(job, gain_db)
    most = min(knee + BEYOND_DB, _ceiling_db(job, gain_db))
    levels, level = [], knee - FROM_DB
    while level < most - 1e-6:
        levels.append(level)
        level += STEPS_DB[0] if level < knee - NEAR_DB - 1e-6 else STEPS_DB[1]
    return [*levels, most]


def knee_db(job: ValueJob, gain_db: Mapping[str, float]) -> float:
    """Where earlier points of this load ended by their distortion (the longest burst of them), else by the file."""
    ended = [
        row
        for row in job.around.earlier
        if row.get("measurement") == "output_power"
        and row.get("load") == job.point.load
        and row.get("stopped_by") in ("thd", "burst_residual")
        and row.get("level_vrms")
    ]
    if ended:
        return 20.0 * math.log10(max(ended, key=lambda row: row["cycles"])["level_vrms"])
    return min(20.0 * math.log10(c.clip_v / math.sqrt(2.0)) - gain_db[c.name] for c in job.channels)


def _ceiling_db(job: ValueJob, gain_db: Mapping[str, float]) -> float:
    limits, burst_s = job.limits, CYCLES / frequency_of(job)
    crest_v = min(limits.output_crest_v, limits.largest_range_v / RANGE_MARGIN)
    most = [20.0 * math.log10(limits.generator_vrms)]
    for channel in job.channels:
        rms_v = min(crest_v / math.sqrt(2.0), math.sqrt(limits.burst_j / burst_s * channel.load_ohm))
        most.append(20.0 * math.log10(rms_v) - gain_db[channel.name])
    return min(most)


def _burst(job: ValueJob, level_db: float, gain_db: Mapping[str, float]) -> Generator[Request, Reply, Shot]:
    step = job.limits.step_vrms
    level = min(math.floor(10.0 ** (level_db / 20.0) / step + 1e-9) * step, job.limits.generator_vrms)
    scales = {}
    for channel in job.channels:
        peak_v = math.sqrt(2.0) * level * 10.0 ** (gain_db[channel.name] / 20.0)
        scales[channel.input] = min(peak_v * RANGE_MARGIN, job.limits.largest_range_v)
    return shot_of((yield Fire(level, frequency_of(job), CYCLES, scales, "protection")))


def _cut(job: ValueJob, channel: ChannelJob, shot: Shot, gain_db: Mapping[str, float]) -> CutIn | None:
    expected = min(shot.level_vrms * 10.0 ** (gain_db[channel.name] / 20.0), channel.clip_v)
    return cut_in(shot.records[channel.input], 0.0, frequency_of(job), CYCLES, expected)


def _end_ns(shot: Shot) -> int:
    return shot.fired_at_ns


# --- what came of it


def _not_in(job: ValueJob, seen: _Seen) -> tuple[Value, ...]:
    if seen.last is None:
        return (Value("cut-in level", None, "V peak", judgement=None, reason="no level was allowed"),)
    highest = max(math.sqrt(2.0) * seen.last.level_vrms * 10.0 ** (seen.gain_db[c.name] / 20.0) for c in job.channels)
    why = (
        seen.ended
        or f"up to {highest:.1f} V peak wanted at the output, the most that the clip or a ceiling lets through"
    )
    return (Value("cut-in level", None, "V peak", judgement=None, reason=f"did not cut in: {why}"),)


def _cut_values(job: ValueJob, seen: _Seen) -> Iterator[Value]:
    assert seen.hit is not None
    hz, note = frequency_of(job), _held_words(seen)
    if seen.between:
        note = "it cut in after the burst before, and not within one: that burst's crest"
    for channel in job.channels:
        cut = seen.cuts.get(channel.name)
        if cut is None:
            continue
        crest_v = cut.crest_v or _crest_of(seen.last, channel)
        volts_u, factor = expanded(_volts_parts(channel, seen.hit, crest_v))
        yield Value("cut-in level", crest_v, "V peak", channel.name, volts_u, factor, None, note, hz)
        amps = crest_v / channel.load_ohm
        parts = [*_volts_parts(channel, seen.hit, crest_v), *_ohm_parts(channel, crest_v)]
        amps_u = expanded([Part(p.id, p.u / channel.load_ohm, p.kind) for p in parts])
        yield Value("cut-in amps", amps, "A peak", channel.name, amps_u[0], amps_u[1], None, note, hz)
        yield Value("cut-in cycle", None if seen.between else float(cut.cycle), "", channel.name, reason=note)
        third_s = 1.0 / 3.0 / hz
        at_s = None if seen.between else cut.at_s
        yield Value("cut-in time", at_s, "s", channel.name, None if seen.between else third_s, reason=note)
    meter = "by the supply's own meter, slower than a burst"
    yield Value("supply volts at cut-in", seen.hit.supply_v, "V", reason=meter)
    yield Value("supply amps at cut-in", seen.hit.supply_a, "A", reason=meter)


def _held_words(seen: _Seen) -> str | None:
    """What the burst before says: the threshold lies between the two."""
    if seen.last is None or seen.hit is None:
        return None
    below_db = 20.0 * math.log10(seen.hit.level_vrms / seen.last.level_vrms)
    return f"it did not cut in {below_db:.1f} dB lower"


def _crest_of(shot: Shot | None, channel: ChannelJob) -> float:
    return 0.0 if shot is None else float(abs(shot.records[channel.input].volts).max())


def _volts_parts(channel: ChannelJob, shot: Shot, volts: float) -> list[Part]:
    sources = channel.sources_on(shot.records[channel.input].full_scale_v)
    return [Part(s.id, volts * s.standard, s.kind) for s in sources if s.of == "voltage"]


def _ohm_parts(channel: ChannelJob, volts: float) -> list[Part]:
    return [Part(s.id, volts * s.standard, s.kind) for s in channel.sources if s.of != "voltage"]


def _back(job: ValueJob, seen: _Seen, back: Recovery) -> Generator[Request, Reply, Values]:
    yield Rest(job.rest_s)
    after, quiet_shots = yield from _offsets(job)
    gains = back.gain_db or {}
    judged = "outside" if back.needed_remote else "within"
    by = "only after the remote line was off" if back.needed_remote else f"by itself within {WAIT_S:g} s"
    values = [*_cut_values(job, seen)]
    values.append(Value("return time", back.returned_s, "s", None, back.gap_s, None, judged, by))
    for channel in job.channels:
        name = channel.name
        values.append(Value("gain after return, change", gains[name] - seen.gain_db[name], "dB", name))
        if name in after and name in seen.offset_v:
            values.append(Value("offset after return, change", after[name] - seen.offset_v[name], "V", name))
    found = [*_early(job, seen), *_remote(back), *_moved(seen.offset_v, after)]
    kept = (("protection", seen.hit),) if seen.hit else ()
    extra = {"needed_remote": back.needed_remote}
    return Values(tuple(values), tuple(found), seen.shots + quiet_shots, extra=extra, kept=kept)


def _never_back(job: ValueJob, seen: _Seen, back: Recovery) -> Values:
    assert seen.hit is not None
    tried = f", nor after the remote line was off for {OFF_S:g} s" if back.needed_remote else ""
    if not has_remote(job):
        tried = "; no remote line is wired to switch it"
    trip = f"protection cut in, and the outputs did not come back within {WAIT_S:g} s{tried}"
    values = [*_cut_values(job, seen), Value("return time", None, "s", None, None, None, "outside", trip)]
    extra = {"needed_remote": back.needed_remote}
    early = tuple(_early(job, seen))
    return Values(tuple(values), early, seen.shots, trip=trip, trip_rule="output gone", extra=extra)


# --- findings


def _early(job: ValueJob, seen: _Seen) -> Iterator[Finding]:
    """Where it cut in below the crest that the rated power of this load takes."""
    rating = rating_of(job)
    if rating is None:
        return
    early: dict[str, tuple[float, float]] = {}
    for channel in job.channels:
        if (cut := seen.cuts.get(channel.name)) is not None:
            crest_v = cut.crest_v or _crest_of(seen.last, channel)
            rated_v = math.sqrt(2.0 * rating.power_w * channel.load_ohm)
            if crest_v < rated_v * 10.0 ** (-EARLY_DB / 20.0):
                early[channel.name] = (crest_v, crest_v / channel.load_ohm)
    if early:
        crest_v, amps = min(early.values())
        sentence = (
            f"protection cut in at {crest_v:.1f} V peak ({amps:.2f} A) into {job.point.load}; {rating.power_w:g} W, "
            f"which are rated there, take {math.sqrt(2.0 * rating.power_w * job.channels[0].load_ohm):.1f} V"
        )
        yield Finding("protection early", sentence, CHECK, next(iter(early)) if len(early) == 1 else None)


def _remote(back: Recovery) -> Iterator[Finding]:
    if back.needed_remote:
        sentence = (
            f"after the protection had cut in, the outputs came back only once the remote line was off for {OFF_S:g} s"
        )
        yield Finding("protection holds", sentence, "Write down that it holds; check that this is how it should be")


def _moved(before: Mapping[str, float], after: Mapping[str, float]) -> Iterator[Finding]:
    for name, volts in before.items():
        if name in after and abs(after[name] - volts) > OFFSET_MOVED_V:
            sentence = f"offset {1000 * after[name]:.0f} mV after the protection, {1000 * volts:.0f} mV before"
            yield Finding("offset moved", sentence, MOVED, name)


def _offsets(job: ValueJob) -> Generator[Request, Reply, tuple[dict[str, float], int]]:
    """Mean of 0.2 s of silence by channel, V; without those whose record is overloaded."""
    scale_v = min(OFFSET_SCALE_V, job.limits.largest_range_v)
    shot = shot_of((yield Quiet(SILENCE_READ_S, {c.input: scale_v for c in job.channels})))
    readable = [c for c in job.channels if not shot.records[c.input].overloaded]
    return {c.name: float(silent_part(shot.records[c.input]).mean()) for c in readable}, 1
