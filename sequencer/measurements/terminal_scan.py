"""`terminal_scan`: a person moves one probe over the output terminals, at 50 mV; what is live is found and drawn.

The tip moves, the ground clip stays on the supply's minus, hands go near only while the unit is off. At the end the
probe is back where it was, and that is proved. Nobody there: not measured. Pure.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field

import numpy as np

from sequencer.analysis.uncertainty import Part
from sequencer.measurements import switching
from sequencer.measurements.bench_check_model import RANGE_FACTORS, level_for, scales, tone_hz
from sequencer.measurements.bench_inputs import second_half
from sequencer.measurements.requests import (
    Answer,
    Ask,
    BenchReading,
    Deed,
    Fire,
    Inputs,
    ReadBench,
    ReadOhms,
    Reply,
    Request,
    Rest,
    Shot,
    Tell,
)
from sequencer.measurements.terminals import (
    AT_MINUS_V,
    At,
    Found,
    bond,
    channel_found,
    drawn,
    due_vrms,
    findings,
    row,
    state,
)
from sequencer.measurements.values import Finding, Value, ValueJob, Values, ValueTalk, expanded, shot_of
from sequencer.plan.estimate_checks import WIRING_VRMS, tone_cycles

YES, NO, DONE = "yes", "no", "done"
SHELL = "input shell"
NOBODY = "nobody there: a person must move the probe"
NOT_BACK = "not driven: nobody said that the probe of {} was put back"
ASTRAY = "not driven: the probe of {} does not see what it saw before it was moved"
AMISS = "not driven: the outputs are not wired as the files say"
AWAKE_A, AWAKE_FACTOR = 0.1, 2.0  # a unit that is on draws more, and more than twice its standby (our own judgement)
BACK_WITHIN = 0.06  # of the volts before: 0.5 dB (common practice, no source)
CREST = 2.0**0.5
OFFSET_FACTOR = 2.0  # standard deviations of what the input's own offset may be
MOVE = (
    "Will you move the probe of {} over the output terminals now? Its ground clip goes on the supply's minus and never "
    "on an output; the unit is off whenever you are asked to move it."
)
BY_HAND = (
    "It is off. What does an ohmmeter read from the input's shell to the supply's minus, in ohm? Beyond its range type "
    "1e7; no, if you have none."
)
LEADS = (
    "It is off. Leads of the bench's meter: one on the input's shell, the other on the supply's minus; then say so. It "
    "reads the ohms itself."
)
LEADS_BACK = "It is off. Put the meter's leads back where they were before, then say so."
LEADS_NOT_BACK = "not driven: nobody said that the meter's leads were put back"
MOST_OHM = 1e7  # beyond the range of whatever reads them
TO_SHELL = "It is off. Probe of {}: tip on the input's shell, ground clip on the supply's minus; then say so."


@dataclass
class _Run:
    job: ValueJob
    hz: float
    level_vrms: float
    drives: tuple[tuple[str, ...] | None, ...]
    shots: int = 0
    seen: list[At] = field(default_factory=list)
    leads_away: bool = False

    @property
    def moved(self) -> str:
        """The input whose probe moves."""
        return self.job.channels[0].input


def terminal_scan(job: ValueJob) -> ValueTalk:
    """Which terminals are live; a finding for each output that is not as its file says, and then nothing is driven."""
    run = _Run(job, tone_hz(job), level_for(job, WIRING_VRMS, max(c.gain_db for c in job.channels)), _drives(job))
    reply = yield Ask(MOVE.format(run.moved), (YES, NO), NO)
    assert isinstance(reply, Answer)
    if reply.choice != YES:
        return Values(reason=NOBODY)
    yield Rest(job.rest_s)
    before = yield from _look(run, "before")
    reading = yield ReadBench()
    assert isinstance(reading, BenchReading)
    done = True
    for channel in job.channels:
        for leg in ("plus", "minus"):
            done = done and (yield from _moved(run, f"{channel.name} {leg}"))
    shell_ohm, shell_v = (yield from _shell(run)) if done else (None, None)
    back = yield from _back(run, before)
    back = LEADS_NOT_BACK if run.leads_away else back
    if not done:
        return Values(shots=run.shots, reason="the person there did not move the probe on", no_drive=back)
    unit = job.around.unit
    declared = {c.name: c.live_terminal for c in unit.channel}
    due_v = {c.name: due_vrms(run.level_vrms, c.gain_db, declared[c.name]) for c in job.channels}
    at_minus_v = AT_MINUS_V + OFFSET_FACTOR * abs(job.offset_parts[job.channels[0].name].u)
    found = Found(
        unit.serial, job.around.bay.name, tuple(run.seen), due_v, declared, reading.supply_a, shell_ohm, shell_v,
        run.job.around.meter_reads_ohms, at_minus_v,
        max(AWAKE_A, AWAKE_FACTOR * (unit.fingerprint.standby_a or unit.standby_a_max)),
        tuple(channel_found(c.name, run.seen, due_v[c.name], at_minus_v) for c in job.channels),
    )  # fmt: skip
    kept = row(found)
    for line in drawn(kept):
        yield Tell(line)
    return _result(run, found, kept, back)


def _result(run: _Run, found: Found, kept: dict[str, object], back: str | None) -> Values:
    told = tuple(findings(found))
    values = [_value(run, found, at) for at in found.seen]
    if found.shell_v is not None:
        values.append(Value("input shell to the supply's minus", found.shell_v, "V", reason="without a signal, mean"))
    if found.shell_ohm is not None:
        by = "by the bench's meter, its uncertainty is not declared" if found.by_meter else "by hand"
        reason = f"{bond(found.shell_ohm)}; {by}, the unit off"
        values.append(Value("input shell to the supply's minus, by ohmmeter", found.shell_ohm, "ohm", reason=reason))
    lost = () if back is None else (Finding("probe off", back.removeprefix("not driven: "), "Put it back", None),)
    amiss = AMISS if any(one.kind != "input shell" for one in told) else None
    return Values(tuple(values), (*told, *lost), run.shots, no_drive=back or amiss, extra={"wiring_found": kept})


def _value(run: _Run, found: Found, at: At) -> Value:
    """Its tone, with the noise and what is declared of range and probe."""
    tone, channel = at.loudest, run.job.channels[0]
    sources = channel.sources_on(tone.record.full_scale_v)
    parts = [Part("noise", tone.noise_v)]
    parts += [Part(s.id, tone.rms_v * s.standard, s.kind) for s in sources if s.of == "voltage"]
    expanded_v, factor = expanded(parts)
    name, told = f"terminal {at.leg}", state(found, at)
    return Value(name, tone.rms_v, "V", at.channel, expanded_v, factor, reason=told, frequency_hz=run.hz)


def _drives(job: ValueJob) -> tuple[tuple[str, ...] | None, ...]:
    """Each channel alone where the bay has a contact for each input; else all at once."""
    names = tuple(c.name for c in job.channels)
    if len(names) > 1 and set(names) <= set(job.around.bay.input_contacts):
        return tuple((name,) for name in names)
    return (None,)


def _asked(question: str, deed: Deed) -> Generator[Request, Reply, bool]:
    reply = yield Ask(question, (DONE, NO), NO, deed=deed)
    assert isinstance(reply, Answer)
    return reply.choice == DONE


def _moved(run: _Run, terminal: str) -> Generator[Request, Reply, bool]:
    """The probe on this terminal, and what it sees there. False where nobody moved it: the unit is on again."""
    yield from switching.off(run.job)
    words = (
        f"It is off. Probe of {run.moved}: tip on the output terminal {terminal}, ground clip on the supply's minus; "
    )
    done = yield from _asked(f"{words}then say so.", Deed("probe", input=run.moved, terminal=terminal))
    yield from switching.on(run.job)
    if done:
        run.seen.append((yield from _look(run, terminal)))
    return done


def _shell(run: _Run) -> Generator[Request, Reply, tuple[float | None, float | None]]:
    """Ohms as the bench's meter reads them, else as typed, and volts as seen; each None where nobody said or did so."""
    yield from switching.off(run.job)
    ohm = yield from (_metered(run) if run.job.around.meter_reads_ohms else _typed())
    done = yield from _asked(TO_SHELL.format(run.moved), Deed("probe", input=run.moved, terminal=SHELL))
    yield from switching.on(run.job)
    if not done:
        return ohm, None
    at = yield from _look(run, SHELL)
    return ohm, abs(at.rest_v)


