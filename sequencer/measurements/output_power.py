"""`output_power`: highest power of a burst whose last cycle is within the stop limit, one row per point.

A generator: it yields requests and is sent replies, and so runs alike against instruments, a list or stored
traces. The order: gain at a harmless level, the twin (the same burst some 12 dB lower), the search, then the rows.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from sequencer.analysis.harmonics import fit_harmonics
from sequencer.measurements.clip_law import overdrive_db
from sequencer.measurements.energy import load_j, unit_j
from sequencer.measurements.judge import ChannelShot, Judged, judge, reading
from sequencer.measurements.power_job import GainProof, PowerJob
from sequencer.measurements.predict import Learned, knowledge, onset_expected_db
from sequencer.measurements.requests import BenchReading, Fire, Purpose, ReadBench, Reply, Request, Rest, Shot
from sequencer.measurements.search import search
from sequencer.measurements.search_model import Ask, Found, Knowledge, Reading, Settings
from sequencer.plan.window import steady_record_s

PROOF_OUTPUT_VRMS = 0.4  # at most 0.5 at the output (common practice, no source)
PROOF_CYCLES = 20
PROOF_RANGE_FACTOR = 4.0  # up to +12 dB of gain more than the file says is seen without overload
GAIN_AWAY_DB = 6.0
TWIN_DB = 12.0
RANGE_MARGIN = 1.15
LAST_DB = 3.0  # the range for the knee is used for the last 3 dB
COARSE_FLOOR = 0.25  # of the limit: a window of 6 dB may leave a coarse converter a fifth of its codes
CLOSE_DB = 1.0  # above the level asked for, where ranges follow it
RAIL_MARGIN = 1.4
CONFIRM_BURST = 3
WIDER = (1.0, 1.6, 4.0)  # ranges that are tried for a record that overloads
LEAST_REST_S = 1.0  # after a harmless burst of a point whose rests are long


@dataclass
class Outcome:
    """What came of the points of one job. judged: every shot of the search with what was made of it.

    close_up: the floor took a good part of the limit, so that the ranges follow the level instead of holding the
    whole window.
    """

    job: PowerJob
    proof: GainProof | None
    found: tuple[Found, ...] = ()
    judged: list[Judged] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    twin: Judged | None = None
    shots: int = 0
    reason: str | None = None  # not measured, because
    learned: Learned | None = None
    close_up: bool = False


Talk = Generator[Request, Reply, Outcome]

RETURNS_S = 5.0  # a protection that returns by itself has done so by then (our own judgement): the next shot needs it


def output_power(job: PowerJob, proof: GainProof | None, learned: Sequence[Learned]) -> Talk:
    """proof: of the same frequency, load and channels, if already done; learned: this unit's finished points."""
    outcome = Outcome(job, proof if proof is not None and (proof.rail_v or not _needs_rail(job)) else None)
    if outcome.proof is None:
        outcome.proof = yield from _prove_gain(job, outcome)
    if outcome.proof is None:
        return outcome
    gains = outcome.proof.gain_db
    point = job.point
    expected_db = onset_expected_db({c.name: c.clip_v for c in job.channels}, gains)
    known = knowledge(
        expected_db,
        learned,
        load_ohm=job.channels[0].load_ohm,
        frequency_hz=point.frequency_hz,
        cycles=point.cycles,
        supply_v=point.supply_v,
        steady=point.steady,
    )
    ceiling = ceiling_db(job, gains)
    twins: dict[str, ChannelShot] = {}
    if not point.steady:
        twins = yield from _fire_twin(job, known, ceiling, gains, outcome)
    yield from _search(job, known, ceiling, gains, twins, outcome)
    _learn(job, expected_db, outcome)
    return outcome


def ceiling_db(job: PowerJob, gain_db: Mapping[str, float]) -> float:
    """Highest level any ceiling allows: generator, output crest, burst energy in the load, digitiser range."""
    limits = job.limits
    most = [20.0 * math.log10(limits.generator_vrms)]
    for channel in job.channels:
        crest_v = min(limits.output_crest_v, limits.largest_range_v / RANGE_MARGIN)
        rms_v = min(crest_v / math.sqrt(2.0), math.sqrt(limits.burst_j / job.burst_s * channel.load_ohm))
        most.append(20.0 * math.log10(rms_v) - gain_db[channel.name])
    return min(most)


def _needs_rail(job: PowerJob) -> bool:
    """The record of a steady tone holds no silence: the rail before it is seen when the gain is proved."""
    return job.point.steady and job.rail_input is not None


