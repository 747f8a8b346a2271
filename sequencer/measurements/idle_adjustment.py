"""`idle_adjustment`: a person turns the idle-current control while the reading is told, until it lies in its window.
Pure.

The control of a stage is turned with its outputs loaded and without signal. What is far above the window ends it: a
control turned the wrong way heats a stage within seconds.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field

from sequencer.measurements.requests import (
    Answer,
    Answered,
    Ask,
    AskMeanwhile,
    BenchReading,
    ReadBench,
    Reply,
    Request,
    Rest,
    Tell,
)
from sequencer.measurements.values import Finding, Value, ValueJob, Values, ValueTalk, expanded, scatter

EVERY_S = 1.0
TOLD_EVERY_S, TOLD_PART = 10.0, 0.02  # of the window's upper end: what changed by less is told every 10 s
HIGH_FACTOR, SMOOTHED = 1.5, 3  # as idle_current has them (common practice, no source)
READ, READ_EVERY_S = 10, 0.5
YES, NO, DONE = "yes", "no", "done"
NO_WINDOW = "the unit's file gives no window to set it to: add [idle_current] window_a"
NOBODY = "a person must turn the control; nobody was there"
NOT_DONE = "nobody said that it was done"
ACTION = "Set it again once the heat sinks are warm and settled, then measure idle_current"
WAYS = {"low": "below: turn it up", "high": "above: turn it down", "within": "within"}


@dataclass
class _Turning:
    """Readings as they come, A; told_a, told_ns: last told."""

    window: tuple[float, float]
    amps: list[float] = field(default_factory=list)
    told_a: float | None = None
    told_ns: int = 0

    def hear(self, reading: BenchReading) -> str | None:
        """A sentence where it is worth one."""
        self.amps.append(reading.supply_a)
        changed = self.told_a is None or abs(reading.supply_a - self.told_a) > TOLD_PART * self.window[1]
        if not changed and reading.at_ns - self.told_ns < TOLD_EVERY_S * 1e9:
            return None
        self.told_a, self.told_ns = reading.supply_a, reading.at_ns
        return f"idle current {reading.supply_a:.3f} A, window {self.window[0]:g} to {self.window[1]:g} A: {self.way}"

    @property
    def way(self) -> str:
        low, high = self.window
        now = self.amps[-1]
        return WAYS["low" if now < low else "high" if now > high else "within"]

    @property
    def far_above(self) -> float | None:
        """The mean of the last readings where it is too much, A."""
        last = self.amps[-SMOOTHED:]
        mean = sum(last) / len(last)
        return mean if len(last) == SMOOTHED and mean > HIGH_FACTOR * self.window[1] else None


def idle_adjustment(job: ValueJob) -> ValueTalk:
    """Idle current before and after, judged against the window."""
    window = job.expected.idle_window_a
    if window is None:
        return Values(reason=NO_WINDOW)
    serial = job.around.unit.serial
    yield Rest(job.rest_s)
    reply = yield Ask(
        f"Unit {serial} is on, without signal. Will you turn its idle-current control now?", (YES, NO), NO
    )
    assert isinstance(reply, Answer)
    if reply.choice != YES:
        return Values(reason=NOBODY)
    before = yield from _read()
    turning = _Turning(window)
    answer = yield from _turned(turning)
    if isinstance(answer, float):
        words = f"idle current {answer:.3g} A while its control was turned, above {HIGH_FACTOR:g} x {window[1]:g} A"
        return Values((_value("before", before, None),), trip=words, trip_rule="supply current without signal")
    after = yield from _read()
    judged = _value("after", after, window)
    findings = () if judged.judgement == "within" else (_outside(judged, window),)
    reason = None if answer.choice == DONE else NOT_DONE
    return Values((_value("before", before, None), judged), findings, reason=reason)


def _turned(turning: _Turning) -> Generator[Request, Reply, Answer | float]:
    """Until a person says so; the current where it grew too large, A."""
    low, high = turning.window
    question = f"Turn the control slowly until the reading lies within {low:g} to {high:g} A, then say so."
    yield AskMeanwhile(question, (DONE, NO), NO)
    while True:
        reading = yield ReadBench()
        assert isinstance(reading, BenchReading)
        if (line := turning.hear(reading)) is not None:
            yield Tell(line)
        if (too_much := turning.far_above) is not None:
            return too_much
        answer = yield Answered()
        if isinstance(answer, Answer):
            return answer
        yield Rest(EVERY_S)


def _read() -> Generator[Request, Reply, list[float]]:
    amps = []
    for _ in range(READ):
        reading = yield ReadBench()
        assert isinstance(reading, BenchReading)
        amps.append(reading.supply_a)
        yield Rest(READ_EVERY_S)
    return amps


def _value(when: str, amps: list[float], window: tuple[float, float] | None) -> Value:
    mean_a = sum(amps) / len(amps)
    expanded_a, factor = expanded([scatter(amps, "repeatability")])
    judgement = None if window is None else "within" if window[0] <= mean_a <= window[1] else "outside"
    reason = None if window is None else f"{window[0]:g} to {window[1]:g} A"
    name = f"idle current, {when} adjusting"
    low, high = window or (None, None)
    return Value(name, mean_a, "A", None, expanded_a, factor, judgement, reason, low=low, high=high)


def _outside(value: Value, window: tuple[float, float]) -> Finding:
    sentence = f"idle current {value.value:.3g} A after adjusting, window {window[0]:g} to {window[1]:g} A"
    return Finding("idle current not set", sentence, ACTION)
