"""What a soak finds: a mounting, a cooling, a thermometer that does not follow, an idle current that stays up. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from sequencer.measurements.requests import BenchReading
from sequencer.measurements.soak_heat import Course, Side
from sequencer.measurements.states import COOL_C
from sequencer.measurements.values import Finding, ValueJob

APART_K = 8.0  # common practice, no source
MODEL_FACTOR = 1.3  # of the unit's K/W (common practice, no source)
FAN_BY_C = 50.0  # by then a fan should run; below, its K/W is not to be held against a unit (our own judgement)
WORTH_K, FOLLOWS = 4.0, 0.5  # heat worth so many K must raise the reading by half of them (our own judgement)
FROZEN_K = 0.2  # a reading that moved less over the whole soak has not moved
IDLE_UP = 1.3  # five minutes after drive it must be back within 30 % (common practice, no source)
MOUNT = "Take the devices off: clean, new compound or pads, tighten to the maker's torque, measure again"
COOL = "Look at fan, fins and air path: both sides are alike, so it is not a mounting"
SENSE = "Look at the thermometer's lead and where it sits; until then nobody guards this heat sink"
BIAS = "Look at the bias circuit's thermal contact to the heat sink; measure the idle current again, cooled"


def findings(
    job: ValueJob,
    seen: Course,
    by_channel: Mapping[str, Side],
    before: Sequence[BenchReading],
    after: Sequence[BenchReading],
) -> tuple[Finding, ...]:
    """Sensors first: what one that does not follow says of its side is not judged further."""
    deaf = [name for name in by_channel if not follows(job, seen, name, by_channel[name].heat_w)]
    heard = {name: side for name, side in by_channel.items() if name not in deaf}
    found = [_deaf(seen, name) for name in deaf]
    found += _against_model(job, heard)
    if not any(f.kind == "mounting" for f in found):
        found += _apart(heard)
    return (*found, *_idle(before, after))


def _deaf(seen: Course, name: str) -> Finding:
    celsius = seen.celsius[name]
    sentence = (
        f"thermometer {name} read {celsius[0]:.1f} to {celsius[-1]:.1f} degC "
        f"while its heat sink took heat for {seen.times_s[-1] / 60.0:.0f} min"
    )
    return Finding("thermometer does not follow", sentence, SENSE, name)


def follows(job: ValueJob, seen: Course, name: str, heat_w: float) -> bool:
    """Once the added heat is worth 4 K, the reading must have risen by half of that.

    Worth: P R (1 - exp(-t/RC)) of the heat above idle, R and C as the unit's file has them (without R: P t / C).
    Only where it began cold: one that was hot may well fall. One that never moved at all is told in any case.
    """
    celsius, unit = seen.celsius[name], job.around.unit
    added_w = heat_w - seen.idle_w / len(unit.channel)
    worth_k = _worth(added_w, seen.times_s, unit.heatsink_j_per_k, unit.heatsink_k_per_w)
    enough = np.flatnonzero(worth_k >= WORTH_K)
    if not enough.size:
        return True
    if float(np.nanmax(celsius) - np.nanmin(celsius)) < FROZEN_K:
        return False
    at = int(enough[0])
    rise_k = float(np.nanmax(celsius[: at + 1])) - float(celsius[0])
    return bool(celsius[0] > COOL_C or rise_k >= FOLLOWS * float(worth_k[at]))


def _worth(added_w: float, times_s: np.ndarray, j_per_k: float, k_per_w: float | None) -> np.ndarray:
    if k_per_w is None:
        return added_w * times_s / j_per_k
    return added_w * k_per_w * -np.expm1(-times_s / (k_per_w * j_per_k))


def _against_model(job: ValueJob, heard: Mapping[str, Side]) -> Iterator[Finding]:
    model = job.around.unit.heatsink_k_per_w
    known = {name: side.k_per_w for name, side in heard.items()}
    over = {n: k for n, k in known.items() if model is not None and k is not None and k > MODEL_FACTOR * model}
    if not over or model is None:
        return
    words = ", ".join(f"{name} {k:.2f}" for name, k in sorted(over.items()))
    bound = f"{MODEL_FACTOR:g} x the model's {model:.2f} K/W"
    if len(over) == len(known) and len(known) > 1 and _alike(heard):
        if max(side.end_c for side in heard.values()) >= FAN_BY_C:
            yield Finding("cooling", f"K/W of {words}: both above {bound}", COOL)
        return
    worst = max(over, key=lambda name: over[name])
    yield Finding("mounting", f"K/W of {words}: above {bound}", MOUNT, worst)


def _alike(heard: Mapping[str, Side]) -> bool:
    return abs(_apart_k(heard)[0]) <= APART_K


def _apart_k(heard: Mapping[str, Side]) -> tuple[float, str, str]:
    """(K, hotter, cooler): apart by so much at the same heat in both, the mean of what they took."""
    k_per_w = {name: side.end_k_per_w for name, side in heard.items()}
    hot, cool = max(k_per_w, key=lambda n: k_per_w[n]), min(k_per_w, key=lambda n: k_per_w[n])
    mean_w = sum(side.heat_w for side in heard.values()) / len(heard)
    return (k_per_w[hot] - k_per_w[cool]) * mean_w, hot, cool


def _apart(heard: Mapping[str, Side]) -> Iterator[Finding]:
    if len(heard) < 2:
        return
    apart_k, hot, cool = _apart_k(heard)
    if apart_k > APART_K:
        sentence = (
            f"heat sink {hot} at {heard[hot].end_c:.1f} degC, {cool} at {heard[cool].end_c:.1f}: "
            f"{apart_k:.1f} K apart at the same heat, above {APART_K:g} K"
        )
        yield Finding("mounting", sentence, MOUNT, hot)


def _idle(before: Sequence[BenchReading], after: Sequence[BenchReading]) -> Iterator[Finding]:
    if not before or not after:
        return
    was_a, is_a = _mean_a(before), _mean_a(after)
    if was_a > 0.0 and is_a > IDLE_UP * was_a and math.isfinite(is_a):
        sentence = (
            f"idle current {is_a:.3g} A five minutes after the soak, {was_a:.3g} A before it: "
            f"up by {100.0 * (is_a / was_a - 1.0):.0f} %, above 30 %"
        )
        yield Finding("idle current after heat", sentence, BIAS)


def _mean_a(readings: Sequence[BenchReading]) -> float:
    return sum(r.supply_a for r in readings) / len(readings)
