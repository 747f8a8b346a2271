"""`stability`: what an output gives that is quicker than its signal: at rest, and on the crests of a loud burst. Pure.

A stage that is nearly unstable shows itself with a capacitor across its load. Only a person can connect one: where
nobody is there, that part is not measured.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Iterator
from dataclasses import dataclass

import numpy as np
from scipy import fft

from sequencer.analysis.crest import CrestResidue, crest_residue
from sequencer.analysis.harmonics import fit_harmonics
from sequencer.analysis.outline import Outline, outline
from sequencer.analysis.records import Record
from sequencer.measurements import switching
from sequencer.measurements.bench_check_model import not_measured
from sequencer.measurements.heating import Tone, tone_for
from sequencer.measurements.power_job import ChannelJob
from sequencer.measurements.power_shapes import ON_CREST_FACTOR
from sequencer.measurements.requests import Answer, Ask, Fire, Quiet, Reply, Request, Rest
from sequencer.measurements.values import Finding, Value, ValueJob, Values, ValueTalk, shot_of
from sequencer.plan.estimate_heat import HEATING_HZ
from sequencer.plan.estimate_quiet import CREST_BURSTS, CREST_CYCLES, REST_SCALES_V, REST_SILENCE_S, SMALL_DB
from sequencer.plan.window import GAIN_HARMONICS, TRIGGER_CYCLES, TRIGGER_HZ, TRIGGER_PAST_S

BAND_FROM_HZ = 20_000.0
SHOWN_FROM_HZ = 1000.0
LINE_FACTOR = 30.0  # of the mean power of a bin: noise alone shows as much once in 10^13 bins (exponential)
LINE_VRMS = 0.002  # less does no harm (our own judgement)
SKIP_CYCLES = 10  # of a burst, until couplings have settled
NOBODY = "nobody there: a person must connect the capacitor"
NOT_DONE = "the person there did not connect it"
LEFT_ON = "not driven: nobody said that the capacitor was taken off again"
YES, NO, DONE = "yes", "no", "done"
ACTION = "Look at the output network, the supply's decoupling and the layout of the stage with an oscilloscope"
SPARSE = "too few samples a cycle: the tone's own shape would be in it"


@dataclass(frozen=True)
class AtRest:
    """One channel without a signal. rms_v: of all above 20 kHz; line_hz, line_v: of the largest line, if one stands
    out; as sampled, so folded where it lies above half the rate. shown: for the sheet's picture."""

    rms_v: float
    line_hz: float | None
    line_v: float
    shown: Outline | None = None


@dataclass(frozen=True)
class Seen:
    """One channel with one load. crests: of each burst; step_v: of the converter then."""

    channel: ChannelJob
    rest: AtRest | None
    crests: tuple[CrestResidue, ...]
    step_v: float
    peak_v: float

    @property
    def crest(self) -> CrestResidue:
        """The one of less on its crests: what it shows, both do."""
        return min(self.crests, key=lambda one: one.crest_v)

    @property
    def oscillates(self) -> bool:
        """As a searched burst is judged: on the crests, and not at the crossings."""
        one = self.crest
        return one.crest_v > ON_CREST_FACTOR * max(one.crossing_v, self.step_v / math.sqrt(12.0))


@dataclass
class _Run:
    job: ValueJob
    tone: Tone
    shots: int = 0


