"""`frequency_response`: gain re 1 kHz over tones at a small power; -3 dB points, the largest departure, and how far
the channels' responses lie apart.

A -3 dB point is interpolated between two tones, dB over the logarithm of frequency. One that no tone has reached is
"beyond the tones", never guessed. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sequencer.analysis.uncertainty import DEVIATION, Part, difference
from sequencer.measurements.gain import CONTROLS, NOT_DECLARED, Tone
from sequencer.measurements.small_tones import SmallTones, small_tones
from sequencer.measurements.values import Finding, Value, ValueJob, Values, ValueTalk, beyond, expanded
from sequencer.plan.points import hertz

CORNER_DB = -3.0
DEPARTS_DB = 3.0  # within the pass-band (common practice, no source)
APART_DB = 1.0  # of two channels' responses (common practice, no source)
LOST = "Look at its coupling capacitors, filters and controls; hold it against the other channel"
UNLIKE = "Set both channels' controls alike and measure again; then look at the filters of the one that is off"


@dataclass(frozen=True)
class Ratio:
    """A channel's gain at one tone re that at the reference, dB. parts: of its uncertainty, dB."""

    frequency_hz: float
    db: float
    parts: tuple[Part, ...]

    @property
    def expanded_db(self) -> float | None:
        return expanded(self.parts)[0]


def frequency_response(job: ValueJob) -> ValueTalk:
    """Gain at the reference tone, then what is said of the curve; the curve itself stands in `response`."""
    found = yield from small_tones(job)
    if found.reason is not None:
        return Values(shots=found.shots, reason=found.reason)
    curves = {c.name: curve for c in job.channels if (curve := ratios(found, c.name))}
    values = [v for c in job.channels for v in _of_channel(job, found, c.name, curves.get(c.name))]
    apart = _apart(curves)
    if len(job.channels) > 1:
        values.append(_asymmetry(apart))
    return Values(
        values=tuple(values),
        findings=tuple(_findings(curves, apart)),
        shots=found.shots,
        extra={"response": _row(found, curves)},
    )


def ratios(found: SmallTones, channel: str) -> list[Ratio]:
    """Rising; tones that were not seen are left out, and without the reference all are."""
    reference = found.at(channel, found.reference_hz)
    return [
        Ratio(tone.frequency_hz, tone.gain_db - reference.gain_db, difference(tone.parts, reference.parts))
        for tone in found.seen[channel]
        if tone.gain_db is not None and reference.gain_db is not None
    ]


def _of_channel(job: ValueJob, found: SmallTones, name: str, curve: Sequence[Ratio] | None) -> Iterator[Value]:
    reference, at = found.at(name, found.reference_hz), hertz(found.reference_hz)
    if reference.gain_db is None or not curve:
        reason = "no output seen above the noise"
        yield Value(f"gain at {at}", None, "dB", name, judgement="not measured", reason=reason)
        return
    yield gain_value(name, reference, f"at {found.power_w:.3g} W or less; {NOT_DECLARED}")
    upwards = [one for one in curve if one.frequency_hz >= found.reference_hz]
    downwards = [one for one in reversed(curve) if one.frequency_hz <= found.reference_hz]
    yield _corner(name, downwards, f"-3 dB re {at}, lower", "lowest")
    yield _corner(name, upwards, f"-3 dB re {at}, upper", "highest")
    worst = max(curve, key=lambda one: abs(one.db))
    low_hz, high_hz = job.around.unit.passband_hz
    band = f"tones from {hertz(curve[0].frequency_hz)} to {hertz(curve[-1].frequency_hz)}"
    at_tone = f"at {hertz(worst.frequency_hz)}; {band}, pass-band {hertz(low_hz)} to {hertz(high_hz)}"
    reason = f"{at_tone}; {NOT_DECLARED}"
    expanded_db, factor = expanded(worst.parts)
    yield Value(
        "largest departure in the pass-band", worst.db, f"dB re {at}", name, expanded_db, factor, None, reason,
        worst.frequency_hz,
    )  # fmt: skip


def gain_value(channel: str, tone: Tone, reason: str) -> Value:
    expanded_db, factor = expanded(tone.parts)
    return Value(
        f"gain at {hertz(tone.frequency_hz)}", tone.gain_db, "dB", channel, expanded_db, factor, None, reason,
        tone.frequency_hz,
    )  # fmt: skip


