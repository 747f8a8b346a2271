"""`idle_current`: what the whole unit draws from the supply without signal: the mean of ten meter windows.

It is the current into the unit, converter and fan included, not that of its output devices. Pure.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator
from dataclasses import dataclass, field

from sequencer.measurements.requests import BenchReading, ReadBench, Reply, Request, Rest
from sequencer.measurements.values import Finding, Value, ValueJob, Values, ValueTalk, expanded, near, scatter

WINDOWS, PAUSE_S = 10, 0.5
EVERY_S = 10.0  # while it warms up
WARM_FROM_S, WARM_AT_MOST_S = 600.0, 2700.0  # 10 to 45 min (common practice, no source)
STEADY_PCT_PER_MIN, STEADY_MIN = 2.0, 3  # slope in each of the last minutes (common practice, no source)
HIGH_FACTOR = 1.5  # of the window's upper end (common practice, no source)
RISE_PCT, RISE_WITHIN_S = 20.0, 60.0  # common practice, no source
RISE_LEAST_A = 0.02  # less is a meter's own noise (our own judgement)
SMOOTHED = 3  # readings to a mean before it is held against a limit: one odd reading is no runaway
NOT_JUDGED = "recorded, not judged: the unit's file gives no window"
METER_NOTE = "uncertainty: of repeat readings; the meter's own is not declared"
LOOK = "Look for a bias set too high, a shorted device, an oscillation; do not leave it powered"


@dataclass
class _Watch:
    """Readings as they come: (s since the first, A), and what ended them before their time."""

    job: ValueJob
    readings: list[tuple[float, float]] = field(default_factory=list)
    first_ns: int | None = None
    trip: str | None = None
    findings: list[Finding] = field(default_factory=list)
    no_drive: str | None = None

    @property
    def ended(self) -> bool:
        return self.trip is not None or self.no_drive is not None

    @property
    def at_s(self) -> float:
        return self.readings[-1][0] if self.readings else 0.0

    def hear(self, reading: BenchReading) -> None:
        if self.first_ns is None:
            self.first_ns = reading.at_ns
        self.readings.append(((reading.at_ns - self.first_ns) / 1e9, reading.supply_a))
        if reading.supply_tripped:
            self.trip = f"supply tripped ({reading.supply_tripped.replace('_', ' ')}) without signal"
        elif (rise := rising_pct(self.readings)) is not None:
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


def idle_current(job: ValueJob) -> ValueTalk:
    """One value, judged against the unit's window where its file gives one; `wait` = "warm": once it has settled.

    Far above the window: told, and the unit is not driven. Rising by more than 20 % in a minute: a trip.
    """
    watch = _Watch(job)
    yield Rest(job.rest_s)
    warm_s = (yield from _until_warm(watch)) if job.point.wait == "warm" else None
    counted = len(watch.readings)
    if not watch.ended:
        yield from _read(watch, WINDOWS, PAUSE_S)
    amps = [a for _, a in watch.readings[counted:]] or [a for _, a in watch.readings[-SMOOTHED:]]
    settled = job.point.wait == "cold" or warm_s is not None
    if not settled and not watch.ended:
        watch.findings.append(_unsettled(watch))
    values = [_value(job, amps, settled and not watch.trip), *_warming(job, warm_s, watch)]
    return Values(tuple(values), tuple(watch.findings), no_drive=watch.no_drive, trip=watch.trip)


def _read(watch: _Watch, count: int, every_s: float) -> Generator[Request, Reply, None]:
    for _ in range(count):
        reply = yield ReadBench()
        assert isinstance(reply, BenchReading)
        watch.hear(reply)
        if watch.ended:
            return
        yield Rest(every_s)


def _until_warm(watch: _Watch) -> Generator[Request, Reply, float | None]:
    """Seconds until it was warm; None where it never was, or was ended."""
    while not watch.ended and watch.at_s < WARM_AT_MOST_S:
        yield from _read(watch, 1, EVERY_S)
        if watch.at_s >= WARM_FROM_S and is_steady(watch.readings):
            return watch.at_s
    return None


def is_steady(readings: list[tuple[float, float]]) -> bool:
    """In each of the last three minutes the slope is below 2 % a minute. readings: (s, A), rising."""
    end_s = readings[-1][0]
    if end_s - readings[0][0] < 60.0 * STEADY_MIN:
        return False
    minutes = [[r for r in readings if end_s - 60.0 * (n + 1) <= r[0] <= end_s - 60.0 * n] for n in range(STEADY_MIN)]
    return all(abs(slope_pct_per_min(minute)) < STEADY_PCT_PER_MIN for minute in minutes)


def slope_pct_per_min(readings: list[tuple[float, float]]) -> float:
    """Least-squares slope over the mean, % a minute; infinite where two readings do not make a line."""
    if len(readings) < 2:
        return float("inf")
    mid_s, mean_a = _mean([t for t, _ in readings]), _mean([a for _, a in readings])
    spread = sum((t - mid_s) ** 2 for t, _ in readings)
    if spread <= 0.0 or mean_a <= 0.0:
        return float("inf")
    return 6000.0 * sum((t - mid_s) * (a - mean_a) for t, a in readings) / spread / mean_a


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


def _value(job: ValueJob, amps: list[float], judge_it: bool) -> Value:
    mean_a = _mean(amps)
    expanded_a, factor = expanded([scatter(amps, "repeatability")]) if len(amps) > 1 else (None, None)
    judgement, reason = _judged(mean_a, expanded_a, job.expected.idle_window_a, judge_it)
    return Value(
        name=f"idle current, {job.point.wait}",
        value=mean_a,
        unit="A",
        expanded_uncertainty=expanded_a,
        coverage_factor=factor,
        judgement=judgement,
        reason=f"{reason}; {METER_NOTE}",
    )


def _judged(
    amps: float, expanded_a: float | None, window: tuple[float, float] | None, judge_it: bool
) -> tuple[str | None, str]:
    if window is None:
        return None, NOT_JUDGED
    if not judge_it:
        return None, "recorded, not judged: it had not settled"
    low, high = window
    nearest = min(window, key=lambda edge: abs(amps - edge))
    return "within" if low <= amps <= high else "outside", f"{low:g} to {high:g} A{near(amps, nearest, expanded_a)}"


def _warming(job: ValueJob, warm_s: float | None, watch: _Watch) -> list[Value]:
    if job.point.wait == "cold":
        return []
    reason = None if warm_s is not None else f"not settled after {watch.at_s / 60.0:.0f} min"
    return [Value("idle current, time until settled", warm_s, "s", reason=reason)]


def _unsettled(watch: _Watch) -> Finding:
    last = [r for r in watch.readings if r[0] >= watch.at_s - 60.0 * STEADY_MIN]
    sentence = (
        f"idle current has not settled after {watch.at_s / 60.0:.0f} min: "
        f"{slope_pct_per_min(last):+.2g} % a minute in the last three"
    )
    return Finding("idle current unsettled", sentence, "Look at the bias circuit's thermal contact and at the fan")


def _mean(values: list[float]) -> float:
    return sum(values) / len(values)