def stability(job: ValueJob) -> ValueTalk:
    """Quick residue of each channel at rest and on the crests at `power_parts` of full power, into the load as it is;
    then, if a person is there, with each capacitor across it, at rest and on small crests."""
    yield Rest(job.rest_s)
    tone = yield from tone_for(job, job.point.power_parts[0])
    if isinstance(tone, str):
        return Values(reason=tone)
    run = _Run(job, tone)
    seen = yield from _looked(run, tone.level_vrms)
    if isinstance(seen, str):
        return Values(shots=run.shots, reason=seen)
    values = [v for one in seen for v in _values(one, "")]
    findings = [f for one in seen for f in _findings(job, one, "")]
    left_on = None
    ready = yield from _asked("Will you connect capacitors across the outputs now?", YES, NO)
    for nf in job.point.capacitors_nf:
        if not ready or left_on:
            values += [_unseen(c.name, nf, NOBODY) for c in job.channels]
            continue
        with_it, left_on = yield from _with(run, nf)
        if isinstance(with_it, str):
            values += [_unseen(c.name, nf, with_it) for c in job.channels]
        else:
            values += [v for one in with_it for v in _values(one, f", with {nf:g} nF")]
            findings += [f for one in with_it for f in _findings(job, one, f" with {nf:g} nF across it")]
    shown = {one.channel.name: one.rest.shown.row() for one in seen if one.rest and one.rest.shown}
    return Values(tuple(values), tuple(findings), run.shots, no_drive=left_on, extra={"rest_spectrum": shown})


def _asked(question: str, choice: str, otherwise: str) -> Generator[Request, Reply, bool]:
    """Whether a person said `choice`."""
    reply = yield Ask(question, (choice, otherwise), otherwise)
    assert isinstance(reply, Answer)
    return reply.choice == choice


def _with(run: _Run, nf: float) -> Generator[Request, Reply, tuple[list[Seen] | str, str | None]]:
    """What is seen with the capacitor, or why nothing is; and why nothing may be driven after it. Hands go near the
    outputs only while the unit is off."""
    yield from switching.off(run.job)
    if not (yield from _asked(f"It is off. Connect {nf:g} nF across each output, then say so.", DONE, NO)):
        yield from switching.on(run.job)
        return NOT_DONE, None
    yield from switching.on(run.job)
    found = yield from _looked(run, run.tone.level_vrms * 10.0 ** (SMALL_DB / 20.0))
    yield from switching.off(run.job)
    removed = yield from _asked(f"It is off. Take the {nf:g} nF off again, then say so.", DONE, NO)
    yield from switching.on(run.job)
    return found, None if removed else LEFT_ON


def _looked(run: _Run, level_vrms: float) -> Generator[Request, Reply, list[Seen] | str]:
    rest = yield from _at_rest(run)
    part = level_vrms / run.tone.level_vrms
    scales = {name: volts * part for name, volts in run.tone.scales.items()}
    crests: dict[str, list[CrestResidue]] = {c.name: [] for c in run.job.channels}
    for _ in range(CREST_BURSTS):
        shot = shot_of((yield Fire(level_vrms, HEATING_HZ, CREST_CYCLES, scales, "distortion")))
        run.shots += 1
        yield Rest(run.job.rest_s)
        for channel in run.job.channels:
            record = shot.records[channel.input]
            if record.overloaded:
                return f"channel {channel.name} gave more than its level asks for: the digitiser is overloaded"
            residue = _residue(record)
            if residue is None:
                return SPARSE
            crests[channel.name].append(residue)
    peak_v = {c.name: math.sqrt(2.0 * run.tone.power_w[c.name] * c.load_ohm) * part for c in run.job.channels}
    steps = {c.name: shot.records[c.input].step_v for c in run.job.channels}
    return [Seen(c, rest.get(c.name), tuple(crests[c.name]), steps[c.name], peak_v[c.name]) for c in run.job.channels]


def _residue(record: Record) -> CrestResidue | None:
    start_s, cycles = SKIP_CYCLES / HEATING_HZ, CREST_CYCLES - SKIP_CYCLES - 1
    times = record.times_s
    inside = (times >= start_s) & (times < start_s + cycles / HEATING_HZ)
    tone = fit_harmonics(record.volts[inside], times[inside], HEATING_HZ, GAIN_HARMONICS)
    return crest_residue(record, start_s, cycles, tone)