def _prove_gain(job: PowerJob, outcome: Outcome) -> Generator[Request, Reply, GainProof | None]:
    gain = max(10.0 ** (c.gain_db / 20.0) for c in job.channels)
    level = min(PROOF_OUTPUT_VRMS / gain, job.limits.generator_vrms)
    scale = PROOF_OUTPUT_VRMS * math.sqrt(2.0) * PROOF_RANGE_FACTOR
    scales = dict.fromkeys((c.input for c in job.channels), scale)
    if job.rail_input is not None and _needs_rail(job):
        scales[job.rail_input] = job.point.supply_v * RAIL_MARGIN
    shot = yield from _fire(job, level, scales, "gain proof", PROOF_CYCLES)
    outcome.shots += 1
    if any(r.overloaded for r in shot.records.values()):
        outcome.reason = "digitiser overloaded at the harmless level: check probe factor and gain"
        return None
    gains = {}
    for channel in job.channels:
        volts = harmless_output_vrms(shot, channel.input, job.point.frequency_hz, PROOF_CYCLES)
        gains[channel.name] = 20.0 * math.log10(max(volts, 1e-9) / shot.level_vrms)
        if abs(gains[channel.name] - channel.gain_db) > GAIN_AWAY_DB:
            outcome.reason = (
                f"gain of channel {channel.name} is {gains[channel.name]:.1f} dB where {channel.gain_db:.1f} dB is "
                "expected: check wiring, controls and the load"
            )
            return None
    yield Rest(LEAST_REST_S if job.point.steady else job.rest_s)
    rail = shot.records.get(job.rail_input or "")
    return GainProof(shot.level_vrms, gains, 1, None if rail is None else float(rail.volts.mean()))


def harmless_output_vrms(shot: Shot, name: str, frequency_hz: float, cycles: int) -> float:
    """Fundamental of the burst's second half, Vrms: settled, and found by the trigger alone."""
    record = shot.records[name]
    times = record.times_s
    within = (times >= cycles / 2.0 / frequency_hz) & (times < (cycles - 0.5) / frequency_hz)
    return fit_harmonics(record.volts[within], times[within], frequency_hz, 3).fundamental_rms_v


def _fire_twin(
    job: PowerJob, known: Knowledge, ceiling: float, gains: Mapping[str, float], outcome: Outcome
) -> Generator[Request, Reply, dict[str, ChannelShot]]:
    level_db = min((known.low_db + known.high_db) / 2.0 - TWIN_DB, ceiling)
    scales = _scales(job, level_db, gains, level_db)
    for widen in WIDER:  # a dead zone hides gain at the harmless level, and the twin then passes its range
        wider = {name: min(volts * widen, job.limits.largest_range_v) for name, volts in scales.items()}
        seen = judge(job, (yield from _fire(job, 10.0 ** (level_db / 20.0), wider, "twin")), {})
        outcome.shots += 1
        outcome.twin = seen
        yield Rest(job.rest_s)
        if not seen.overloaded():
            break
    return dict(seen.channels)


def _search(
    job: PowerJob,
    known: Knowledge,
    ceiling: float,
    gains: Mapping[str, float],
    twins: Mapping[str, ChannelShot],
    outcome: Outcome,
) -> Generator[Request, Reply, None]:
    point = job.point
    settings = Settings(
        resolution_db=point.resolution_db,
        confirms=point.confirm or CONFIRM_BURST,
        shots_at_most=job.shots_at_most,
        ceiling_db=ceiling,
        round_down=lambda db: _rounded_down(db, job.limits.step_vrms),
    )
    asking = search([p.limit_pct / 100.0 for p in job.points], known, settings)
    try:
        ask = next(asking)
        while True:
            judged = yield from _judged_shot(job, ask, known, gains, twins, outcome)
            outcome.judged.append(judged)
            told = reading(job, judged, gains, ask.limit)
            yield Rest(max(job.rest_s, RETURNS_S) if told.output_gone else job.rest_s)
            hot = yield from _too_hot(job)
            stop = told.stop or hot or _spent(job, outcome.judged)
            told = replace(told, stop=stop)
            outcome.readings.append(told)
            ask = asking.send(told)
    except StopIteration as end:
        outcome.found = end.value


def _too_hot(job: PowerJob) -> Generator[Request, Reply, str | None]:
    """Heat sinks are read after the rest, when what the burst left in the devices has reached them."""
    if job.stop_c is None:
        return None
    reply = yield ReadBench()
    assert isinstance(reply, BenchReading)
    return "temperature" if any(c >= job.stop_c for c in reply.heatsink_c.values()) else None


def _spent(job: PowerJob, judged: Sequence[Judged]) -> str | None:
    """The allowance that one more shot like the last would pass, if any."""
    allowed, last = job.allowance, judged[-1]
    each_s = job.rest_s + job.burst_s
    if (last.shot.fired_at_ns - judged[0].shot.fired_at_ns) / 1e9 + each_s > allowed.time_s:
        return "time_budget"
    for joules, most in ((load_j, allowed.energy_load_j), (unit_j, allowed.energy_unit_j)):
        if sum(joules(job, j) for j in judged) + joules(job, last) > most:
            return "energy_budget"
    return None


