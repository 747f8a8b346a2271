"""The digitiser by a tone of its own: its clock against the generator's, its ranges against each other. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise
from statistics import median

from sequencer.analysis.sine import fit_four
from sequencer.analysis.uncertainty import Part, Source, difference
from sequencer.measurements.bench_check_model import Checked, Looked, not_measured
from sequencer.measurements.bench_inputs import ToneSeen, at_most, declared_input, reaches, second_half, sources_of
from sequencer.measurements.gain import DB_OF_RATIO
from sequencer.measurements.power_job import ChannelJob
from sequencer.measurements.values import Finding, Value, ValueJob, expanded

CLOCK_PPM = 100.0  # two crystal clocks differ by less (common practice, no source)
SETTLED_PART = 0.25  # of the first tone is left out: couplings settle
RANGES_LEAST = 3
CREST_FILL = 0.9  # of a range, by the tone's crest
SEARCH_DOWN = 0.1  # of the clip volts: where a search begins
SEARCH_UP = 1.15  # of the clip volts: what a search makes room for
ASKED = 0.98  # of a range's reach: so that this one is taken, and no wider one
RANGE_NEXT = (
    "Compare that range with a meter on a steady tone, then correct its gain_uncertainty_pct, or have it repaired"
)


def clock(looked: Looked) -> Checked:
    """Frequency of the first tone on the digitiser's clock against the one set, ppm, by the channel seen best."""
    seen = [c for c in looked.channels if c.gain_db is not None]
    if not seen:
        return Checked((not_measured("clock ratio", "ppm", "no channel answers"),))
    best = min(seen, key=lambda c: c.tone.relative_noise)
    record, fire = looked.tone.records[best.job.input], looked.tone.request
    length_s = fire.cycles / fire.frequency_hz
    times = record.times_s
    within = (times >= SETTLED_PART * length_s) & (times < length_s - 1.0 / fire.frequency_hz)
    try:
        fit = fit_four(record.volts[within], times[within], fire.frequency_hz)
    except ValueError as error:
        return Checked((not_measured("clock ratio", "ppm", str(error)),))
    ppm = 1e6 * (fit.frequency_hz / fire.frequency_hz - 1.0)
    # Least variance of a frequency in white noise (Cramer and Rao, four unknowns): 6 s^2 / (pi T A)^2 / N, A peak.
    held_s, samples = float(times[within][-1] - times[within][0]), int(within.sum())
    noise_hz = math.sqrt(6.0) * fit.residual_rms_v / (math.pi * held_s * fit.amplitude_v * math.sqrt(samples))
    expanded_ppm, factor = expanded([Part("noise", 1e6 * noise_hz / fire.frequency_hz)])
    value = Value("clock ratio", ppm, "ppm", None, expanded_ppm, factor, frequency_hz=looked.tone_hz)
    return Checked((value,), tuple(_clock_finding(ppm, expanded_ppm or 0.0)))


def _clock_finding(ppm: float, expanded_ppm: float) -> Iterator[Finding]:
    if abs(ppm) > CLOCK_PPM + expanded_ppm:
        sentence = f"the digitiser's clock and the generator's differ by {ppm:+.0f} ppm, more than {CLOCK_PPM:g}"
        yield Finding("clock", sentence, "Have the clocks of both compared; lock them to one reference if they can be")


def ranges_to_see(job: ValueJob, output_vrms: float) -> tuple[float, ...]:
    """V at the unit, rising: the ranges that a search up to the clip volts uses, at least three, and all above the
    crest of the tone."""
    crest_v = math.sqrt(2.0) * output_vrms
    first = job.channels[0]
    reach = [v for v in reaches(job.around.bench, first.input) if v * CREST_FILL >= crest_v]
    clip_v = max(c.clip_v for c in job.channels)
    top = next((n for n, v in enumerate(reach) if v >= SEARCH_UP * clip_v), len(reach) - 1)
    low = next((n for n, v in enumerate(reach) if v >= SEARCH_DOWN * clip_v), top)
    low = max(0, min(low, top - (RANGES_LEAST - 1)))
    return tuple(reach[low : top + 1])


def ranges(looked: Looked) -> Checked:
    """Each range against the next wider one, by the same tone."""
    if len(looked.ranges) < 2:
        return Checked()
    values: list[Value] = []
    findings: list[Finding] = []
    for one in looked.channels:
        if one.gain_db is None:
            continue
        tones = [(reach, _tone_on(looked, one.job, number)) for number, (reach, _) in enumerate(looked.ranges)]
        values += _pairs(looked, one.job, tones)
        findings += _odd_range(looked, one.job, tones)
    return Checked(tuple(values), tuple(findings))


def _tone_on(looked: Looked, channel: ChannelJob, number: int) -> ToneSeen:
    shot = looked.ranges[number][1]
    return second_half(shot.records[channel.input], shot.request.frequency_hz, shot.request.cycles)


def _range_sources(looked: Looked, channel: ChannelJob, reach: float) -> tuple[Source, ...]:
    return sources_of(looked.job.around.bench, channel.input, reach)


def _pairs(looked: Looked, channel: ChannelJob, tones: list[tuple[float, ToneSeen]]) -> Iterator[Value]:
    for (low, seen_low), (high, seen_high) in pairwise(tones):
        name = (
            f"range of {channel.input}, {_connector(looked, channel, low)} against {_connector(looked, channel, high)}"
        )
        if not (seen_low.seen and seen_high.seen):
            yield not_measured(name, "dB", "the tone is lost in the noise of the range", channel.name)
            continue
        parts = difference(*(_parts(looked, channel, r, t) for r, t in ((low, seen_low), (high, seen_high))))
        expanded_db, factor = expanded([p for p in parts if p.u])
        apart_db = 20.0 * math.log10(seen_low.rms_v / seen_high.rms_v)
        yield Value(name, apart_db, "dB", channel.name, expanded_db, factor, frequency_hz=looked.tone_hz)


def _parts(looked: Looked, channel: ChannelJob, reach: float, tone: ToneSeen) -> list[Part]:
    parts = [Part(s.id, DB_OF_RATIO * s.standard, s.kind) for s in _range_sources(looked, channel, reach)]
    return [*parts, Part("noise", DB_OF_RATIO * tone.relative_noise)]


def _connector(looked: Looked, channel: ChannelJob, reach: float) -> str:
    return f"{reach / declared_input(looked.job.around.bench, channel.input).factor:g} V"


def _odd_range(looked: Looked, channel: ChannelJob, tones: list[tuple[float, ToneSeen]]) -> Iterator[Finding]:
    """The one that lies farthest from the middle of all, if two declared ranges cannot lie so far apart."""
    seen = [(reach, tone) for reach, tone in tones if tone.seen]
    if len(seen) < 2:
        return
    middle_v = median(tone.rms_v for _, tone in seen)
    reach, tone = max(seen, key=lambda item: abs(math.log(item[1].rms_v / middle_v)))
    off_db = 20.0 * math.log10(tone.rms_v / middle_v)
    bound = max(at_most(s for s in _range_sources(looked, channel, r) if s.id.startswith("range:")) for r, _ in seen)
    allowed_db = DB_OF_RATIO * (2.0 * bound + 4.0 * max(t.relative_noise for _, t in seen))
    if abs(off_db) > allowed_db:
        where = _connector(looked, channel, reach)
        sentence = (
            f"range {where} of {channel.input} reads {off_db:+.2f} dB from the others, declared are {allowed_db:.2f}"
        )
        yield Finding("digitiser range", sentence, RANGE_NEXT, channel.name)
