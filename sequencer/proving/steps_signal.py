"""Steps of generator and digitiser, the one as the witness of the other."""

from __future__ import annotations

import math
from dataclasses import replace

from drivers.errors import GarbledReply, InstrumentError, SettingRefused
from drivers.roles.common import Put
from sequencer.analysis.records import Record
from sequencer.measurements.bench_check_digitiser import CLOCK_PPM
from sequencer.measurements.bench_inputs import at_most, sources_of
from sequencer.proving.burst_seen import BurstSeen, burst_seen, least_vrms, rest_v
from sequencer.proving.codes_seen import bytes_swapped, still_bits, told_bits
from sequencer.proving.level_named import LevelSeen, cause_of, frequency_fault, level_fault
from sequencer.proving.loop import Loop, Tone
from sequencer.proving.record import ProofValue
from sequencer.proving.words import Failed, NotSeen

LEVEL_VRMS = 1.0
LEVELS_VRMS = (0.2, 0.5, 1.0)
OFFSET_V = 0.2
FIND_HZ = 730.0  # a thousand times that is no multiple of a sample rate: it would be seen too
FAR = 4.0  # times too long or too short: more than a wrong sample rate (our own choice)
REPEATS = 4
OWN_PART = 0.01  # of the generator's level (common practice, no source)
LATE_S, JITTER_S, JITTER_SAMPLES = 50e-6, 2e-6, 1.5  # common practice, no source
FLOOR_STEPS, FLOOR_PART = 3.0, 0.003  # what a sine fit may leave (common practice, no source)
ROUGH_PART = 0.01  # of a sine, left by its fit: its frequency is no witness then (our own choice)
FAINT_PART = 0.25  # of a ratio, where the tone hardly stands out (our own choice)
FULL_FILL, LEAST_FILL = 0.85, 0.1
LOOK_LEVEL = "Look at load setting, unit of level and probe: at the instruments, in the dialect file, in the bench file"
LOOK_NONE = (
    "Put that input's probe on the generator's output; look whether its output is on, and by its own display whether "
    "its level is as set: V, not mV (unit of level in its dialect file), probe as in the bench file"
)
LOOK_TRIGGER = "Look at the trigger lead from the generator to the digitiser's external input, its edge and its level"
LOOK_CLOCK = "Look at frequency in the generator's dialect file, and at the times in the digitiser's preamble"

Told = tuple[str, list[ProofValue]]


async def find(loop: Loop) -> Loop:
    """The tone found on its own input, on the widest range first: what comes after knows how large it is."""
    names = sorted({*loop.desk.bench.wiring, loop.name})
    tone = Tone(min(LEVEL_VRMS, loop.top_vrms), FIND_HZ)
    records = await loop.shots(tone, {n: replace(loop, name=n).ranges_v[-1] for n in names})
    found = {n: burst_seen(record, tone.cycles) for n, record in records.items()}
    seen = found[loop.name]
    if seen is None and (others := [n for n, one in found.items() if one is not None]):
        sentence = f"the generator's tone is seen on {', '.join(others)}, not on {loop.name}: inputs or leads swapped"
        raise Failed(sentence, "Look which probe is on the generator's output, and into which input it goes")
    if seen is None:
        seen = burst_seen(await loop.shot(tone, loop.ranges_v[0]), tone.cycles)
    if seen is None:
        raise await _why_none(loop, tone, names)
    length_s, wanted_s = seen.end_s - seen.start_s, tone.cycles / tone.frequency_hz
    if not 1.0 / FAR < length_s / wanted_s < FAR:
        told = frequency_fault(tone.frequency_hz, tone.cycles / length_s, CLOCK_PPM)
        raise Failed(f"{tone.cycles} cycles last {length_s:.2g} s, not {wanted_s:.2g} s: {told}", LOOK_CLOCK)
    coarse = replace(loop, ratio=seen.rms_v / tone.level_vrms)
    fine = burst_seen(await coarse.fitting(tone), tone.cycles)
    return coarse if fine is None else replace(loop, ratio=fine.rms_v / tone.level_vrms)


