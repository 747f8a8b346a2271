"""`bench_check`: what is wired to what, and whether bench and unit are what their files say, at 50 mV at the output.

Only where everything answers the level rises to 0.4 V: for the digitiser's ranges and for each load by volts and amps.
The date of the night is not known here: how old a calibration is, is not judged. Pure.
"""

from __future__ import annotations

from collections.abc import Generator, Mapping
from dataclasses import replace

from sequencer.measurements.bench_check_digitiser import ASKED, clock, ranges, ranges_to_see
from sequencer.measurements.bench_check_loads import loads, loads_to_connect, shunt_input, silent_but_driving
from sequencer.measurements.bench_check_model import (
    RANGE_FACTORS,
    Checked,
    LoadShots,
    Looked,
    level_for,
    scales,
    together,
    tone_hz,
)
from sequencer.measurements.bench_check_silence import silence
from sequencer.measurements.bench_check_supply import rail_scale_v, supply
from sequencer.measurements.bench_check_wiring import channel_seen, gains, suspicious, wiring
from sequencer.measurements.bench_inputs import declared_input
from sequencer.measurements.requests import BenchReading, Connect, Fire, Quiet, ReadBench, Reply, Request, Rest, Shot
from sequencer.measurements.values import ValueJob, Values, ValueTalk, shot_of
from sequencer.plan.estimate_checks import (
    HARMLESS_VRMS,
    LOAD_BURSTS,
    SHORT_CYCLES,
    UNDER_TONE_LAST_S,
    WIRING_VRMS,
    tone_cycles,
    under_tone_cycles,
)
from sequencer.plan.window import SILENCE_READ_S

READINGS, PAUSE_S = 5, 0.1
CREST = 2.0**0.5
SPARE = 1.3  # of a crest that is known already
BOUNCE_S = 0.1
OFF = "digitiser overloaded at the wiring tone, channel {}: check probe and gain"


def bench_check(job: ValueJob) -> ValueTalk:
    """Values of every check, each with its uncertainty, and a finding for each that is out."""
    yield Rest(job.rest_s)
    readings = yield from _readings()
    shot, shots = yield from _first_tone(job)
    if over := [c.name for c in job.channels if shot.records[c.input].overloaded]:
        return Values(shots=shots, reason=OFF.format(", ".join(over)))
    seen = tuple(channel_seen(one, shot) for one in job.channels)
    looked = Looked(job, tone_hz(job), readings, shot, seen)
    looked, more = yield from _quiet(looked)
    shots += more
    if any(suspicious(one) for one in seen):
        looked = replace(looked, with_tone=(yield from _under_tone(job)))
        shots += 1
    wired = wiring(looked)
    if wired.wrong is None:
        looked, more = yield from _louder(looked)
        shots += more
    return _result(looked, wired, shots)


def _result(looked: Looked, wired: Checked, shots: int) -> Values:
    found = together(
        (wired, gains(looked), clock(looked), silence(looked), ranges(looked), loads(looked), supply(looked))
    )
    job, unseen = looked.job, tuple(silent_but_driving(looked))
    explained = {("no output", f.channel) for f in unseen}
    return Values(
        values=found.values,
        findings=(*(f for f in found.findings if (f.kind, f.channel) not in explained), *unseen),
        shots=shots,
        no_drive=found.wrong,
        extra={"instruments": _instrument_rows(job)},
        kept=(("wiring tone", looked.tone), *((("quiet", looked.quiet),) if looked.quiet else ())),
    )


def _readings() -> Generator[Request, Reply, tuple[BenchReading, ...]]:
    found = []
    for _ in range(READINGS):
        reply = yield ReadBench()
        assert isinstance(reply, BenchReading)
        found.append(reply)
        yield Rest(PAUSE_S)
    return tuple(found)


def _first_tone(job: ValueJob) -> Generator[Request, Reply, tuple[Shot, int]]:
    """0.2 s at 50 mV by the files; an overloaded record is void, and is repeated once on a wider range."""
    frequency_hz = tone_hz(job)
    level = level_for(job, WIRING_VRMS, max(c.gain_db for c in job.channels))
    shots = 0
    for factor in RANGE_FACTORS:
        scale = scales(job, CREST * WIRING_VRMS * factor)
        shot = shot_of((yield Fire(level, frequency_hz, tone_cycles(frequency_hz), scale, "check")))
        shots += 1
        yield Rest(job.rest_s)
        if not any(record.overloaded for record in shot.records.values()):
            break
    return shot, shots


