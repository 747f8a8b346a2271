"""Watches the current that a unit draws without signal while time passes: runaway, current limit, settling. Pure."""

from __future__ import annotations

import math
from collections.abc import Generator, Iterator
from dataclasses import dataclass, field

import numpy as np

from sequencer.analysis.line import fit_line
from sequencer.measurements.requests import BenchReading, ReadBench, Reply, Request, Rest
from sequencer.measurements.values import Finding, ValueJob

EVERY_S = 10.0  # while it warms up
WARM_FROM_S, WARM_AT_MOST_S = 600.0, 2700.0  # 10 to 45 min (common practice, no source)
STEADY_PCT_PER_MIN, STEADY_MIN = 2.0, 3  # slope in each of the last minutes (common practice, no source)
SETTLED_K = 1.0  # in STEADY_MIN, where nothing reads the current (our own judgement)
HIGH_FACTOR = 1.5  # of the window's upper end (common practice, no source)
RISE_PCT, RISE_WITHIN_S = 20.0, 60.0  # common practice, no source
RISE_LEAST_A = 0.02  # less is a meter's own noise (our own judgement)
SMOOTHED = 3  # readings to a mean before it is held against a limit: one odd reading is no runaway
LOOK = "Look for a bias set too high, a shorted device, an oscillation; do not leave it powered"


@dataclass
class IdleWatch:
    """Readings as they come: (s since the first, A), and what ended them before their time."""

    job: ValueJob
    readings: list[tuple[float, float]] = field(default_factory=list)
    first_ns: int | None = None
    last: BenchReading | None = None
    trip: str | None = None
    trip_rule: str | None = None
    findings: list[Finding] = field(default_factory=list)
    no_drive: str | None = None
    hottest: list[tuple[float, float]] = field(default_factory=list)  # (s since the first, degC)

    @property
    def ended(self) -> bool:
        return self.trip is not None or self.no_drive is not None

    @property
    def at_s(self) -> float:
        return self.readings[-1][0] if self.readings else 0.0

    def hear(self, reading: BenchReading) -> None:
        if self.first_ns is None:
            self.first_ns = reading.at_ns
        self.last = reading
        self.readings.append(((reading.at_ns - self.first_ns) / 1e9, reading.supply_a))
        if reading.heatsink_c:
            self.hottest.append((self.at_s, max(reading.heatsink_c.values())))
        if math.isnan(reading.supply_a):  # nothing reads the supply
            return
        if reading.supply_tripped:
            self.trip_rule = "supply tripped"
            self.trip = f"supply tripped ({reading.supply_tripped.replace('_', ' ')}) without signal"
        elif (rise := rising_pct(self.readings)) is not None:
            self.trip_rule = "supply current running away"
            self.trip = f"idle current rose by {rise:.0f} % within {RISE_WITHIN_S:g} s, without signal"
        elif reading.supply_limited:
            self._undriven(f"the supply is in current limit without signal, at {reading.supply_a:.3g} A")
        else:
            self._hold_against_window()

    def _hold_against_window(self) -> None:
        window = self.job.expected.idle_window_a
        if window is None or len(self.readings) < SMOOTHED:
            return
        amps, most_a = _mean([a for _, a in self.readings[-SMOOTHED:]]), HIGH_FACTOR * window[1]
        if amps > most_a:
            self._undriven(f"idle current {amps:.3g} A, above {HIGH_FACTOR:g} x the window's {window[1]:g} A")

    def _undriven(self, sentence: str) -> None:
        self.findings.append(Finding("no drive", f"{sentence}: the unit is not driven", LOOK))
        self.no_drive = f"not driven: {sentence}"


def watched(watch: IdleWatch, count: int, every_s: float) -> Generator[Request, Reply, None]:
    """So many readings with a pause after each, or fewer where the watch was ended."""
    for _ in range(count):
        reply = yield ReadBench()
        assert isinstance(reply, BenchReading)
        watch.hear(reply)
        if watch.ended:
            return
        yield Rest(every_s)


def until_warm(watch: IdleWatch) -> Generator[Request, Reply, float | None]:
    """Seconds until it was warm; None where it never was, or was ended."""
    while not watch.ended and watch.at_s < WARM_AT_MOST_S:
        yield from watched(watch, 1, EVERY_S)
        unread = bool(watch.readings) and math.isnan(watch.readings[-1][1])
        settled = has_settled(watch.hottest) if unread else is_steady(watch.readings)
        if watch.at_s >= WARM_FROM_S and settled:
            return watch.at_s
    return None