async def _why_none(loop: Loop, tone: Tone, names: list[str]) -> Failed:
    """Once more with all that the ceiling allows, on the smallest range: a level in mV still shows there, if it can."""
    sentence = f"no tone of {tone.level_vrms:g} Vrms is seen on any input ({', '.join(names)})"
    loud = replace(tone, level_vrms=loop.top_vrms)
    record = await loop.shot(loud, loop.ranges_v[0])
    if (seen := burst_seen(record, loud.cycles)) is not None:
        ratio = seen.rms_v / loud.level_vrms
        told = f"of {loud.level_vrms:g} Vrms {loop.name} shows {seen.rms_v:.2g}, {ratio:.2g} times"
        return Failed(f"{sentence}; {told}: {cause_of(ratio, FAINT_PART)}", LOOK_LEVEL)
    least = f"below {least_vrms(record):.1g} Vrms nothing shows there"
    return Failed(f"{sentence}, nor of {loud.level_vrms:g} Vrms on {loop.name}'s smallest range; {least}", LOOK_NONE)


async def why_no_record(loop: Loop, error: InstrumentError) -> Failed | None:
    """Of samples that do not fit the file: whether their bytes come the other way round."""
    if not isinstance(error, SettingRefused | GarbledReply) or error.instrument != "digitiser":
        return None
    desk, dialect = loop.desk, loop.desk.dialects["digitiser"]
    table, place = dialect.trace, dialect.input_name(loop.number)
    try:
        await desk.actor("digitiser").tell(*(dialect.question(line, input=place) for line in table.send))
        most = 8 * desk.bench.digitiser.samples_max
        payload = await desk.actor("digitiser").ask_block(dialect.block_question(place), most_bytes=most)
    except InstrumentError:
        return None
    if not bytes_swapped(payload, table.element, table.order):
        return None
    sentence = f"its samples are smooth only with their bytes the other way round: byte order is not {table.order}"
    return Failed(f"{sentence} ({error.sentence})", "Correct trace.order in the digitiser's dialect file")


async def level(loop: Loop) -> Told:
    """Set and seen at three levels."""
    levels, values = [], []
    for vrms in LEVELS_VRMS:
        if vrms > loop.top_vrms:
            continue
        seen = _seen(await loop.fitting(Tone(vrms)), Tone(vrms))
        levels.append(LevelSeen(vrms, seen.rms_v))
        values.append(ProofValue(name=f"at {vrms:g} Vrms", value=seen.rms_v, unit="Vrms", expected=vrms))
    bench = loop.desk.bench
    allowed = OWN_PART + max(at_most(sources_of(bench, loop.name, reach_v)) for reach_v in loop.ranges_v)
    if (fault := level_fault(levels, allowed)) is not None:
        raise Failed(f"{loop.name}: {fault}", LOOK_LEVEL, values)
    return f"levels agree within {100 * max(abs(one.ratio - 1) for one in levels):.2g} % of what was set", values


async def direct(loop: Loop) -> Told:
    """A generator's offset is seen as such, so that no coupling hides it; without it the input rests at nought."""
    talk, tone = loop.desk.talk("generator"), Tone(min(0.5, loop.top_vrms))
    record = await loop.fitting(tone)
    zero_v, one = rest_v(record), loop.desk.bench.input.get(loop.name)
    own_v = 3.0 * loop.factor * (one.offset_uncertainty_v if one is not None else 0.002) + 0.01 * record.full_scale_v
    values = [ProofValue(name="at rest", value=zero_v, unit="V", expected=0.0, allowed=own_v)]
    if abs(zero_v) > own_v:
        sentence = f"{loop.name} rests at {zero_v:+.3g} V where 0 V were set: offset of generator or input"
        look = "Look at the generator's offset and phase at rest; have the input's zero adjusted"
        raise Failed(sentence, look, values)
    if not talk.has("offset"):
        raise NotSeen(f"rests at {zero_v:+.3g} V; this generator has no offset to show that direct current is seen")
    await talk.put("an offset", Put("offset", OFFSET_V))
    try:
        seen_v = rest_v(await loop.shot(tone, 2.0 * math.sqrt(2.0) * tone.level_vrms * loop.ratio)) - zero_v
    finally:
        await talk.put("no offset", Put("offset", 0.0))
    values.append(ProofValue(name="with an offset", value=seen_v, unit="V", expected=OFFSET_V, allowed=0.1 * OFFSET_V))
    if abs(seen_v) < 0.1 * OFFSET_V:
        sentence = f"an offset of {OFFSET_V:g} V is seen as {seen_v:.3g} V: {loop.name} does not pass direct current"
        raise Failed(f"{sentence}: coupling AC", "Look at the input's coupling: it must be DC", values)
    if abs(seen_v - OFFSET_V) > 0.1 * OFFSET_V + own_v:
        raise Failed(f"an offset of {OFFSET_V:g} V is seen as {seen_v:.3g} V", LOOK_LEVEL, values)
    return f"rests at {zero_v:+.3g} V; an offset of {OFFSET_V:g} V is seen as {seen_v:.3g} V", values


