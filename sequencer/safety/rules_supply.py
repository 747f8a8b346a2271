"""The unit's supply: amps, volts, current limit, its own protection. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from sequencer.measurements.requests import BenchReading, SetSupply, Shot
from sequencer.plan.refuse_points import FUSE_SHARE
from sequencer.safety.rules_model import Breach, Scope, burst_end_ns, is_quiet

IDLE_FACTOR = 1.5  # of the window's upper end (common practice, no source)
VOLTS_AWAY_PCT = 5.0
GONE_PART = 0.5  # of the volts set: no sag of a healthy supply, at whatever amps
SILENT_FOR_S = 0.5  # after a burst: its meter window is over, and what a converter draws later too
TWICE = 2  # readings in a row: one may begin within a change
# These look at the undriven unit themselves: what they find is a finding, and the unit is not driven.
JUDGE_THEMSELVES = frozenset({"first_power", "idle_current", "bench_check", "output_offset"})

TELL_A_TRIP_THEMSELVES = frozenset({"first_power", "idle_current"})  # in words of their own


@dataclass
class SupplyWatch:
    """What was set and what was seen; lives as long as the unit is powered."""

    set_v: float | None = None  # None: off, or never heard of
    settled: bool = False  # seen within its bounds since it was set
    away: int = 0
    idle_high: int = 0
    limited_in_silence: int = 0
    driven: bool = False  # in this point
    burst_over_ns: int = 0

    def set(self, request: SetSupply) -> None:
        self.set_v, self.settled, self.away = (request.volts if request.on else None), False, 0

    def begin(self) -> None:
        """A new measurement: what only counts within one begins anew."""
        self.driven, self.idle_high, self.limited_in_silence = False, 0, 0

    def hear_shot(self, scope: Scope, shot: Shot) -> Breach | None:
        quiet = is_quiet(shot)
        self.driven |= not quiet
        self.burst_over_ns = max(self.burst_over_ns, burst_end_ns(shot))
        seen = BenchReading(shot.supply_v, shot.supply_a, shot.supply_limited, shot.supply_tripped)
        return next(self._breaches(scope, seen, silent=quiet), None)

    def hear(self, scope: Scope, reading: BenchReading) -> Breach | None:
        silent = reading.at_ns - self.burst_over_ns >= SILENT_FOR_S * 1e9
        return next(self._breaches(scope, reading, silent=silent), None)

    def _breaches(self, scope: Scope, seen: BenchReading, *, silent: bool) -> Iterator[Breach]:
        if scope.measurement not in TELL_A_TRIP_THEMSELVES:
            yield from _tripped(seen)
        yield from _over_current(scope, seen)
        if silent and scope.measurement not in JUDGE_THEMSELVES:
            yield from self._idle(scope, seen)
            yield from self._limited(seen)
        if scope.measurement != "first_power":
            yield from self._volts(scope, seen, silent=silent)

    def _idle(self, scope: Scope, seen: BenchReading) -> Iterator[Breach]:
        """Only once the unit was driven: before that it is a finding, not a trip."""
        window = scope.unit.idle_current.window_a
        if window is None or not self.driven:
            return
        limit_a = IDLE_FACTOR * window[1]
        self.idle_high = self.idle_high + 1 if seen.supply_a > limit_a else 0
        if self.idle_high >= TWICE:
            words = (
                f"supply current without signal {seen.supply_a:.3g} A, above {IDLE_FACTOR:g} x the idle window's "
                f"{window[1]:g} A"
            )
            yield Breach("supply current without signal", words, "supply current, A", seen.supply_a, limit_a)

    def _limited(self, seen: BenchReading) -> Iterator[Breach]:
        self.limited_in_silence = self.limited_in_silence + 1 if seen.supply_limited else 0
        if self.limited_in_silence >= TWICE:
            words = f"the supply is in current limit without signal, at {seen.supply_a:.3g} A"
            yield Breach("current limit without signal", words, "supply current, A", seen.supply_a, None)

    def _volts(self, scope: Scope, seen: BenchReading, *, silent: bool) -> Iterator[Breach]:
        """In current limit the volts follow the load: that has a rule and a stop of its own."""
        if self.set_v is None or scope.bench.supply_kind != "regulated" or seen.supply_limited:
            return
        away_pct = 100.0 * abs(seen.supply_v - self.set_v) / self.set_v
        gone = seen.supply_v < GONE_PART * self.set_v
        if away_pct <= VOLTS_AWAY_PCT:
            self.settled, self.away = True, 0
            return
        if not (silent or gone):
            return
        self.away += 1
        if self.away >= TWICE or (gone and self.settled):
            limit_v = self.set_v * (1.0 + (VOLTS_AWAY_PCT if seen.supply_v > self.set_v else -VOLTS_AWAY_PCT) / 100.0)
            words = f"the supply shows {seen.supply_v:.3g} V where {self.set_v:g} V is set and on"
            yield Breach("supply volts", words, "supply volts, V", seen.supply_v, limit_v)


def current_limit_a(scope: Scope) -> tuple[float, str]:
    """The least of what unit, fuses and bench allow, A, and whose it is."""
    unit, bench = scope.unit, scope.bench
    lead = bench.lead.get("supply")
    fuses = {
        "the unit's fuse": unit.supply_fuse_a,
        "the bench's fuse": bench.hardware.supply_fuse_a,
        "the supply lead's fuse": lead.fuse_a if lead else None,
    }
    known = {f"{FUSE_SHARE:g} x {name}": FUSE_SHARE * amps for name, amps in fuses.items() if amps is not None}
    known |= {"the unit's supply_a_max": unit.supply_a_max, "the bench's ceiling": bench.ceiling.supply_a}
    words = min(known, key=lambda name: known[name])
    return known[words], words


def _over_current(scope: Scope, seen: BenchReading) -> Iterator[Breach]:
    limit_a, whose = current_limit_a(scope)
    if seen.supply_a > limit_a:
        words = f"supply current {seen.supply_a:.3g} A, above {limit_a:g} A ({whose})"
        yield Breach("supply current", words, "supply current, A", seen.supply_a, limit_a)


def _tripped(seen: BenchReading) -> Iterator[Breach]:
    if seen.supply_tripped:
        words = f"the supply has tripped: {seen.supply_tripped.replace('_', ' ')}, at {seen.supply_v:.3g} V"
        yield Breach("supply tripped", words, "supply volts, V", seen.supply_v, None)
