"""What a unit draws without signal: above its window, running away, or as much as the supply allows. Pure."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field

from sequencer.measurements.requests import BenchReading
from sequencer.safety.rules_model import Breach, Lasting, Scope

IDLE_FACTOR = 1.5  # of the window's upper end (common practice, no source)
RISE_PCT = 20.0  # common practice, no source
RISE_WITHIN_S = 60.0  # common practice, no source
RISE_LEAST_A = 0.02  # less is a meter's own noise (our own judgement)
SMOOTHED = 3  # readings to a mean: one odd reading is no runaway


@dataclass
class IdleRules:
    """Readings without signal as they come. driven: in this point. means: (ns, A) since the last signal or change."""

    driven: bool = False
    high: Lasting = field(default_factory=Lasting)
    limited: Lasting = field(default_factory=Lasting)
    last_a: deque[float] = field(default_factory=lambda: deque(maxlen=SMOOTHED))
    means: deque[tuple[int, float]] = field(default_factory=deque)

    def begin(self) -> None:
        """A new measurement: what only counts within one begins anew."""
        self.driven, self.high, self.limited = False, Lasting(), Lasting()
        self.settle()

    def drive(self) -> None:
        self.driven = True
        self.settle()

    def settle(self) -> None:
        """After a signal or a change the current finds its place anew."""
        self.last_a.clear()
        self.means.clear()

    def hear(self, scope: Scope, seen: BenchReading) -> Iterator[Breach]:
        yield from self._high(scope, seen)
        yield from self._running_away(scope, seen)
        if self.limited.note(seen.at_ns, so=seen.supply_limited):
            words = f"the supply is in current limit without signal, at {seen.supply_a:.3g} A"
            yield Breach("current limit without signal", words, "supply current, A", seen.supply_a, None)

    def _high(self, scope: Scope, seen: BenchReading) -> Iterator[Breach]:
        """Only once the unit was driven: before that it is a finding, not a trip."""
        window = scope.unit.idle_current.window_a
        if window is None or not self.driven:
            return
        limit_a = IDLE_FACTOR * window[1]
        if self.high.note(seen.at_ns, so=seen.supply_a > limit_a):
            words = (
                f"supply current without signal {seen.supply_a:.3g} A, above {IDLE_FACTOR:g} x the idle window's "
                f"{window[1]:g} A"
            )
            yield Breach("supply current without signal", words, "supply current, A", seen.supply_a, limit_a)

    def _running_away(self, scope: Scope, seen: BenchReading) -> Iterator[Breach]:
        """Within its window nothing runs away: a fan may start."""
        self.last_a.append(seen.supply_a)
        if len(self.last_a) < SMOOTHED:
            return
        now_a = sum(self.last_a) / SMOOTHED
        self.means.append((seen.at_ns, now_a))
        while seen.at_ns - self.means[0][0] > RISE_WITHIN_S * 1e9:
            self.means.popleft()
        least_a = min(amps for _, amps in self.means)
        window = scope.unit.idle_current.window_a
        limit_a = max(least_a + max(RISE_PCT / 100.0 * least_a, RISE_LEAST_A), window[1] if window else 0.0)
        if now_a > limit_a:
            words = (
                f"supply current without signal rose from {least_a:.3g} to {now_a:.3g} A within {RISE_WITHIN_S:g} s: "
                "running away"
            )
            yield Breach("supply current running away", words, "supply current, A", now_a, limit_a)