async def frequency(loop: Loop) -> Told:
    """The generator's clock against the digitiser's, ppm."""
    values, worst = [], 0.0
    for hz in (1000.0, 5000.0):
        tone = Tone(min(0.5, loop.top_vrms), hz)
        seen = _seen(await loop.fitting(tone), tone)
        if seen.rough > ROUGH_PART:
            raise NotSeen(f"the sine is not clean enough: its fit leaves {100 * seen.rough:.2g} %")
        ppm = 1e6 * (seen.frequency_hz / hz - 1.0)
        values.append(ProofValue(name=f"clock ratio at {hz:g} Hz", value=ppm, unit="ppm", allowed=CLOCK_PPM))
        if (fault := frequency_fault(hz, seen.frequency_hz, CLOCK_PPM)) is not None:
            raise Failed(fault, LOOK_CLOCK, values)
        worst = max(worst, abs(ppm))
    return f"both clocks agree within {worst:.2g} ppm", values


async def cycles(loop: Loop) -> Told:
    """Bursts of 1, 8 and 20 cycles are that long, begin upwards, and are followed by silence."""
    values = []
    for count in (1, 8, 20):
        tone = Tone(min(0.5, loop.top_vrms), cycles=count)
        record = await loop.fitting(tone)
        seen = _seen(record, tone)
        values.append(ProofValue(name=f"of {count}", value=seen.cycles, unit="cycles", expected=count, allowed=0.1))
        limit_v = max(3.0 * record.step_v, 0.01 * seen.rms_v, 3.0 * seen.before_vrms)
        if seen.after_vrms > limit_v + abs(seen.rest_v):
            sentence = f"after a burst of {count} cycles {seen.after_vrms:.3g} Vrms go on: no silence after the burst"
            look = "Look at burst mode, cycles and trigger source: counted bursts, one for each trigger"
            raise Failed(sentence, look, values)
        if abs(seen.cycles - count) > 0.1:
            sentence = f"a burst of {count} cycles has {seen.cycles:.2f}"
            raise Failed(sentence, "Look at the key for the number of cycles in the generator's dialect file", values)
        if seen.inverted:
            sentence = f"the burst begins downwards on {loop.name}: inverted"
            next_action = "Look whether that input, or the generator's output, is set to inverted; its phase must be 0"
            raise Failed(sentence, next_action, values)
    return "bursts of 1, 8 and 20 cycles are that long, begin upwards and end in silence", values


