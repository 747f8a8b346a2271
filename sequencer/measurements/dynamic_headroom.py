"""`dynamic_headroom`: how much more than its rated power a unit gives for 20 ms, twice a second, with a tone between.

IHF-A-202 (from memory): 1 kHz, 20 cycles at the level of the limit, 480 cycles 20 dB down; in dB over the rated
continuous power. Where 20 cycles reach their limit the search of `output_power` has found, or finds here. No endless
tone is ever used: what plays between the bursts is a counted burst, too, and the silence that leaves is stated. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Mapping
from dataclasses import dataclass, field
from typing import Any

from sequencer.analysis.burst import LastCycle, read_burst
from sequencer.analysis.power import watts
from sequencer.analysis.uncertainty import Part, power_uncertainty
from sequencer.measurements.known_limit import rating_of
from sequencer.measurements.output_power import output_power
from sequencer.measurements.power_job import Allowance, ChannelJob, PowerJob
from sequencer.measurements.power_rows import rows
from sequencer.measurements.requests import Fire, Reply, Request, Rest, Shot
from sequencer.measurements.tone_bursts import GONE, LIMITED, MARGIN, OVERLOADS
from sequencer.measurements.values import Value, ValueJob, Values, ValueTalk, expanded, shot_of
from sequencer.plan.clip import ratio
from sequencer.plan.estimate import rest_s
from sequencer.plan.estimate_distortion import (
    BAND_HZ,
    BETWEEN_CYCLES,
    BETWEEN_DB,
    HARMONICS,
    HEADROOM_CYCLES,
    HEADROOM_HZ,
    PATTERNS,
    SEARCH_SHOTS,
    STEP_DOWN_DB,
    STEPS_DOWN,
)
from sequencer.plan.heat_law import heat_law
from sequencer.plan.models import Rating
from sequencer.plan.points import Point
from sequencer.plan.window import GAIN_HARMONICS

NO_RATING = "the unit's file has no rating for this load and supply: nothing to compare a burst with"
DB_OF_POWER = 10.0 / math.log(10.0)  # dB for a small relative change of watts
RESOLUTION_DB, CONFIRM, ANY_CYCLE_FACTOR, RAIL_SAG_PCT = 0.05, 3, 3.0, 10.0  # as of a search by default


@dataclass(frozen=True)
class _Limit:
    """Where 20 cycles reach the limit. output_vrms: by channel. words: who says so."""

    level_vrms: float
    output_vrms: Mapping[str, float]
    words: str


@dataclass(frozen=True)
class _Pattern:
    """The last burst of the last pattern. gap_s: silence before it."""

    shot: Shot
    gap_s: float
    last: Mapping[str, LastCycle]

    @property
    def within_pct(self) -> float:
        """THD of the worst channel with twice its uncertainty, %."""
        return 100.0 * max(one.thd + 2.0 * one.thd_u for one in self.last.values())


@dataclass
class _Course:
    shots: int = 0
    down_db: float = 0.0
    reason: str | None = None
    kept: list[tuple[str, Shot]] = field(default_factory=list)


def dynamic_headroom(job: ValueJob) -> ValueTalk:
    """The limit's level with the tone between the bursts; 0.1 dB less, five times at most, where that distorts more."""
    rating = rating_of(job)
    if rating is None:
        return Values(reason=NO_RATING)
    course = _Course()
    limit = _known(job, rating) or (yield from _searched(job, rating, course))
    if isinstance(limit, str):
        return Values(shots=course.shots, reason=limit)
    for step in range(STEPS_DOWN + 1):
        course.down_db = step * STEP_DOWN_DB
        seen = yield from _patterns(job, limit, course)
        if isinstance(seen, str):
            return Values(shots=course.shots, reason=seen)
        if seen.within_pct <= rating.thd_pct:
            return _values(job, rating, limit, seen, course)
    words = f"with the tone between the bursts even {course.down_db:g} dB less is above {rating.thd_pct:g} % THD"
    return Values(shots=course.shots, reason=words)