def _quiet(looked: Looked) -> Generator[Request, Reply, tuple[Looked, int]]:
    """Outputs and rail without signal; once more with the rail on its widest range where that overloads."""
    job, bench = looked.job, looked.job.around.bench
    wanted = dict(scales(job, CREST * WIRING_VRMS * RANGE_FACTORS[0]))
    rail = bench.input_for("rail")
    if rail is not None:
        wanted[rail] = min(rail_scale_v(job.point.supply_v), _widest_v(job, rail))
    shot = shot_of((yield Quiet(SILENCE_READ_S, wanted)))
    if not any(record.overloaded for record in shot.records.values()):
        return replace(looked, quiet=shot), 1
    yield Rest(job.rest_s)
    wider = {name: _widest_v(job, name) if shot.records[name].overloaded else v for name, v in wanted.items()}
    again = shot_of((yield Quiet(SILENCE_READ_S, wider)))
    return replace(looked, quiet=again), 2


def _widest_v(job: ValueJob, name: str) -> float:
    bench = job.around.bench
    most = max(r.full_scale_v for r in bench.range if r.input in ("all", name))
    return most * declared_input(bench, name).factor


def _under_tone(job: ValueJob) -> Generator[Request, Reply, Shot]:
    """The supply's current while the wiring tone stands."""
    level = level_for(job, WIRING_VRMS, max(c.gain_db for c in job.channels))
    scale = scales(job, CREST * WIRING_VRMS * RANGE_FACTORS[0])
    hz = tone_hz(job)
    shot = shot_of((yield Fire(level, hz, under_tone_cycles(hz), scale, "check", last_s=UNDER_TONE_LAST_S)))
    yield Rest(job.rest_s)
    return shot


def _louder(looked: Looked) -> Generator[Request, Reply, tuple[Looked, int]]:
    """0.4 V at the output that has most gain, by file or as seen, whichever is more."""
    job = looked.job
    answering = [c for c in looked.channels if c.gain_db is not None]
    most_db = max([c.gain_db for c in job.channels] + [c.gain_db for c in answering if c.gain_db is not None])
    level = level_for(job, HARMLESS_VRMS, most_db)
    found: list[tuple[float, Shot]] = []
    for reach in ranges_to_see(job, HARMLESS_VRMS) if answering else ():
        shot = yield from _short_burst(looked, level, scales(job, ASKED * reach))
        found.append((reach, shot))
    seen: list[LoadShots] = []
    for name, _ in loads_to_connect(job):
        for channel in job.channels:
            one = yield from _with_load(looked, level, name, channel.name)
            seen.append(one)
    yield Connect(job.point.load, job.point.channels)
    yield Rest(BOUNCE_S)
    return replace(looked, ranges=tuple(found), loads=tuple(seen)), len(found) + sum(len(s.shots) for s in seen)


def _with_load(looked: Looked, level: float, load: str, channel: str) -> Generator[Request, Reply, LoadShots]:
    job, bench = looked.job, looked.job.around.bench
    yield Connect(load, (channel,))
    yield Rest(BOUNCE_S)
    wanted = dict(scales(job, SPARE * CREST * HARMLESS_VRMS))
    shunt = shunt_input(bench)
    if shunt is not None:
        amps = CREST * HARMLESS_VRMS / bench.load[load].ohm[channel]
        wanted[shunt] = min(SPARE * amps * (declared_input(bench, shunt).ohm or 0.0), _widest_v(job, shunt))
    shots: list[Shot] = []
    for _ in range(LOAD_BURSTS):
        shot = yield from _short_burst(looked, level, wanted)
        shots.append(shot)
    return LoadShots(load, channel, tuple(shots))


def _short_burst(looked: Looked, level: float, scale: Mapping[str, float]) -> Generator[Request, Reply, Shot]:
    shot = shot_of((yield Fire(level, looked.tone_hz, SHORT_CYCLES, scale, "check")))
    yield Rest(looked.job.rest_s)
    return shot


def _instrument_rows(job: ValueJob) -> dict[str, dict[str, str | None]]:
    """Which instruments these readings came from. Their links compare the serials when they open."""
    return {
        name: {"serial": role.serial or None, "calibrated": role.calibrated.isoformat() if role.calibrated else None}
        for name, role in job.around.bench.role.items()
    }