async def trigger(loop: Loop) -> Told:
    """The burst begins where the record says that the trigger is, each time."""
    tone, starts, rough = Tone(min(0.5, loop.top_vrms), cycles=8), [], 0.0
    for _ in range(REPEATS):
        record = await loop.fitting(tone)
        seen = _seen(record, tone)
        starts.append(seen.start_s)
        rough = max(rough, seen.rough)
    mean_s, spread_s = sum(starts) / len(starts), max(starts) - min(starts)
    by_noise_s = rough / (2.0 * math.pi * tone.frequency_hz)
    jitter_s = JITTER_S + JITTER_SAMPLES * record.sample_interval_s + by_noise_s
    values = [
        ProofValue(name="begins after the trigger", value=mean_s, unit="s", expected=0.0, allowed=LATE_S),
        ProofValue(name="spread", value=spread_s, unit="s", allowed=jitter_s),
    ]
    if spread_s > jitter_s:
        told = f"{1e6 * min(starts):.0f} to {1e6 * max(starts):.0f} us"
        sentence = f"the burst begins {told} from the trigger: it jitters"
        raise Failed(sentence, LOOK_TRIGGER, values)
    if abs(mean_s) > LATE_S:
        word = "late" if mean_s < 0 else "early"
        sentence = f"the burst begins {1e6 * mean_s:+.0f} us from the trigger: the trigger comes {word}"
        raise Failed(sentence, LOOK_TRIGGER, values)
    return f"the burst begins {1e6 * mean_s:+.1f} us from the trigger, within {1e6 * spread_s:.1f} us", values


async def floors(loop: Loop) -> Told:
    """On each range that the generator can fill: what the sine fit leaves, and whether every bit moves."""
    values: list[ProofValue] = []
    for full_scale_v in loop.ranges_v:
        vrms = min(FULL_FILL * full_scale_v / math.sqrt(2.0) / loop.ratio, loop.top_vrms)
        fill = vrms * loop.ratio * math.sqrt(2.0) / full_scale_v
        if fill < LEAST_FILL or vrms < loop.desk.hands.generator.smallest_vrms:
            continue
        record = await loop.shot(Tone(vrms), 0.98 * full_scale_v)
        seen, where = _seen(record, Tone(vrms)), f"range {full_scale_v / loop.factor:g} V of {loop.name}"
        left_steps = seen.residual_vrms / record.step_v
        pct = 100.0 * seen.residual_vrms / seen.rms_v
        values.append(ProofValue(name=f"{where}, fill {100 * fill:.0f} %, rest", value=pct, unit="%"))
        if fill > 0.75 * FULL_FILL and record.codes is not None:
            step = max(1, round(record.step_v / record.volts_per_code))
            if still := still_bits(record.codes, step, record.bits):
                sentence = f"{where}: {told_bits(still, record.bits)}: stuck, or fewer bits than declared"
                raise Failed(sentence, "Have the converter repaired, or correct bits in the bench file", values)
        if left_steps > FLOOR_STEPS and seen.residual_vrms > FLOOR_PART * seen.rms_v:
            sentence = f"{where}: a sine leaves {pct:.2g} % ({left_steps:.1f} steps): it is not a clean sine there"
            look = "Look at generator, range and converter; codes missing or out of order show so"
            raise Failed(sentence, look, values)
    if not values:
        raise NotSeen("the generator fills no range of this input by a tenth")
    best = min(v.value for v in values if v.value is not None)
    return f"{len(values)} ranges show a clean sine; the least rest is {best:.2g} %", values


async def overload(loop: Loop) -> Told:
    """Volts beyond a range are marked as such."""
    fitting = [v for v in loop.ranges_v if 2.0 * v <= math.sqrt(2.0) * loop.top_vrms * loop.ratio]
    if not fitting:
        raise NotSeen("the generator does not reach twice the smallest range of this input")
    full_scale_v = fitting[0]
    tone = Tone(2.0 * full_scale_v / math.sqrt(2.0) / loop.ratio)
    record = await loop.shot(tone, 0.98 * full_scale_v)
    where = f"range {full_scale_v / loop.factor:g} V of {loop.name}"
    if not record.overloaded:
        sentence = f"twice the {where} is not marked: no code of the range's end, an overload would go unseen"
        raise Failed(sentence, "Look at bits in the bench file, element and end codes in the dialect file")
    return f"twice the {where} is told as overloaded", []


def _seen(record: Record, tone: Tone) -> BurstSeen:
    if record.overloaded:
        raise Failed("the digitiser is overloaded by a tone that fits its range", LOOK_LEVEL)
    found = burst_seen(record, tone.cycles)
    if found is None:
        raise Failed(f"a burst of {tone.level_vrms:g} Vrms is not seen in its record", LOOK_TRIGGER)
    return found
