"""`endurance`: hours of work at a small power and at 1/8 of the rated one, with power and heat cycles. Pure.

Each cycle: off, until it has cooled; on, and a look; half of its work at the small power, half at 1/8; a look again.
Counted bursts, one straight after the other; the end of each is looked through for drop-outs, which a reading of the
whole would average away.
"""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import replace

import numpy as np

from sequencer.analysis.dropouts import BLOCK_CYCLES, block_volts, dropouts, level_db
from sequencer.measurements import switching
from sequencer.measurements.endurance_look import AFTER, COLD, look
from sequencer.measurements.endurance_model import Endurance, Watched
from sequencer.measurements.endurance_rows import extra, findings, values
from sequencer.measurements.heating import EDGE_S, LOOK_S, Tone, tone_for
from sequencer.measurements.known_limit import rated_w
from sequencer.measurements.output_offset import NO_DRIVE_V
from sequencer.measurements.recovery import BACK_BY_FILE_DB, BACK_DB, until_back
from sequencer.measurements.requests import BenchReading, ReadBench, Reply, Request, Rest, Shot
from sequencer.measurements.states import LOOK_EVERY_S, first_start_c, is_cool
from sequencer.measurements.values import ValueJob, Values, ValueTalk, shot_of
from sequencer.plan.estimate_endurance import COOLING_AT_MOST_S, WATCHED_S, cycle_part_s
from sequencer.plan.estimate_heat import HEATING_HZ, heating_burst_s, soak_part
from sequencer.plan.estimate_response import small_power_w

GONE_DB = -10.0  # an output that was taken away
RISEN_DB = 3.0  # twice the power: nobody asked for it (our own judgement)
GONE_IN_A_ROW = 5  # bursts: then it is not driven any further (our own judgement)


def endurance(job: ValueJob) -> ValueTalk:
    """A row of each cycle; drop-outs, jumps of offset and what the gain at 10 mV lacks, against the plan's bounds.

    It ends at heat.stop_c, in current limit, or where an output does not come back: what was seen is kept.
    """
    yield Rest(job.rest_s)
    loud = yield from tone_for(job, soak_part(job.point), rated_w(job))
    if isinstance(loud, str):
        return Values(reason=loud)
    run = Endurance(job, loud, _small(job, loud))
    for cycle in range(1, job.point.power_cycles + 1):
        yield from _cycle(run, cycle)
        if run.ended:
            break
    return Values(
        values=tuple(values(run)),
        findings=tuple(findings(run)),
        shots=run.shots,
        no_drive=run.no_drive,
        trip=run.trip,
        trip_rule="supply tripped" if run.trip else None,
        extra=extra(run),
    )


def _small(job: ValueJob, loud: Tone) -> Tone:
    """The same tone, so far down that no channel gives more than the small power into its load; never above it, where a
    ceiling keeps the larger one small."""
    watts = small_power_w(job.point, job.around.unit, job.around.bench)
    down = min(1.0, *(math.sqrt(watts / power_w) for power_w in loud.power_w.values()))
    power_w = {name: one * down**2 for name, one in loud.power_w.items()}
    burst_s = heating_burst_s(job.around.bench, job.point.load, max(power_w.values()), job.limits.burst_j)
    scales = {name: volts * down for name, volts in loud.scales.items()}
    cycles = math.floor(burst_s * HEATING_HZ + 1e-6)
    return Tone(loud.level_vrms * down, cycles, scales, power_w, f"{watts:.3g} W or less")


def _cycle(run: Endurance, cycle: int) -> Generator[Request, Reply, None]:
    yield from switching.off(run.job)
    yield from _cooled(run)
    yield from switching.on(run.job)
    yield from _look(run, cycle, COLD)  # where its offset is too large, the work below ends before it begins
    for part, tone in (("small", run.small), ("loud", run.loud)):
        yield from _work(run, cycle, part, tone)
    if run.trip is None and run.no_drive is None and run.stopped_by in (None, "temperature"):
        yield from _look(run, cycle, AFTER)


def _look(run: Endurance, cycle: int, when: str) -> Generator[Request, Reply, None]:
    seen = yield from look(run.job, run.small, cycle, when)
    run.looks.append(seen)
    run.shots += seen.shots
    if seen.overloaded:
        words = "its offset is beyond the digitiser's largest range"
    elif high := [n for n, one in seen.offsets.items() if abs(one.volts) > NO_DRIVE_V]:
        words = f"the offset of channel {high[0]} is {1000.0 * seen.offsets[high[0]].volts:.3g} mV"
    else:
        return
    run.stop("offset", words, seen.overloaded[0] if seen.overloaded else high[0])
    run.no_drive = f"not driven: {words}"


def _cooled(run: Endurance) -> Generator[Request, Reply, None]:
    """Off until every heat sink is cool, 45 min at most."""
    start_c, waited_s = first_start_c(run.job), 0.0
    while True:
        reading = yield ReadBench()
        assert isinstance(reading, BenchReading)
        run.begun_ns = reading.at_ns if run.begun_ns is None else run.begun_ns
        celsius = reading.heatsink_c
        cool = all(is_cool(name, one, start_c) for name, one in celsius.items())
        if cool or waited_s >= COOLING_AT_MOST_S:
            break
        yield Rest(LOOK_EVERY_S)
        waited_s += LOOK_EVERY_S
    run.waited_s.append(waited_s)


