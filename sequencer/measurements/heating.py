"""Heat into a unit on purpose: counted bursts at a part of its full power, one after the other. Pure.

Never a tone without an end: if everything dies, the last burst ends by itself.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Mapping
from dataclasses import dataclass
from typing import Any

from sequencer.analysis.harmonics import fit_harmonics
from sequencer.analysis.power import watts
from sequencer.analysis.records import Record
from sequencer.measurements.power_job import ChannelJob
from sequencer.measurements.requests import BenchReading, Fire, Purpose, ReadBench, Reply, Request, Rest, Shot
from sequencer.measurements.values import ValueJob, shot_of
from sequencer.plan.estimate_heat import HEATING_HZ, HEATING_RECORD_S, heating_burst_s
from sequencer.plan.window import GAIN_HARMONICS

PROOF_VRMS = 0.1  # at the output by the unit's file; 12 dB more than that is still harmless (common practice)
PROOF_CYCLES, PROOF_SKIP = 20, 10
PROOF_RANGES = (4.0, 40.0)  # of the level expected
NEARER_DB = (-20.0, -6.0)  # of the level wanted: a stage with a dead zone shows its true gain only there
AWAY_DB = 6.0  # below the file's gain: less is a wrong probe or a fault, and no reason to drive it harder
SEEN_FACTOR = 10.0  # times the noise's share: below it nothing of the tone is seen
RANGE_MARGIN = 1.5  # of the crest expected: far from clipping, it will not be more
EDGE_S = 0.003  # before the burst's end: two clocks, and a unit's own delay, differ by less
LOOK_S = 10.0  # heat sinks move by less than a kelvin in it: with short bursts, one reading for several
GONE = 0.1  # of the power expected: 10 dB less is an output that was taken away


@dataclass(frozen=True)
class Tone:
    """The burst that heats. power_w: per channel, as expected; basis: what full power was taken to be."""

    level_vrms: float
    cycles: int
    scales: Mapping[str, float]
    power_w: Mapping[str, float]
    basis: str

    @property
    def burst_s(self) -> float:
        return self.cycles / HEATING_HZ

    def fire(self, purpose: Purpose) -> Fire:
        return Fire(self.level_vrms, HEATING_HZ, self.cycles, self.scales, purpose, last_s=HEATING_RECORD_S)


@dataclass(frozen=True)
class Heated:
    """A burst, or several short ones, and the reading after it. shot: the last; power_w: of that, per channel, None
    where its record was overloaded. begun_ns: bench clock at the first."""

    shot: Shot
    power_w: Mapping[str, float | None]
    bench: BenchReading
    bursts: int
    begun_ns: int

    @property
    def drawn_w(self) -> float:
        """From the supply, while the tone was on."""
        return self.shot.supply_v * self.shot.supply_a

    @property
    def void(self) -> list[str]:
        """Channels whose record was overloaded: more came than the level asks for."""
        return [name for name, power_w in self.power_w.items() if power_w is None]

    def gone(self, tone: Tone) -> list[str]:
        """Channels that no longer give what the level asks for."""
        return _gone(self.power_w, tone)


def tone_for(
    job: ValueJob, part: float, full: tuple[Mapping[str, float], str] | None = None
) -> Generator[Request, Reply, Tone | str]:
    """The burst at `part` of full power, after the gain was proved from a harmless level upwards; or why there is
    none. full: full power by channel, W, and its basis; None: as `full_power_w` has it."""
    full_w, basis = full or full_power_w(job)
    most_vrms = job.limits.output_crest_v / math.sqrt(2.0)
    wanted = {c.name: min(math.sqrt(part * full_w[c.name] * c.load_ohm), most_vrms) for c in job.channels}
    gains = yield from _harmless(job)
    least = {name: gain * 10.0 ** (-AWAY_DB / 20.0) for name, gain in _declared(job).items()}
    for down_db in NEARER_DB:
        level = _level(job, wanted, gains) * 10.0 ** (down_db / 20.0)
        seen = yield from _proof(job, level, max(wanted.values()) * 10.0 ** (down_db / 20.0))
        if silent := [name for name, gain in seen.items() if gain is None]:
            return f"no output seen on channel {', '.join(silent)} at {-down_db:g} dB below the level wanted"
        away = [name for name, gain in seen.items() if gain is not None and gain < least[name]]
        gains = {name: max(gain, least[name]) for name, gain in seen.items() if gain is not None}
    if away:
        return f"gain of channel {', '.join(away)} is far from what the file says: check probe, load and gain_db"
    return _tone(job, _level(job, wanted, gains), gains, basis)


def _level(job: ValueJob, wanted: Mapping[str, float], gains: Mapping[str, float]) -> float:
    """At the generator, Vrms: no channel gives more than is wanted of it."""
    return min(job.limits.generator_vrms, *(wanted[name] / gain for name, gain in gains.items()))


def _tone(job: ValueJob, level: float, gains: Mapping[str, float], basis: str) -> Tone:
    volts = {name: level * gain for name, gain in gains.items()}
    power_w = {c.name: watts(volts[c.name], c.load_ohm) for c in job.channels}
    burst_s = heating_burst_s(job.around.bench, job.point.load, max(power_w.values()), job.limits.burst_j)
    scales = {c.input: _scale(job, volts[c.name]) for c in job.channels}
    return Tone(level, math.floor(burst_s * HEATING_HZ + 1e-6), scales, power_w, basis)


def heat_once(job: ValueJob, tone: Tone, purpose: Purpose) -> Generator[Request, Reply, Heated]:
    """Bursts of some ten seconds together, fewer where one of them went wrong; then supply and heat sinks are read."""
    shots: list[Shot] = []
    power_w: dict[str, float | None] = {}
    for _ in range(max(1, round(LOOK_S / tone.burst_s))):
        shot = shot_of((yield tone.fire(purpose)))
        shots.append(shot)
        power_w = {c.name: _power_w(shot.records[c.input], c, shot.request) for c in job.channels}
        if shot.supply_tripped or shot.supply_limited or None in power_w.values() or _gone(power_w, tone):
            break
    reading = yield ReadBench()
    assert isinstance(reading, BenchReading)
    return Heated(shots[-1], power_w, reading, len(shots), shots[0].fired_at_ns)


def _gone(power_w: Mapping[str, float | None], tone: Tone) -> list[str]:
    return [name for name, w in power_w.items() if w is not None and w < GONE * tone.power_w[name]]


def full_power_w(job: ValueJob) -> tuple[dict[str, float], str]:
    """Full power of each channel, W, and its basis: the unit's own row of this load at 1 kHz, else its declaration."""
    best = min((row for row in job.around.earlier if _is_full(job, row)), key=_nearness, default=None)
    if best is not None:
        seen = {c["channel"]: float(c["power_w"]) for c in best["channels"]}
        if all(seen.get(c.name, 0.0) > 0.0 for c in job.channels):
            return {c.name: seen[c.name] for c in job.channels}, f"of the power measured at {best['id']}"
    declared = {c.name: c.clip_v**2 / 2.0 / c.load_ohm for c in job.channels}
    return declared, "of the power the unit's file declares: none was measured before into this load"


