"""`channel_balance`: gain of each further channel less that of the first, over tones at a small power.

Both are driven by one generator, whose level and flatness so cancel; ranges and probes are each channel's own, and are
in the uncertainty of the difference. Pure.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from sequencer.analysis.uncertainty import difference
from sequencer.measurements.frequency_response import Ratio
from sequencer.measurements.gain import MISMATCH_DB, TRIM
from sequencer.measurements.small_tones import SmallTones, small_tones
from sequencer.measurements.values import Finding, Value, ValueJob, Values, ValueTalk, beyond, expanded, near
from sequencer.plan.points import hertz

ONE_CHANNEL = "a balance needs two channels"


def channel_balance(job: ValueJob) -> ValueTalk:
    """The difference at the reference tone and where it is largest; all tones stand in `balance`."""
    if len(job.channels) < 2:
        return Values(reason=ONE_CHANNEL)
    found = yield from small_tones(job)
    if found.reason is not None:
        return Values(shots=found.shots, reason=found.reason)
    first, *others = (c.name for c in job.channels)
    curves = {name: _less(found, name, first) for name in others}
    return Values(
        values=tuple(v for name, curve in curves.items() for v in _values(found, curve, name, first)),
        findings=tuple(f for name, curve in curves.items() for f in _findings(curve, name, first)),
        shots=found.shots,
        extra={"balance": _row(found, curves, first)},
    )


def _less(found: SmallTones, name: str, first: str) -> list[Ratio]:
    """Tones at which both were seen, rising."""
    pairs = [(found.at(name, hz), found.at(first, hz)) for hz in found.tones_hz()]
    return [
        Ratio(one.frequency_hz, one.gain_db - other.gain_db, difference(one.parts, other.parts))
        for one, other in pairs
        if one.gain_db is not None and other.gain_db is not None
    ]


def _values(found: SmallTones, curve: list[Ratio], name: str, first: str) -> Iterator[Value]:
    if not curve:
        reason = "no output seen above the noise"
        yield Value(f"gain less that of {first}", None, "dB", name, judgement="not measured", reason=reason)
        return
    at = next((one for one in curve if one.frequency_hz == found.reference_hz), None)
    if at is not None:
        yield _value(f"gain less that of {first}, {hertz(at.frequency_hz)}", name, at, "")
    worst = max(curve, key=lambda one: abs(one.db))
    tones = f"{hertz(curve[0].frequency_hz)} to {hertz(curve[-1].frequency_hz)}, {found.power_w:.3g} W or less"
    yield _value(f"gain less that of {first}, largest", name, worst, f"at {hertz(worst.frequency_hz)}; {tones}")


def _value(words: str, name: str, one: Ratio, reason: str) -> Value:
    expanded_db, factor = expanded(one.parts)
    inside = abs(one.db) <= MISMATCH_DB
    outside = beyond(abs(one.db), MISMATCH_DB, expanded_db)
    judgement = "within" if inside else "outside" if outside else None
    bound = f"at most {MISMATCH_DB:g} dB{near(abs(one.db), MISMATCH_DB, expanded_db)}"
    said = "; ".join(filter(None, (bound, reason)))
    return Value(words, one.db, "dB", name, expanded_db, factor, judgement, said, one.frequency_hz)


def _findings(curve: list[Ratio], name: str, first: str) -> Iterator[Finding]:
    worst = max(curve, key=lambda one: abs(one.db), default=None)
    if worst is not None and beyond(abs(worst.db), MISMATCH_DB, worst.expanded_db):
        sentence = f"gain {worst.db:+.2f} dB beside that of channel {first} at {hertz(worst.frequency_hz)}"
        yield Finding("channel mismatch", sentence, TRIM, name)


def _row(found: SmallTones, curves: dict[str, list[Ratio]], first: str) -> dict[str, Any]:
    return {
        "beside": first,
        "power_w": found.power_w,
        "channels": {
            name: [{"frequency_hz": one.frequency_hz, "db": one.db, "expanded_db": one.expanded_db} for one in curve]
            for name, curve in curves.items()
        },
    }
