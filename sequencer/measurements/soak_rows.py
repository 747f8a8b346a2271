"""A soak in the keys of the results: its values, and its curve in at most 120 entries. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sequencer.analysis.uncertainty import Part
from sequencer.measurements.heating import Heated
from sequencer.measurements.requests import BenchReading
from sequencer.measurements.soak_heat import Course, Real, Side
from sequencer.measurements.values import Value, ValueJob, expanded, scatter
from sequencer.plan.promises import NO_AMPS

CURVE_MOST = 120
K_PER_W_ASSUMED = (
    "as seen: heat is supply power less output, the converter's own loss counted in; split by the class B law and "
    "half the idle"
)
SPLIT_PCT, THERMOMETER_K = 5.0, 1.0  # half-widths of what no instrument declares (our own judgement)
NOT_DECLARED = "uncertainty: of the readings; the thermometer's own is not declared"
AFTER = "5 min after the last burst; uncertainty: of repeat readings; the meter's own is not declared"


def curve(heated: Sequence[Heated], times_s: Real) -> list[dict[str, Any]]:
    """Evenly thinned; the last reading is always there."""
    every = math.ceil(len(heated) / (CURVE_MOST - 1))
    return [_entry(h, float(t)) for n, (h, t) in enumerate(zip(heated, times_s, strict=True), start=1)
            if n == len(heated) or (n - 1) % every == 0]  # fmt: skip


def _entry(heated: Heated, at_s: float) -> dict[str, Any]:
    return {
        "at_s": round(at_s, 3),
        "heatsink_c": dict(heated.bench.heatsink_c),
        "supply_v": heated.shot.supply_v,
        "supply_a": heated.shot.supply_a,
        "power_w": dict(heated.power_w),
    }


def values(
    job: ValueJob,
    seen: Course,
    by_channel: Mapping[str, Side],
    before: Sequence[BenchReading],
    after: Sequence[BenchReading],
) -> tuple[Value, ...]:
    """Per channel: power, temperature at the end, time constant, K/W; of the unit: heat and idle current after it."""
    found = [v for c in job.channels for v in _of_channel(c.name, seen, by_channel.get(c.name))]
    found.append(Value("heat of the unit", seen.heat_w, "W", reason=K_PER_W_ASSUMED))
    found.append(_idle("idle current before", before, "before the first burst"))
    if after:
        found.append(_idle("idle current, after soak", after, AFTER))
    return tuple(found)


def _of_channel(name: str, seen: Course, side: Side | None) -> Iterator[Value]:
    yield Value("soak power", seen.output_w[name] / seen.duty, "W", name, reason="mean of the bursts' ends")
    if side is None:
        yield Value("heat sink, end", None, "degC", name, judgement="not measured", reason="no thermometer sees it")
        return
    yield Value("heat sink, end", side.end_c, "degC", name, reason=NOT_DECLARED)
    yield _time_constant(name, side)
    yield _k_per_w(name, seen, side)


def _time_constant(name: str, side: Side) -> Value:
    if side.fit is None:
        return Value("time constant", None, "s", name, judgement="not measured", reason=side.note)
    expanded_s, factor = expanded([Part("fit", side.fit.tau_u_s)])
    return Value("time constant", side.fit.tau_s, "s", name, expanded_s, factor, reason=NOT_DECLARED)


def _k_per_w(name: str, seen: Course, side: Side) -> Value:
    value = side.k_per_w
    if value is None or side.rest_c is None:
        reason = NO_AMPS if math.isnan(side.heat_w) else side.note
        return Value("K/W", None, "K/W", name, judgement="not measured", reason=reason)
    rise_k = max(abs(side.rest_c - side.ambient_c), 0.1)
    parts = [
        Part("thermometer", value * THERMOMETER_K / math.sqrt(3.0) / rise_k, "rectangular"),
        Part("split", value * SPLIT_PCT / 100.0 / math.sqrt(3.0), "rectangular"),
    ]
    if side.fit is not None:
        parts.append(Part("fit", side.fit.end_u_k / side.heat_w))
    expanded_k, factor = expanded(parts)
    reason = f"{side.note}; {K_PER_W_ASSUMED}; air {seen.ambient_basis}; 1 K and 5 % allowed for thermometer and split"
    return Value("K/W", value, "K/W", name, expanded_k, factor, reason=reason)


def _idle(name: str, readings: Sequence[BenchReading], reason: str) -> Value:
    amps = [r.supply_a for r in readings]
    expanded_a, factor = expanded([scatter(amps, "repeatability")]) if len(amps) > 1 else (None, None)
    return Value(name, sum(amps) / len(amps), "A", None, expanded_a, factor, reason=reason)