# --- the level


def _known(job: ValueJob, rating: Rating) -> _Limit | None:
    """Of an earlier point of 20 cycles with the rating's own limit, at this load and supply, with these channels."""
    for row in job.around.earlier:
        if (
            row.get("measurement") == "output_power"
            and row.get("outcome") == "measured"
            and row["load"] == job.point.load
            and row["supply_nominal_v"] == job.point.supply_v
            and (row["frequency_hz"], row["cycles"]) == (HEADROOM_HZ, HEADROOM_CYCLES)
            and (row["stop_quantity"], row["stop_limit"]) == ("thd", rating.thd_pct)
            and set(row["channels_driven"]) == set(job.point.channels)
        ):
            return _limit(row, f"point {row['id']}")
    return None


def _searched(job: ValueJob, rating: Rating, course: _Course) -> Generator[Request, Reply, _Limit | str]:
    for row in job.around.earlier:
        if row.get("load") == job.point.load and row.get("stopped_by") == "protection":
            return f"the unit's protection cut in on this load before ({row['id']})"
    outcome = yield from output_power(_power_job(job, rating), None, ())
    course.shots += outcome.shots
    (row,) = rows(outcome)
    if row["outcome"] != "measured":
        return f"no burst of 20 cycles was found within {rating.thd_pct:g} % THD: {row['reason']}"
    return _limit(row, "searched here")


def _limit(row: Mapping[str, Any], words: str) -> _Limit:
    if row["stopped_by"] != "thd":
        words += f", ended by {str(row['stopped_by']).replace('_', ' ')}"
    outputs = {one["channel"]: float(one["output_vrms"]) for one in row["channels"]}
    return _Limit(float(row["level_vrms"]), outputs, words)


def _power_job(job: ValueJob, rating: Rating) -> PowerJob:
    """The search that `output_power` would make for this rating."""
    around, point = job.around, job.point
    unit, bench = around.unit, around.bench
    wanted = Point(
        id=point.id, stage=point.stage, measurement="output_power", load=point.load, supply_v=point.supply_v,
        channels=point.channels, group=point.group, after_trip=point.after_trip, keep_traces=point.keep_traces,
        rest=point.rest, frequency_hz=HEADROOM_HZ, cycles=HEADROOM_CYCLES, steady=False, quantity="thd",
        limit_pct=rating.thd_pct, resolution_db=RESOLUTION_DB, confirm=CONFIRM, harmonics=HARMONICS, band_hz=BAND_HZ,
        any_cycle_factor=ANY_CYCLE_FACTOR, rail_sag_pct=RAIL_SAG_PCT,
    )  # fmt: skip
    return PowerJob(
        points=(wanted,),
        channels=job.channels,
        limits=job.limits,
        rail_input=bench.input_for("rail"),
        coupling_hz=unit.coupling_hz,
        rest_s=rest_s(unit, wanted),
        shots_at_most=SEARCH_SHOTS,
        allowance=Allowance(
            energy_unit_j=bench.ceiling.energy_unit_j or math.inf, energy_load_j=bench.ceiling.energy_load_j or math.inf
        ),
        stop_c=unit.heat.stop_c if around.bay.thermometer else None,
        lead_ohm=bench.lead["supply"].ohm if "supply" in bench.lead else 0.0,
        heat=heat_law(unit, point.supply_v),
    )


# --- the bursts


def _patterns(job: ValueJob, limit: _Limit, course: _Course) -> Generator[Request, Reply, _Pattern | str]:
    """Tone and burst in turn; what is read is the last burst. Or why nothing is."""
    level = min(limit.level_vrms * ratio(-course.down_db), job.limits.generator_vrms)
    for _ in range(PATTERNS):
        low = yield from _burst(job, limit, level * ratio(BETWEEN_DB), BETWEEN_CYCLES, GAIN_HARMONICS)
        loud = yield from _burst(job, limit, level, HEADROOM_CYCLES, HARMONICS)
        course.shots += 2
        if why := _ended(job, limit, loud):
            return why
    yield Rest(job.rest_s)
    gap_s = (loud.fired_at_ns - low.fired_at_ns) / 1e9 - BETWEEN_CYCLES / HEADROOM_HZ
    return _Pattern(loud, gap_s, {c.name: _last(c, loud) for c in job.channels})