def _at_rest(run: _Run) -> Generator[Request, Reply, dict[str, AtRest]]:
    """By channel; without those that no range holds."""
    largest_v = run.job.limits.largest_range_v
    for volts in [*(v for v in REST_SCALES_V if v < largest_v), largest_v]:
        shot = shot_of((yield Quiet(REST_SILENCE_S, {c.input: volts for c in run.job.channels})))
        run.shots += 1
        yield Rest(run.job.rest_s)
        if not any(record.overloaded for record in shot.records.values()):
            break
    records = {c.name: shot.records[c.input] for c in run.job.channels}
    return {name: at_rest(record) for name, record in records.items() if not record.overloaded}


def at_rest(record: Record) -> AtRest:
    """Of the silence after the trigger's burst: rms above 20 kHz, and the largest line there (Hann window: a line's
    power lies in five bins, 1.5 times that of one; Harris 1978, from memory)."""
    times = record.times_s
    volts = record.volts[times >= TRIGGER_CYCLES / TRIGGER_HZ + TRIGGER_PAST_S]
    window = np.hanning(volts.size)
    lines = np.abs(fft.rfft((volts - volts.mean()) * window)) ** 2 * (2.0 / volts.size / float((window**2).sum()))
    hz = np.arange(lines.size) / (volts.size * record.sample_interval_s)
    lines = np.where(hz > BAND_FROM_HZ, lines, 0.0)
    at, mean = int(np.argmax(lines)), float(lines[hz > BAND_FROM_HZ].mean())
    rms_v = math.sqrt(float(lines.sum()))
    line_v = math.sqrt(float(lines[max(at - 2, 0) : at + 3].sum()))
    others = (float(lines.sum()) - line_v**2) / max(int((hz > BAND_FROM_HZ).sum()) - 5, 1)
    stands_out = float(lines[at]) > LINE_FACTOR * max(min(others, mean), record.step_v**2 / lines.size / 1e3)
    shown = outline([volts], record.sample_interval_s, (SHOWN_FROM_HZ, 0.5 / record.sample_interval_s))
    return AtRest(rms_v, float(hz[at]) if stands_out else None, line_v if stands_out else 0.0, shown)


def _values(one: Seen, suffix: str) -> Iterator[Value]:
    name = one.channel.name
    if one.rest is None:
        yield not_measured(f"above 20 kHz, at rest{suffix}", "Vrms", "no range holds it", name)
    else:
        rest, line = one.rest, "no line stands out"
        if rest.line_hz is not None:
            line = f"of it {1000.0 * rest.line_v:.2g} mV at {rest.line_hz / 1000.0:.4g} kHz, as sampled"
        yield Value(f"above 20 kHz, at rest{suffix}", rest.rms_v, "Vrms", name, reason=line)
    told = f"quicker than 11 samples, at {one.peak_v:.3g} V peak; {1000.0 * one.crest.crossing_v:.2g} mV at crossings"
    yield Value(f"on the crests{suffix}", one.crest.crest_v, "Vrms", name, None, None, None, told, HEATING_HZ)


def _unseen(channel: str, nf: float, reason: str) -> Value:
    return not_measured(f"on the crests, with {nf:g} nF", "Vrms", reason, channel)


def _findings(job: ValueJob, one: Seen, where: str) -> Iterator[Finding]:
    name, rest = one.channel.name, one.rest
    carrier = job.around.unit.output_class == "D"
    if rest is not None and rest.line_hz is not None and rest.line_v > LINE_VRMS and not carrier:
        sentence = (
            f"{1000.0 * rest.line_v:.2g} mV at {rest.line_hz / 1000.0:.4g} kHz (as sampled) without a signal{where}: "
            "it oscillates at rest"
        )
        yield Finding("oscillation at rest", sentence, ACTION, name)
    if one.oscillates:
        sentence = (
            f"an oscillation on the crests{where}: {1000.0 * one.crest.crest_v:.2g} mV rms at {one.peak_v:.3g} V peak, "
            "none at the crossings"
        )
        yield Finding("oscillation on the crest", sentence, ACTION, name)
