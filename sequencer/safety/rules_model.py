"""What a rule of safety knows, and what it says when a limit is passed. Pure data."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from sequencer.analysis.records import Record, Volts
from sequencer.measurements.requests import BenchReading, Fire, Shot
from sequencer.plan.models import Bay, Bench, Unit
from sequencer.plan.refuse_points import FUSE_SHARE
from sequencer.plan.watching import Periods, periods

HARMLESS_VRMS = 1.0  # at the output: below it no rule takes a channel for driven (our own choice)
TWICE = 2  # shots in a row: the first may be a protection that a search names as its end
LASTS_S = 0.5  # from one reading to another, since one may begin within a change (our own choice)


@dataclass(frozen=True)
class Breach:
    """A trip limit was passed. name: of the rule, as in the table. value and limit: in the unit that `quantity`
    names; value is None where nothing could be read."""

    name: str
    sentence: str
    quantity: str
    value: float | None
    limit: float | None
    channel: str | None = None

    def row(self) -> dict[str, Any]:
        """As the results keep it beside the sentence."""
        return {
            "rule": self.name,
            "quantity": self.quantity,
            "value": self.value,
            "limit": self.limit,
            "channel": self.channel,
        }


@dataclass(frozen=True)
class Seen:
    """A reading that the watch took on its grid. driven: a burst was running, or may have been within the last 0.3 s.
    fresh_s: age of the reading."""

    reading: BenchReading
    driven: bool
    fresh_s: float


@dataclass(frozen=True)
class Scope:
    """What the rules are held against."""

    unit: Unit
    bench: Bench
    bay: Bay
    measurement: str
    periods: Periods

    @classmethod
    def of(cls, unit: Unit, bench: Bench, bay: Bay, measurement: str) -> Scope:
        return cls(unit, bench, bay, measurement, periods(unit, bench))

    @cached_property
    def thermometers(self) -> tuple[str, ...]:
        """Channels of the unit whose heat sink is seen: a bay may have more thermometers than the unit channels."""
        return tuple(name for name in self.unit.channel_names() if name in self.bay.thermometer)

    @cached_property
    def current_limit(self) -> tuple[float, str]:
        """The least of what unit, fuses and bench allow, A, and whose it is."""
        unit, bench = self.unit, self.bench
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

    def inputs(self, shot: Shot) -> dict[str, str]:
        """Channel -> digitiser input, for the channels whose output is in this shot's records.

        The legs of a bridged output stand at half the rail by design, and are left out.
        """
        wired = {name: self.bench.input_for(f"output {name}") for name in self.unit.channel_names()}
        return {name: wire for name, wire in wired.items() if wire is not None and wire in shot.records}


@dataclass
class Lasting:
    """Since when something has been so, by readings without signal; None: it is not."""

    since_ns: int | None = None

    def note(self, at_ns: int, *, so: bool) -> bool:
        """Whether it has lasted by now."""
        if not so:
            self.since_ns = None
            return False
        if self.since_ns is None:
            self.since_ns = at_ns
        return at_ns - self.since_ns >= LASTS_S * 1e9


def within(record: Record, from_s: float, until_s: float) -> Volts:
    """The samples from one instant to another, both included."""
    first = math.ceil((from_s - record.start_s) / record.sample_interval_s - 1e-6)
    last = math.floor((until_s - record.start_s) / record.sample_interval_s + 1e-6)
    return record.volts[max(first, 0) : max(last + 1, 0)]


def burst_s(fire: Fire) -> float:
    """Seconds of tone."""
    return fire.cycles / fire.frequency_hz


def burst_end_ns(shot: Shot) -> int:
    """Bench clock when its tone was over."""
    return shot.fired_at_ns + round(burst_s(shot.request) * 1e9)


def is_quiet(shot: Shot) -> bool:
    """Taken for its silence: the burst in it only triggers the digitiser."""
    return shot.request.purpose == "quiet"