def _judged_shot(
    job: PowerJob,
    ask: Ask,
    known: Knowledge,
    gains: Mapping[str, float],
    twins: Mapping[str, ChannelShot],
    outcome: Outcome,
) -> Generator[Request, Reply, Judged]:
    """The shot asked for; near the knee one that was read too coarsely is void, and is repeated on a range that
    follows the level.
    """
    near = ask.level_db > known.high_db - 2 * LAST_DB
    top_db = ask.level_db + CLOSE_DB if outcome.close_up and near else known.high_db
    judged = yield from _on_a_range_that_holds(job, ask, _scales(job, ask.level_db, gains, top_db), twins, outcome)
    floor = max(seen.floor for seen in judged.channels.values())
    gone = reading(job, judged, gains, ask.limit).output_gone  # nothing there: no range helps, and no second blow
    if near and not gone and not outcome.close_up and floor > COARSE_FLOOR * ask.limit:
        outcome.close_up = True
        yield Rest(job.rest_s)
        closer = _scales(job, ask.level_db, gains, ask.level_db + CLOSE_DB)
        judged = yield from _on_a_range_that_holds(job, ask, closer, twins, outcome)
    return judged


def _on_a_range_that_holds(
    job: PowerJob, ask: Ask, scales: Mapping[str, float], twins: Mapping[str, ChannelShot], outcome: Outcome
) -> Generator[Request, Reply, Judged]:
    """One shot; an overloaded one is void and repeated on wider ranges. Raises OverloadRemains."""
    purpose: Purpose = "confirm" if ask.purpose == "confirm" else "ramp"
    for widen in WIDER:
        wider = {name: min(volts * widen, job.limits.largest_range_v) for name, volts in scales.items()}
        shot = yield from _fire(job, 10.0 ** (ask.level_db / 20.0), wider, purpose)
        outcome.shots += 1
        judged = judge(job, shot, twins, outcome.proof.rail_v if outcome.proof else None)
        if not judged.overloaded():
            return judged
        yield Rest(job.rest_s)
    raise OverloadRemains(", ".join(judged.overloaded()))


class OverloadRemains(Exception):
    """The digitiser overloads on every range tried: the capture is void, and nothing is said of the unit."""


def _scales(job: PowerJob, level_db: float, gains: Mapping[str, float], high_db: float) -> dict[str, float]:
    """Volts that must fit each input: of the knee for the last 3 dB, else of this level; the rail its own."""
    scales: dict[str, float] = {}
    reach_db = high_db if level_db > high_db - 2 * LAST_DB else level_db
    for channel in job.channels:
        peak_v = math.sqrt(2.0) * 10.0 ** ((max(reach_db, level_db) + gains[channel.name]) / 20.0)
        most_v = max(channel.clip_v * 1.5, 0.1)
        scales[channel.input] = min(min(peak_v, most_v) * RANGE_MARGIN, job.limits.largest_range_v)
    if job.rail_input is not None:
        scales[job.rail_input] = job.point.supply_v * RAIL_MARGIN
    return scales


def _fire(
    job: PowerJob, level_vrms: float, scales: Mapping[str, float], purpose: Purpose, cycles: int | None = None
) -> Generator[Request, Reply, Shot]:
    level_vrms = min(level_vrms, job.limits.generator_vrms)  # dB and back may add one bit, and a ceiling forgives none
    last_s = steady_record_s(job.point.frequency_hz) if job.point.steady and cycles is None else None
    point = job.point
    reply = yield Fire(
        level_vrms, point.frequency_hz, cycles or point.cycles, dict(scales), purpose,
        last_s=last_s, harmonics=point.harmonics,
    )  # fmt: skip
    if not isinstance(reply, Shot):
        raise TypeError(f"a Fire is answered by a Shot, not by {type(reply).__name__}")
    return reply


def _rounded_down(level_db: float, step_vrms: float) -> float:
    """Down to the generator's resolution, in dB; the bound is computed after rounding."""
    volts = math.floor(10.0 ** (level_db / 20.0) / step_vrms + 1e-9) * step_vrms
    return 20.0 * math.log10(max(volts, step_vrms))


def _learn(job: PowerJob, expected_db: float, outcome: Outcome) -> None:
    for found in outcome.found:
        if found.ended == "crossing" and found.crossing_db is not None:
            offset = found.crossing_db - overdrive_db(found.limit) - expected_db
            point = job.point
            outcome.learned = Learned(
                job.channels[0].load_ohm, point.frequency_hz, point.cycles, point.supply_v, offset, soft=offset < -2.0
            )
