"""From the records of one shot to what the search needs: worst channel, early cycles, rail, output gone. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.burst import BurstReading, CycleRow, LastCycle, cycle_table, last_cycle, read_burst
from sequencer.analysis.harmonics import HarmonicFit
from sequencer.analysis.noise import thd_n_floor, thd_n_of, thd_n_reading
from sequencer.analysis.records import Record
from sequencer.analysis.steady import read_steady
from sequencer.analysis.twin import twin_residual
from sequencer.measurements.power_job import ChannelJob, PowerJob
from sequencer.measurements.requests import Shot
from sequencer.measurements.search_model import Reading
from sequencer.plan.points import Point
from sequencer.plan.window import CLOCKS_APART

JUDGED_BY_RESIDUAL_UP_TO = 3  # cycles: fewer say nothing reliable in plain THD
OUTPUT_GONE_DB = 10.0
MOST = 9.99  # ratio: beyond this nothing is left of a tone, and no number is finite
EVEN_SHARE = 0.7  # of the distortion's power in even harmonics: not a symmetrical clip


@dataclass(frozen=True)
class ChannelShot:
    """One channel of one shot. distortion, floor, sigma: ratios of what is judged (THD, THD+N or burst residual).

    Of a steady tone, last is the whole record and cycles are its blocks.
    """

    name: str
    start_s: float
    cycles: tuple[CycleRow, ...]
    last: LastCycle
    residual: float | None
    residual_floor: float | None
    distortion: float
    floor: float
    sigma: float
    early_worst: float


@dataclass(frozen=True)
class RailShot:
    """The rail during one shot, V at the unit: before the burst, least in the burst, mean over the last cycle.

    Of a steady tone: before_v was seen at the gain proof, the others in the record; last_cycle_v is its mean.
    """

    before_v: float
    least_v: float
    last_cycle_v: float

    @property
    def sag_pct(self) -> float:
        return 100.0 * (self.before_v - self.least_v) / self.before_v if self.before_v > 0 else 0.0


@dataclass(frozen=True)
class Judged:
    """One shot judged: per channel, the rail, and which channel was worst."""

    shot: Shot
    channels: Mapping[str, ChannelShot]
    rail: RailShot | None
    worst: str

    def overloaded(self) -> list[str]:
        return [name for name, record in self.shot.records.items() if record.overloaded]


def judge(job: PowerJob, shot: Shot, twins: Mapping[str, ChannelShot], rail_before_v: float | None = None) -> Judged:
    """All channels of one shot; twins: the low-level shot of the same burst, empty while there is none.

    rail_before_v: of a steady tone, whose record holds no silence: the rail as it was before.
    """
    if job.point.steady:
        return _judge_steady(job, shot, rail_before_v)
    channels = {c.name: _channel(job, c, shot, twins.get(c.name)) for c in job.channels}
    worst = max(channels.values(), key=lambda seen: seen.distortion).name
    return Judged(shot, channels, _rail(job, shot, channels[worst].start_s), worst)


def _judge_steady(job: PowerJob, shot: Shot, rail_before_v: float | None) -> Judged:
    channels = {c.name: _steady_channel(job.point, c, shot.records[c.input]) for c in job.channels}
    worst = max(channels.values(), key=lambda seen: seen.distortion).name
    return Judged(shot, channels, _steady_rail(job, shot, rail_before_v), worst)


def _steady_channel(point: Point, channel: ChannelJob, record: Record) -> ChannelShot:
    """Distortion of all cycles of the record together; its worst block stands for the cycles before the last.

    What two clocks apart may have put after the tone's end is left out.
    """
    record = _before(record, point.burst_s * (1.0 - CLOCKS_APART))
    seen = read_steady(record, point.frequency_hz, point.harmonics)
    whole = seen.whole
    distortion, floor, sigma = whole.fit.thd_f, whole.thd_floor, whole.thd_u
    if point.quantity == "thd_n":
        noisy = thd_n_of(record.volts, record.times_s, seen.frequency_hz, point.harmonics, point.band_hz)
        distortion, floor, sigma = noisy.ratio, thd_n_floor(record, whole, point.band_hz), noisy.u
    worst = max(row.fit.thd_f for row in seen.rows)
    return ChannelShot(
        channel.name, record.start_s, seen.rows, whole, None, None,
        min(distortion, MOST), min(floor, MOST), min(sigma, MOST), worst,
    )  # fmt: skip


def _before(record: Record, end_s: float) -> Record:
    samples = math.floor((end_s - record.start_s) / record.sample_interval_s + 1e-6) + 1
    return record if samples >= record.volts.size else replace(record, volts=record.volts[:samples], codes=None)


def _steady_rail(job: PowerJob, shot: Shot, before_v: float | None) -> RailShot | None:
    if job.rail_input is None or before_v is None:
        return None
    volts = shot.records[job.rail_input].volts
    return RailShot(before_v, _least(volts), float(volts.mean()))


def _channel(job: PowerJob, channel: ChannelJob, shot: Shot, twin: ChannelShot | None) -> ChannelShot:
    record, point = shot.records[channel.input], job.point
    n = point.cycles
    burst = _burst(record, point)
    last = burst.last
    residual = floor = None
    if twin is not None:
        residual, floor = twin_residual(last.fit, twin.last.fit, record.step_v)
    # Raw ratios: the search takes the floor's power away itself, where it needs that.
    distortion, own_floor, sigma = last.fit.thd_f, last.thd_floor, last.thd_u
    if point.quantity == "thd_n":
        seen = thd_n_reading(record, burst.start_s, burst.frequency_hz, n, point.harmonics, point.band_hz)
        distortion, own_floor, sigma = seen.ratio, thd_n_floor(record, last, point.band_hz), seen.u
    elif n <= JUDGED_BY_RESIDUAL_UP_TO and residual is not None and floor is not None and twin is not None:
        distortion, own_floor, sigma = residual, floor, math.hypot(last.thd_u, twin.last.thd_u)
    return ChannelShot(
        channel.name, burst.start_s, burst.rows, last, residual, floor,
        min(distortion, MOST), min(own_floor, MOST), min(sigma, MOST), _early_worst(job, burst.rows, twin),
    )  # fmt: skip


def _burst(record: Record, point: Point) -> BurstReading:
    """The burst where it is; where there is none (a dead channel, a protection), what lies at the trigger."""
    hz, n, k = point.frequency_hz, point.cycles, point.harmonics
    try:
        return read_burst(record, hz, n, k)
    except ValueError:
        rows = cycle_table(record, 0.0, hz, n, k)
        return BurstReading(0.0, hz, rows, last_cycle(record, 0.0, hz, n, k))


def _early_worst(job: PowerJob, rows: tuple[CycleRow, ...], twin: ChannelShot | None) -> float:
    """Worst distortion of the cycles before the last that begin after one coupling time constant.

    Cycles within that time differ from a settled one on a perfect unit, so they are listed and not judged. The
    others are judged by what remains after the twin's own cycle is taken away.
    """
    settle_s = 1.0 / (2.0 * math.pi * job.coupling_hz) if job.coupling_hz > 0 else 0.0
    worst = 0.0
    for row in rows[:-1]:
        if (row.number - 1) / job.point.frequency_hz < settle_s:
            continue
        fit: HarmonicFit = row.fit
        if twin is None:
            worst = max(worst, fit.thd_f)
        else:
            worst = max(worst, twin_residual(fit, twin.cycles[row.number - 1].fit, 0.0)[0])
    return worst


def _rail(job: PowerJob, shot: Shot, start_s: float) -> RailShot | None:
    if job.rail_input is None:
        return None
    record: Record = shot.records[job.rail_input]
    times, volts = record.times_s, record.volts
    before = volts[times < start_s]
    end_s = start_s + job.burst_s
    within = (times >= start_s) & (times < end_s)
    last = (times >= end_s - 1.0 / job.point.frequency_hz) & (times < end_s)
    if not before.size or not within.any() or not last.any():
        return None
    return RailShot(float(before.mean()), _least(volts[within]), float(volts[last].mean()))


def _least(volts: NDArray[np.float64]) -> float:
    """Least of the means of 16 neighbours: one noisy sample is no sag."""
    usable = volts[: volts.size - volts.size % 16].reshape(-1, 16).mean(axis=1) if volts.size >= 16 else volts
    return float(usable.min())


def reading(job: PowerJob, judged: Judged, gain_db: Mapping[str, float], limit: float) -> Reading:
    """What the search is told of this shot; `limit` is the ratio now sought (early cycles are judged against it)."""
    seen = judged.channels[judged.worst]
    level_db = 20.0 * math.log10(judged.shot.level_vrms)
    outputs = {c: 20.0 * math.log10(max(s.last.fit.fundamental_rms_v, 1e-9)) for c, s in judged.channels.items()}
    for name, one in judged.channels.items() if job.point.steady else ():  # it may go within the record
        outputs[name] = min([outputs[name], *(20.0 * math.log10(max(r.fundamental_v, 1e-9)) for r in one.cycles)])
    gone = any(level_db + gain_db[c] - out > OUTPUT_GONE_DB for c, out in outputs.items())
    return Reading(
        level_db=level_db,
        distortion=seen.distortion,
        floor=seen.floor,
        sigma=seen.sigma,
        # Re the channel's own small-signal gain: which channel is worst may change from shot to shot, and a mismatch
        # between channels must not look like gain lost.
        output_db=outputs[judged.worst] - gain_db[judged.worst],
        output_gone=gone,
        even=_mostly_even(seen.last.fit),
        stop=None if gone else _stop(job.point, judged, seen, limit),
    )


def _stop(point: Point, judged: Judged, worst: ChannelShot, limit: float) -> str | None:
    if judged.shot.supply_limited or judged.shot.supply_tripped:
        return "supply_current_limit"
    if judged.rail is not None and judged.rail.sag_pct > point.rail_sag_pct:
        return "rail_moved"
    clean = worst.distortion + 2.0 * worst.sigma <= limit
    early = max(s.early_worst for s in judged.channels.values())
    if clean and early > point.any_cycle_factor * limit:
        return "early_cycles"
    return None


def _mostly_even(fit: HarmonicFit) -> bool:
    powers = [abs(p) ** 2 for p in fit.phasors[1:]]
    return float(sum(powers[0::2])) > EVEN_SHARE * float(sum(powers))
