"""The loads: no thermometer sees them, so their temperature is worked out from the joules put in. Pure.

A body of j_per_k on its K/W to the air, x' = P / C - x / tau, solved over each burst. At its continuous watts it just
comes to the trip limit. Where the bench's file gives no J/K, its burst_j takes the body from the room to 90 degC: then
the hardest plan that `check` lets pass, burst_j again and again at half of continuous_w, comes to 112 degC.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from sequencer.measurements.requests import Connect, Shot
from sequencer.plan.models import Load
from sequencer.safety.rules_model import Breach, Scope, burst_end_ns, burst_s

ROOM_C = 25.0
WARM_C, TRIP_C = 90.0, 120.0  # of the body (common practice, no source)
Rises = dict[tuple[str, str], tuple[float, int]]  # by load and channel: K above the room, and when, bench clock in ns
BURST_OVER = 1.1  # of the joules allowed: two gain errors of a digitiser, and a file's ohms (our own judgement)


@dataclass(frozen=True)
class Body:
    """One channel's resistors. tau_s: time constant."""

    k_per_w: float
    tau_s: float

    @classmethod
    def of(cls, load: Load) -> Body:
        j_per_k = load.burst_j / (WARM_C - ROOM_C) if load.j_per_k is None else load.j_per_k
        k_per_w = (TRIP_C - ROOM_C) / load.continuous_w
        return cls(k_per_w, k_per_w * j_per_k)

    def after(self, rise_k: float, power_w: float, seconds: float) -> float:
        """Rise above the room after so long at that power."""
        left = math.exp(-seconds / self.tau_s)
        return rise_k * left + self.k_per_w * power_w * (1.0 - left)


@dataclass
class LoadRules:
    """What is connected, and how far each body stands above the room. It outlives a unit: the loads are the bench's.

    kept: the same as the disk has it, at most, for whoever comes after this process.
    """

    load: str | None = None
    channels: tuple[str, ...] = ()
    rises: Rises = field(default_factory=Rises)
    kept: Rises = field(default_factory=Rises)

    def connect(self, request: Connect) -> None:
        self.load, self.channels = request.load, request.channels

    def hear(self, scope: Scope, shot: Shot) -> Breach | None:
        if self.load is None:
            return None
        load = scope.bench.load[self.load]
        joules = _joules(scope, shot, self.channels, load.ohm)
        for name, energy_j in joules.items():
            celsius = ROOM_C + self._rise(self.load, name, Body.of(load), shot, energy_j)
            if (found := next(_breaches(scope, self.load, name, energy_j, celsius), None)) is not None:
                return found
        return None

    def rise_k(self, name: str, body: Body, at_ns: int) -> float:
        """Of the load that is connected, above the room at that time if nothing heats it meanwhile."""
        return 0.0 if self.load is None else _cooled_k(self.rises, (self.load, name), body, at_ns)

    def kept_k(self, name: str, body: Body, at_ns: int) -> float:
        """The same, as the disk has it."""
        return 0.0 if self.load is None else _cooled_k(self.kept, (self.load, name), body, at_ns)

    def _rise(self, label: str, name: str, body: Body, shot: Shot, energy_j: float) -> float:
        """Cooled until the burst began, then heated to its end."""
        cooled_k = _cooled_k(self.rises, (label, name), body, shot.fired_at_ns)
        length_s = burst_s(shot.request)
        rise_k = body.after(cooled_k, energy_j / length_s, length_s)
        self.rises[(label, name)] = rise_k, burst_end_ns(shot)
        return rise_k


def _cooled_k(rises: Rises, key: tuple[str, str], body: Body, now_ns: int) -> float:
    rise_k, at_ns = rises.get(key, (0.0, now_ns))
    return body.after(rise_k, 0.0, max(now_ns - at_ns, 0) / 1e9)


def _breaches(scope: Scope, label: str, name: str, energy_j: float, celsius: float) -> Iterator[Breach]:
    allowed = (scope.bench.load[label].burst_j, scope.unit.limit.energy_per_burst_j)
    limit_j = BURST_OVER * min(joules for joules in allowed if joules is not None)
    if energy_j > limit_j:
        words = f"{energy_j:.4g} J went into load {label} of channel {name} in one burst, above {limit_j:.4g} J"
        yield Breach("burst energy", words, "energy of a burst, J", energy_j, limit_j, name)
    if celsius >= TRIP_C:
        words = (
            f"load {label} of channel {name} at {celsius:.0f} degC by the joules put in (trip limit {TRIP_C:g} degC)"
        )
        yield Breach("load temperature", words, "load, degC", celsius, TRIP_C, name)


def _joules(scope: Scope, shot: Shot, channels: tuple[str, ...], ohm: Mapping[str, float]) -> dict[str, float]:
    """Of the whole burst, by channel; one that no input sees is taken to be like the hottest one seen.

    A record of less than the burst stands for all of it; one of more has silence beside it.
    """
    seen, length_s = {}, burst_s(shot.request)
    for name, wire in scope.inputs(shot).items():
        record = shot.records[wire]
        squares = float(record.volts @ record.volts) * record.sample_interval_s
        record_s = record.volts.size * record.sample_interval_s
        if name in channels and record_s > 0.0:
            seen[name] = squares / ohm[name] * max(length_s / record_s, 1.0)
    most_j = max(seen.values(), default=0.0)
    return {name: seen.get(name, most_j) for name in channels}