def unsettled(watch: IdleWatch) -> Finding:
    """What to say of a unit that never became warm."""
    if math.isnan(watch.readings[-1][1]):
        sentence = f"heat sinks have not settled after {watch.at_s / 60.0:.0f} min; nothing reads the idle current"
        return Finding("idle current unsettled", sentence, "Read the supply's own meter for some minutes")
    last = [r for r in watch.readings if r[0] >= watch.at_s - 60.0 * STEADY_MIN]
    sentence = (
        f"idle current has not settled after {watch.at_s / 60.0:.0f} min: "
        f"{_slope_words(last)} % a minute in the last three"
    )
    return Finding("idle current unsettled", sentence, "Look at the bias circuit's thermal contact and at the fan")


def is_steady(readings: list[tuple[float, float]]) -> bool:
    """In each of the last three minutes the slope is below 2 % a minute. readings: (s, A), rising."""
    end_s = readings[-1][0]
    if end_s - readings[0][0] < 60.0 * STEADY_MIN:
        return False
    minutes = [[r for r in readings if end_s - 60.0 * (n + 1) <= r[0] <= end_s - 60.0 * n] for n in range(STEADY_MIN)]
    return all(abs(slope_pct_per_min(minute)) < STEADY_PCT_PER_MIN for minute in minutes)


def has_settled(hottest: list[tuple[float, float]]) -> bool:
    """Where nothing reads the current: within 1 K over the last three minutes. hottest: (s, degC), rising."""
    if not hottest or hottest[-1][0] - hottest[0][0] < 60.0 * STEADY_MIN:
        return False
    last = [celsius for s, celsius in hottest if s >= hottest[-1][0] - 60.0 * STEADY_MIN]
    return max(last) - min(last) < SETTLED_K


def slope_pct_per_min(readings: list[tuple[float, float]]) -> float:
    """Least-squares slope over the mean, % a minute; infinite where two readings do not make a line."""
    if len(readings) < 2:
        return float("inf")
    mid_s, mean_a = _mean([t for t, _ in readings]), _mean([a for _, a in readings])
    spread = sum((t - mid_s) ** 2 for t, _ in readings)
    if spread <= 0.0 or mean_a <= 0.0:
        return float("inf")
    return 6000.0 * sum((t - mid_s) * (a - mean_a) for t, a in readings) / spread / mean_a


def _slope_words(readings: list[tuple[float, float]]) -> str:
    """With what scatter leaves of it, where there are readings enough."""
    slope = slope_pct_per_min(readings)
    if len(readings) < SMOOTHED or not math.isfinite(slope):
        return f"{slope:+.2g}"
    line = fit_line(np.array([t for t, _ in readings]), np.array([a for _, a in readings]))
    expanded = 2.0 * 6000.0 * line.slope.s / _mean([a for _, a in readings])
    return f"{slope:+.2g} ±{expanded:.1g}"


def rising_pct(readings: list[tuple[float, float]]) -> float | None:
    """How far the newest smoothed reading lies above the least of the last minute, %, if that is a runaway."""
    smooth = list(_smoothed(readings))
    if not smooth:
        return None
    now_s, now_a = smooth[-1]
    least_a = min(a for t, a in smooth if t >= now_s - RISE_WITHIN_S)
    if now_a - least_a <= max(RISE_PCT / 100.0 * least_a, RISE_LEAST_A):
        return None
    return 100.0 * (now_a / least_a - 1.0) if least_a > 0.0 else float("inf")


def _smoothed(readings: list[tuple[float, float]]) -> Iterator[tuple[float, float]]:
    """Means of three neighbours, of the last minutes only, at the time of the last of them."""
    recent = [r for r in readings if r[0] >= readings[-1][0] - 2.0 * RISE_WITHIN_S]
    for last in range(SMOOTHED - 1, len(recent)):
        yield recent[last][0], _mean([a for _, a in recent[last - SMOOTHED + 1 : last + 1]])


def _mean(values: list[float]) -> float:
    return sum(values) / len(values)
