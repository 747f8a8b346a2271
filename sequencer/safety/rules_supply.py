"""The unit's supply: amps, volts, its own protection. Pure. What it shows without signal is in rules_idle."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from sequencer.measurements.requests import BenchReading, SetSupply, Shot
from sequencer.safety.rules_idle import IdleRules
from sequencer.safety.rules_model import Breach, Lasting, Scope, Seen, burst_end_ns, is_quiet

VOLTS_AWAY_PCT = 5.0
ABOVE_RANGE_PCT = 2.0  # of the unit's most: a supply set to it, and its meter, may differ by that (our own judgement)
GONE_PART = 0.5  # of the volts set: no sag of a healthy supply, at whatever amps
SILENT_FOR_S = 0.5  # after a burst: its meter window is over, and what a converter draws later too
RAIL_PERCENTILE = 95.0  # of a record of the rail: ringing at a burst's ends is no rail pumped up
RAIL_RANGE_PCT = 2.0  # of the range, beside what the bench says of the input (our own judgement)
# These look at the undriven unit themselves: what they find is a finding, and the unit is not driven.
JUDGE_THEMSELVES = frozenset({"first_power", "idle_current", "idle_adjustment", "bench_check", "output_offset"})
RAISES_IT = "first_power"  # steps of volts are what it does
JUDGE_THE_INPUTS = frozenset({"first_power", "bench_check"})  # a probe at the wrong factor is a finding
TELL_A_TRIP_THEMSELVES = frozenset({"first_power", "idle_current"})  # in words of their own


@dataclass
class SupplyRules:
    """What was set and what was seen; lives as long as the unit is powered."""

    set_v: float | None = None  # None: off, or never heard of
    settled: bool = False  # seen within its bounds since it was set
    away: Lasting = field(default_factory=Lasting)
    idle: IdleRules = field(default_factory=IdleRules)
    burst_over_ns: int = 0

    def set(self, request: SetSupply) -> None:
        self.set_v, self.settled, self.away = (request.volts if request.on else None), False, Lasting()

    def hear_shot(self, scope: Scope, shot: Shot) -> Breach | None:
        quiet, end_ns = is_quiet(shot), burst_end_ns(shot)
        if not quiet:
            self.idle.drive()
        self.burst_over_ns = max(self.burst_over_ns, end_ns)
        seen = BenchReading(shot.supply_v, shot.supply_a, shot.supply_limited, shot.supply_tripped, at_ns=end_ns)
        found = next(self._breaches(scope, seen, silent=quiet), None)
        return found or next(self._rail(scope, shot), None)

    def hear(self, scope: Scope, reading: BenchReading) -> Breach | None:
        silent = reading.at_ns - self.burst_over_ns >= SILENT_FOR_S * 1e9
        return next(self._breaches(scope, reading, silent=silent), None)

    def watch(self, scope: Scope, seen: Seen) -> Breach | None:
        """A burst is heard of when its record is there: until then the watch knows better."""
        if seen.driven:
            self.burst_over_ns = max(self.burst_over_ns, seen.reading.at_ns)
            self.idle.settle()
        return self.hear(scope, seen.reading)

    def _breaches(self, scope: Scope, seen: BenchReading, *, silent: bool) -> Iterator[Breach]:
        if scope.measurement not in TELL_A_TRIP_THEMSELVES:
            yield from _tripped(seen)
        yield from _over_current(scope, seen)
        if silent and scope.measurement not in JUDGE_THEMSELVES and not _unread(scope, seen.supply_a):
            yield from self.idle.hear(scope, seen)
        yield from self._high(scope, seen.supply_v, slack_pct=0.0)
        if scope.measurement != RAISES_IT and not _unread(scope, seen.supply_v):
            yield from self._volts(scope, seen, silent=silent)

    def _high(self, scope: Scope, volts: float, *, slack_pct: float) -> Iterator[Breach]:
        """Above what is set only once it was there: a supply without load takes its time to come down."""
        most_v = scope.unit.supply_v.max * (1.0 + ABOVE_RANGE_PCT / 100.0)
        regulated = scope.bench.supply_kind == "regulated"
        if self.set_v is not None and self.settled and regulated:
            most_v = min(most_v, self.set_v * (1.0 + VOLTS_AWAY_PCT / 100.0))
        most_v *= 1.0 + slack_pct / 100.0
        if volts > most_v:
            words = f"supply at {volts:.4g} V, above {most_v:.4g} V"
            yield Breach("supply volts high", words, "supply volts, V", volts, most_v)

    def _rail(self, scope: Scope, shot: Shot) -> Iterator[Breach]:
        """At the unit's terminals within a burst: a half-bridge can pump a rail that no supply takes back."""
        name = scope.bench.input_for("rail")
        record = shot.records.get(name) if name is not None else None
        if name is None or record is None or record.overloaded or scope.measurement in JUDGE_THE_INPUTS:
            return
        slack_pct = RAIL_RANGE_PCT
        if name in scope.bench.input:
            slack_pct += scope.bench.input[name].gain_uncertainty_pct
        yield from self._high(scope, float(np.percentile(record.volts, RAIL_PERCENTILE)), slack_pct=slack_pct)

    def _volts(self, scope: Scope, seen: BenchReading, *, silent: bool) -> Iterator[Breach]:
        """In current limit the volts follow the load: that has a rule and a stop of its own."""
        if self.set_v is None or scope.bench.supply_kind != "regulated" or seen.supply_limited:
            return
        away_pct = 100.0 * abs(seen.supply_v - self.set_v) / self.set_v
        if away_pct <= VOLTS_AWAY_PCT:
            self.settled, self.away = True, Lasting()
            return
        gone = seen.supply_v < GONE_PART * self.set_v
        if not (silent or gone):
            return
        if self.away.note(seen.at_ns, so=True) or (gone and self.settled):
            limit_v = self.set_v * (1.0 + (VOLTS_AWAY_PCT if seen.supply_v > self.set_v else -VOLTS_AWAY_PCT) / 100.0)
            words = f"the supply shows {seen.supply_v:.3g} V where {self.set_v:g} V is set and on"
            yield Breach("supply volts", words, "supply volts, V", seen.supply_v, limit_v)


def _unread(scope: Scope, value: float) -> bool:
    """Where a person works the supply: told as not promised, and no reason to trip."""
    return "supply" in scope.bench.by_hand and math.isnan(value)


def _over_current(scope: Scope, seen: BenchReading) -> Iterator[Breach]:
    limit_a, whose = scope.current_limit
    if seen.supply_a > limit_a:
        words = f"supply current {seen.supply_a:.3g} A, above {limit_a:g} A ({whose})"
        yield Breach("supply current", words, "supply current, A", seen.supply_a, limit_a)


def _tripped(seen: BenchReading) -> Iterator[Breach]:
    if seen.supply_tripped:
        words = f"the supply has tripped: {seen.supply_tripped.replace('_', ' ')}, at {seen.supply_v:.3g} V"
        yield Breach("supply tripped", words, "supply volts, V", seen.supply_v, None)