def _work(run: Endurance, cycle: int, part: str, tone: Tone) -> Generator[Request, Reply, None]:
    """Burst after burst for half of the cycle's minutes. Heat sinks and supply are read every ten seconds."""
    first_ns: int | None = None
    looked_ns, worked_s = 0, 0.0
    while worked_s < cycle_part_s(run.job.point) and not run.ended:
        request = replace(tone.fire("endurance"), last_s=min(WATCHED_S, tone.burst_s / 2.0))
        shot = shot_of((yield request))
        run.shots += 1
        ends_ns = shot.fired_at_ns + round(1e9 * tone.burst_s)
        first_ns = shot.fired_at_ns if first_ns is None else first_ns
        worked_s = (ends_ns - first_ns) / 1e9
        yield from _heard(run, cycle, part, tone, shot)
        if not run.ended and (ends_ns - looked_ns) / 1e9 >= LOOK_S:
            looked_ns = ends_ns
            yield from _read(run)
    run.worked_s[part] = run.worked_s.get(part, 0.0) + worked_s


def _read(run: Endurance) -> Generator[Request, Reply, None]:
    reading = yield ReadBench()
    assert isinstance(reading, BenchReading)
    stop_c = run.job.around.unit.heat.stop_c
    if reading.supply_tripped:
        run.trip = f"supply tripped ({reading.supply_tripped.replace('_', ' ')}) between two bursts"
    elif hot := [name for name, c in reading.heatsink_c.items() if c >= stop_c]:
        words = f"heat sink {hot[0]} at {reading.heatsink_c[hot[0]]:.1f} degC, stop limit {stop_c:g}"
        run.stop("temperature", words, hot[0])


def _heard(run: Endurance, cycle: int, part: str, tone: Tone, shot: Shot) -> Generator[Request, Reply, None]:
    """Takes down one burst, and decides whether it was the last."""
    if shot.supply_tripped:
        run.trip = f"supply tripped ({shot.supply_tripped.replace('_', ' ')}) under a burst"
        return
    if shot.supply_limited:
        run.stop("supply_current_limit", "the supply went into current limit")
        return
    seen = [_watched(run, cycle, part, tone, shot, name) for name in (c.name for c in run.job.channels)]
    run.watched += seen
    if void := [one.channel for one in seen if one.power_w is None or one.risen]:
        run.stop("overload", f"channel {', '.join(void)} gave more than its level asks for", void[0])
        return
    gone = [one.channel for one in seen if one.gone]
    run.gone_in_a_row = run.gone_in_a_row + 1 if gone else 0
    if gone:
        yield from _back(run, gone[0], shot)


def _back(run: Endurance, channel: str, shot: Shot) -> Generator[Request, Reply, None]:
    """Nothing loud again before every output has shown its gain at a harmless level."""
    if run.gone_in_a_row >= GONE_IN_A_ROW:
        run.stop("output_gone", f"the output of channel {channel} went away {GONE_IN_A_ROW} times in a row", channel)
        run.no_drive = f"not driven: {run.sentence}"
        return
    proved = run.looks[-1].gain_db
    least = {c.name: _least_db(proved.get(c.name), c.gain_db) for c in run.job.channels}
    back = yield from until_back(run.job, least, shot.fired_at_ns)
    run.shots += back.shots
    if back.returned_s is None:
        run.stop("output_gone", f"the output of channel {channel} went away and did not come back", channel)
        run.no_drive = f"not driven: {run.sentence}"


def _least_db(proved_db: float | None, file_db: float) -> float:
    return file_db - BACK_BY_FILE_DB if proved_db is None else proved_db - BACK_DB


def _watched(run: Endurance, cycle: int, part: str, tone: Tone, shot: Shot, name: str) -> Watched:
    channel = next(c for c in run.job.channels if c.name == name)
    record = shot.records[channel.input]
    run.begun_ns = shot.fired_at_ns if run.begun_ns is None else run.begun_ns
    at_s = (shot.fired_at_ns - run.begun_ns) / 1e9
    if record.overloaded:
        return Watched(cycle, part, name, at_s, None, 0.0, (), False)
    levels = block_volts(record, HEATING_HZ, record.start_s, tone.burst_s - EDGE_S)
    middle_v = float(np.median(levels)) if levels.size else 0.0
    due_v = run.due_v.setdefault((part, name), _due_v(run, part, tone, channel.load_ohm, name, middle_v))
    block_s = round(BLOCK_CYCLES / HEATING_HZ / record.sample_interval_s) * record.sample_interval_s
    found = dropouts(levels, due_v, run.job.point.dropout_db, record.start_s, block_s)
    away_db, power_w = level_db(middle_v, due_v), middle_v**2 / channel.load_ohm
    gone, risen = away_db < GONE_DB, away_db > RISEN_DB
    return Watched(cycle, part, name, at_s, power_w, levels.size * block_s, tuple(found), gone, risen)


def _due_v(run: Endurance, part: str, tone: Tone, ohm: float, name: str, seen_v: float) -> float:
    """What the first burst shows, unless that is a drop-out itself: then what level and proved gain let expect."""
    expected_v = math.sqrt(tone.power_w[name] * ohm)
    return seen_v if abs(level_db(seen_v, expected_v)) <= run.job.point.dropout_db else expected_v