def _is_full(job: ValueJob, row: Mapping[str, Any]) -> bool:
    return bool(
        row.get("measurement") == "output_power"
        and row.get("outcome") == "measured"
        and row.get("load") == job.point.load
        and row.get("frequency_hz") == HEATING_HZ
        and row.get("supply_nominal_v") == job.point.supply_v
        and row.get("channels")
    )


def _nearness(row: Mapping[str, Any]) -> tuple[float, float]:
    """The limit nearest to 1 % first, then the longest burst: what the unit keeps up."""
    return abs(math.log(float(row.get("stop_limit") or 1.0))), -float(row.get("cycles") or 0)


def _scale(job: ValueJob, vrms: float) -> float:
    return min(RANGE_MARGIN * math.sqrt(2.0) * vrms, job.limits.largest_range_v)


def _harmless(job: ValueJob) -> Generator[Request, Reply, dict[str, float]]:
    """Volts per volt of each channel, and never less than its file says: too little seen here proves nothing."""
    declared = _declared(job)
    level = min(PROOF_VRMS / max(declared.values()), job.limits.generator_vrms)
    seen = yield from _proof(job, level, PROOF_VRMS)
    return {name: max(gain, seen[name] or 0.0) for name, gain in declared.items()}


def _declared(job: ValueJob) -> dict[str, float]:
    """Volts per volt of each channel, by the unit's file."""
    return {channel.name: 10.0 ** (channel.gain_db / 20.0) for channel in job.channels}


def _proof(job: ValueJob, level: float, output_vrms: float) -> Generator[Request, Reply, dict[str, float | None]]:
    """Volts per volt of each channel at this level, None where nothing was seen. output_vrms: as expected."""
    for factor in PROOF_RANGES:
        scale_v = min(math.sqrt(2.0) * output_vrms * factor, job.limits.largest_range_v)
        scales = {channel.input: scale_v for channel in job.channels}
        shot = shot_of((yield Fire(level, HEATING_HZ, PROOF_CYCLES, scales, "gain proof")))
        yield Rest(job.rest_s)
        if not any(record.overloaded for record in shot.records.values()):
            break
    return {c.name: _gain(shot.records[c.input], shot.level_vrms) for c in job.channels}


def _gain(record: Record, level_vrms: float) -> float | None:
    """From the burst's second half, by least squares."""
    if record.overloaded:
        return None
    times = record.times_s
    within = (times >= PROOF_SKIP / HEATING_HZ) & (times < (PROOF_CYCLES - 0.5) / HEATING_HZ)
    fit = fit_harmonics(record.volts[within], times[within], HEATING_HZ, GAIN_HARMONICS)
    noise_v = math.hypot(fit.residual_rms_v, record.step_v / math.sqrt(12.0)) / math.sqrt(fit.samples)
    return fit.fundamental_rms_v / level_vrms if fit.fundamental_rms_v > SEEN_FACTOR * noise_v else None


def _power_w(record: Record, channel: ChannelJob, fire: Fire) -> float | None:
    """True rms about the mean over whole cycles at the burst's end, squared over the load."""
    if record.overloaded:
        return None
    cycle = 1.0 / fire.frequency_hz / record.sample_interval_s
    volts = record.volts[record.times_s < fire.cycles / fire.frequency_hz - EDGE_S]
    whole = round(math.floor(min(volts.size, HEATING_RECORD_S / record.sample_interval_s) / cycle) * cycle)
    volts = volts[volts.size - whole :]
    return watts(float(volts.std()), channel.load_ohm) if volts.size else None