def _burst(job: ValueJob, limit: _Limit, level: float, cycles: int, harmonics: int) -> Generator[Request, Reply, Shot]:
    share = math.sqrt(2.0) * MARGIN * level / limit.level_vrms
    scales = {c.input: min(share * limit.output_vrms[c.name], job.limits.largest_range_v) for c in job.channels}
    return shot_of((yield Fire(level, HEADROOM_HZ, cycles, scales, "headroom", harmonics=harmonics)))


def _ended(job: ValueJob, limit: _Limit, loud: Shot) -> str | None:
    if any(record.overloaded for record in loud.records.values()):
        return OVERLOADS
    if loud.supply_limited or loud.supply_tripped:
        return LIMITED
    try:
        seen = {c.name: _last(c, loud).rms_ac_v for c in job.channels}
    except ValueError:
        return GONE
    due = loud.level_vrms / limit.level_vrms / 3.0  # 10 dB less
    return GONE if any(volts < due * limit.output_vrms[name] for name, volts in seen.items()) else None


def _last(channel: ChannelJob, shot: Shot) -> LastCycle:
    return read_burst(shot.records[channel.input], HEADROOM_HZ, HEADROOM_CYCLES, HARMONICS).last


# --- what came of it


def _values(job: ValueJob, rating: Rating, limit: _Limit, seen: _Pattern, course: _Course) -> Values:
    values = [_headroom(channel, rating, limit, seen, course) for channel in job.channels]
    gap_words = (
        f"of {BETWEEN_CYCLES} cycles played {-BETWEEN_DB:g} dB down before each burst of {HEADROOM_CYCLES}: this bench "
        "changes levels only between two counted bursts"
    )
    values.append(Value("silence before the burst", seen.gap_s, "s", reason=gap_words, frequency_hz=HEADROOM_HZ))
    extra = {
        "headroom": [
            {
                "channel": c.name,
                "burst_power_w": watts(seen.last[c.name].rms_ac_v, c.load_ohm),
                "rated_power_w": rating.power_w,
                "rated_thd_pct": rating.thd_pct,
                "thd_pct": 100.0 * seen.last[c.name].thd,
                "level_vrms": seen.shot.level_vrms,
                "gap_s": seen.gap_s,
                "patterns": PATTERNS,
            }
            for c in job.channels
        ]
    }
    return Values(tuple(values), shots=course.shots, extra=extra, kept=(("headroom", seen.shot),))


def _headroom(channel: ChannelJob, rating: Rating, limit: _Limit, seen: _Pattern, course: _Course) -> Value:
    power_w = watts(seen.last[channel.name].rms_ac_v, channel.load_ohm)
    sources = channel.sources_on(seen.shot.records[channel.input].full_scale_v)
    budget = power_uncertainty(power_w, sources)
    parts = [Part(p.id, DB_OF_POWER * p.u / power_w, p.kind, p.freedom) for p in budget.parts]
    expanded_db, factor = expanded(parts)
    rated = "continuous" if rating.cycles == 0 else f"for {rating.cycles} cycles, not continuous"
    words = (
        f"{power_w:.4g} W at {100.0 * seen.last[channel.name].thd:.2g} % THD over {rating.power_w:g} W at "
        f"{rating.thd_pct:g} %, rated {rated}; level: {limit.words}"
    )
    if course.down_db:
        words += f", {course.down_db:g} dB less with the tone between"
    return Value(
        "dynamic headroom", 10.0 * math.log10(power_w / rating.power_w), "dB", channel.name, expanded_db, factor,
        None, words, HEADROOM_HZ,
    )  # fmt: skip