def _typed() -> Generator[Request, Reply, float | None]:
    reply = yield Ask(BY_HAND, (NO,), NO, deed=Deed("ohmmeter"), number="ohm")
    assert isinstance(reply, Answer)
    return None if reply.choice == NO else float(reply.choice)


def _metered(run: _Run) -> Generator[Request, Reply, float | None]:
    """A person places the leads of the bench's meter, and puts them back."""
    if not (yield from _asked(LEADS, Deed("leads", terminal=SHELL))):
        return None
    read = yield ReadOhms()
    assert isinstance(read, Answer)
    run.leads_away = not (yield from _asked(LEADS_BACK, Deed("leads")))
    return None if read.choice == NO else min(float(read.choice), MOST_OHM)


def _back(run: _Run, before: At) -> Generator[Request, Reply, str | None]:
    """Why nothing may be driven after it; None where the probe sees again what it saw at first."""
    yield from switching.off(run.job)
    words = f"It is off. Put the probe of {run.moved} back where it was before, then say so."
    done = yield from _asked(words, Deed("probe", input=run.moved))
    yield from switching.on(run.job)
    if not done:
        return NOT_BACK.format(run.moved)
    after = yield from _look(run, "after")
    least_v = max(before.loudest.rms_v, after.loudest.rms_v)
    apart_v = abs(before.loudest.rms_v - after.loudest.rms_v)
    noise_v = 5.0 * (before.loudest.noise_v + after.loudest.noise_v)
    return None if apart_v <= BACK_WITHIN * least_v + noise_v else ASTRAY.format(run.moved)


def _look(run: _Run, terminal: str) -> Generator[Request, Reply, At]:
    """The wiring tone, all channels at once or one after the other."""
    tones, rest_v = {}, 0.0
    for driven in run.drives:
        if driven is not None:
            yield Inputs(driven)
        shot = yield from _tone(run)
        record = shot.records[run.moved]
        name = "".join(driven or [c.name for c in run.job.channels])
        tones[name] = second_half(record, run.hz, shot.request.cycles)
        within = (record.times_s >= 0.0) & (record.times_s < shot.request.cycles / run.hz)  # whole cycles
        rest_v = float(np.mean(record.volts[within]))
    if run.drives != (None,):
        yield Inputs(None)
    return At(terminal, tones, rest_v)


def _tone(run: _Run) -> Generator[Request, Reply, Shot]:
    """0.2 s; on the widest range where a terminal stands at volts."""
    job, cycles = run.job, tone_cycles(run.hz)
    small = dict(scales(job, CREST * WIRING_VRMS * RANGE_FACTORS[0]))
    for volts in (small[run.moved], job.limits.largest_range_v):
        fire = Fire(run.level_vrms, run.hz, cycles, small | {run.moved: volts}, "check")
        shot = shot_of((yield fire))
        run.shots += 1
        yield Rest(job.rest_s)
        if not shot.records[run.moved].overloaded:
            break
    return shot