def _corner(channel: str, outwards: Sequence[Ratio], name: str, side: str) -> Value:
    """outwards: from the reference on; the first crossing counts."""
    crossed = next((i for i, one in enumerate(outwards) if one.db <= CORNER_DB), None)
    if crossed is None:
        last = outwards[-1]
        where = f"{'below' if side == 'lowest' else 'above'} {hertz(last.frequency_hz)}"
        reason = f"beyond the tones ({where}): {last.db:+.2f} dB there, the {side}"
        return Value(name, None, "Hz", channel, reason=reason)
    inner, outer = outwards[crossed - 1], outwards[crossed]
    slope = (outer.db - inner.db) / _octaves(inner, outer)
    straight = (CORNER_DB - inner.db) / slope
    bent = straight
    if crossed >= 2:
        bent = _bent(outwards[crossed - 2], inner, outer)
    corner_hz = inner.frequency_hz * 2.0**bent
    per_db = corner_hz * math.log(2.0) / slope
    parts = [Part(one.id, per_db * one.u, one.kind, one.freedom) for one in outer.parts]
    # A straight line and a parabola through the same tones: as far apart as the curve may be off either.
    apart_hz = abs(corner_hz - inner.frequency_hz * 2.0**straight)
    parts.append(Part("interpolation", DEVIATION["rectangular"] * apart_hz, "rectangular"))
    expanded_hz, factor = expanded(parts)
    between = f"between {hertz(inner.frequency_hz)} and {hertz(outer.frequency_hz)}, in the logarithm of frequency"
    return Value(name, corner_hz, "Hz", channel, expanded_hz, factor, None, between, corner_hz)


def _octaves(one: Ratio, other: Ratio) -> float:
    return math.log2(other.frequency_hz / one.frequency_hz)


def _bent(before: Ratio, inner: Ratio, outer: Ratio) -> float:
    """Octaves from `inner` to the -3 dB of the parabola through all three (Newton's divided differences)."""
    width = _octaves(inner, outer)
    slope, first = (outer.db - inner.db) / width, (inner.db - before.db) / _octaves(before, inner)
    bend = (slope - first) / _octaves(before, outer)
    # inner + slope t + bend t (t - width) = -3 dB, the root between 0 and width
    b, c = slope - bend * width, inner.db - CORNER_DB
    root = math.sqrt(max(b * b - 4.0 * bend * c, 0.0))
    return 2.0 * c / (-b + math.copysign(root, width)) if -b * width > 0.0 else (CORNER_DB - inner.db) / slope


def _apart(curves: dict[str, list[Ratio]]) -> tuple[str, str, Ratio] | None:
    """(channel, other, difference of their responses) at the tone and pair where it is largest."""
    names = sorted(curves)
    pairs = [
        (name, other, Ratio(mine.frequency_hz, mine.db - theirs.db, difference(mine.parts, theirs.parts)))
        for i, name in enumerate(names)
        for other in names[i + 1 :]
        for mine in curves[name]
        for theirs in curves[other]
        if mine.frequency_hz == theirs.frequency_hz
    ]
    return max(pairs, key=lambda one: abs(one[2].db), default=None)


def _asymmetry(apart: tuple[str, str, Ratio] | None) -> Value:
    name = "asymmetry of channels"
    if apart is None:
        return Value(name, None, "dB", judgement="not measured", reason="fewer than two channels were seen")
    one, other, worst = apart
    expanded_db, factor = expanded(worst.parts)
    reason = f"response of {one} less that of {other}, largest at {hertz(worst.frequency_hz)}"
    return Value(name, worst.db, "dB", None, expanded_db, factor, None, reason, worst.frequency_hz)


def _findings(curves: dict[str, list[Ratio]], apart: tuple[str, str, Ratio] | None) -> Iterator[Finding]:
    for name, curve in curves.items():
        high, low = max(curve, key=lambda one: one.db), min(curve, key=lambda one: one.db)
        if beyond(high.db, DEPARTS_DB, high.expanded_db):
            yield Finding("boost", f"{high.db:+.1f} dB at {hertz(high.frequency_hz)}: boost is on", CONTROLS, name)
        if beyond(-low.db, DEPARTS_DB, low.expanded_db):
            yield Finding("response", f"{low.db:+.1f} dB at {hertz(low.frequency_hz)}, in its pass-band", LOST, name)
    if apart is not None and beyond(abs(apart[2].db), APART_DB, apart[2].expanded_db):
        one, other, worst = apart
        sentence = f"response of {one} {worst.db:+.1f} dB beside that of {other} at {hertz(worst.frequency_hz)}"
        yield Finding("channels unlike", sentence, UNLIKE, one)


def _row(found: SmallTones, curves: dict[str, list[Ratio]]) -> dict[str, Any]:
    return {
        "reference_hz": found.reference_hz,
        "power_w": found.power_w,
        "channels": {
            name: [
                {
                    "frequency_hz": one.frequency_hz,
                    "level_vrms": found.levels_vrms[one.frequency_hz],
                    "db": one.db,
                    "expanded_db": one.expanded_db,
                }
                for one in curve
            ]
            for name, curve in curves.items()
        },
    }
