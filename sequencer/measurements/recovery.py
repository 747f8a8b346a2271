"""Waits until a unit's outputs are back after its protection cut in: harmless bursts, then the remote line. Pure."""

from __future__ import annotations

import math
from collections.abc import Generator, Mapping
from dataclasses import dataclass

from sequencer.analysis.harmonics import fit_harmonics
from sequencer.measurements.power_job import ChannelJob
from sequencer.measurements.requests import Fire, Remote, Reply, Request, Rest, Shot
from sequencer.measurements.values import ValueJob, shot_of

HARMLESS_VRMS = 0.3  # at the output: below 0.5 V (common practice, no source)
CYCLES, RANGE_FACTOR = 20, 4.0
EVERY_S, WAIT_S = 0.5, 60.0
OFF_S = 5.0  # of the remote line: as long as a protection that holds needs it off (common practice, no source)
AFTER_REMOTE_S = 5.0  # beyond the unit's own mute
BACK_DB = 0.5  # of the gain it had before
BACK_BY_FILE_DB = 6.0  # of the gain its file says, where it was never measured


@dataclass(frozen=True)
class Recovery:
    """returned_s: after which the outputs were back, since the last burst that was no harmless one; None where they
    were not. gap_s: since the burst before, when they were not yet. gain_db: per channel, once back.
    """

    returned_s: float | None
    needed_remote: bool = False
    gap_s: float = 0.0
    shots: int = 0
    gain_db: Mapping[str, float] | None = None


def recovery(job: ValueJob) -> Generator[Request, Reply, Recovery]:
    """Until every output has its gain again: as earlier points have it, else within 6 dB of the file's."""
    measured = measured_gains(job)
    least = {c.name: measured.get(c.name, c.gain_db) - _room_db(c, measured) for c in job.channels}
    return (yield from until_back(job, least, job.around.last_drive_ns))


def _room_db(channel: ChannelJob, measured: Mapping[str, float]) -> float:
    return BACK_DB if channel.name in measured else BACK_BY_FILE_DB


def measured_gains(job: ValueJob) -> dict[str, float]:
    """dB by channel, from this unit's earlier rows of gain at 1 kHz; only for a tone in the same decade."""
    if not 300.0 <= frequency_of(job) <= 3000.0:
        return {}
    values = (v for row in job.around.earlier for v in row.get("values") or () if v["name"] == "gain at 1 kHz")
    return {v["channel"]: v["value"] for v in values if v["channel"] and v["value"] is not None}


def frequency_of(job: ValueJob) -> float:
    """The point's tone; 1 kHz where it has none."""
    return job.point.frequencies_hz[0] if job.point.frequencies_hz else 1000.0


def until_back(
    job: ValueJob, least_gain_db: Mapping[str, float], since_ns: int | None
) -> Generator[Request, Reply, Recovery]:
    """Harmless bursts every half second until all gains are there: at most 60 s; then once more after the remote line
    was off, where there is one.

    since_ns: bench clock; None: since the first burst here.
    """
    watch = _Watch(job, least_gain_db, since_ns)
    back = yield from watch.until(WAIT_S)
    if back is None and has_remote(job):
        yield Remote(False)
        yield Rest(OFF_S)
        yield Remote(True)
        yield Rest(job.around.unit.mute_s)
        watch.needed_remote = True
        back = yield from watch.until(AFTER_REMOTE_S)
    return back or Recovery(None, watch.needed_remote, shots=watch.shots)


def has_remote(job: ValueJob) -> bool:
    return job.around.unit.remote_line and job.around.bay.remote_contact is not None


@dataclass
class _Watch:
    job: ValueJob
    least_gain_db: Mapping[str, float]
    since_ns: int | None
    needed_remote: bool = False
    shots: int = 0
    last_ns: int | None = None

    def until(self, most_s: float) -> Generator[Request, Reply, Recovery | None]:
        """None where they were not back in time."""
        begun_ns: int | None = None
        while True:
            yield Rest(EVERY_S)
            shot = yield from harmless(self.job)
            self.shots += 1
            at_ns = shot.fired_at_ns
            begun_ns = at_ns if begun_ns is None else begun_ns
            self.since_ns = at_ns if self.since_ns is None else self.since_ns
            gains = gains_db(self.job, shot)
            before_ns, self.last_ns = self.since_ns if self.last_ns is None else self.last_ns, at_ns
            if all(gains[name] >= least for name, least in self.least_gain_db.items()):
                gap_s = (at_ns - before_ns) / 1e9
                return Recovery((at_ns - self.since_ns) / 1e9, self.needed_remote, gap_s, self.shots, gains)
            if (at_ns - begun_ns) / 1e9 >= most_s:
                return None


def harmless(job: ValueJob) -> Generator[Request, Reply, Shot]:
    """One burst of 0.3 Vrms at the output by the file's gain."""
    most = max(10.0 ** (channel.gain_db / 20.0) for channel in job.channels)
    level = min(HARMLESS_VRMS / most, job.limits.generator_vrms)
    scale_v = min(1.415 * HARMLESS_VRMS * RANGE_FACTOR, job.limits.largest_range_v)
    scales = {channel.input: scale_v for channel in job.channels}
    return shot_of((yield Fire(level, frequency_of(job), CYCLES, scales, "check")))


def gains_db(job: ValueJob, shot: Shot) -> dict[str, float]:
    """Gain of each channel, dB, of the second half of a burst; -180 where nothing is left."""
    return {channel.name: _gain_db(channel, shot) for channel in job.channels}


def _gain_db(channel: ChannelJob, shot: Shot) -> float:
    record, request = shot.records[channel.input], shot.request
    times, hz = record.times_s, request.frequency_hz
    within = (times >= request.cycles / 2.0 / hz) & (times < (request.cycles - 0.5) / hz)
    fit = fit_harmonics(record.volts[within], times[within], hz, 3)
    return to_db(fit.fundamental_rms_v / shot.level_vrms)


def to_db(ratio: float) -> float:
    return float(20.0 * math.log10(max(ratio, 1e-9)))
