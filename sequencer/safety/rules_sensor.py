"""One heat sink's sensor: its readings, and the rise that it owes for the heat that goes in. Pure.

How far a sensor should have risen is a lower bound: one heat sink of the declared J/K that loses its heat twice as
fast as declared, x' = q / C - (T0 + x - Ta) / tau, and only the class B law's heat of the bursts, idle left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

RISE_OVER_S = 2.0  # readings nearer than this differ by their noise
JUMP_K, JUMP_WITHIN_S = 10.0, 5.0  # no heat sink does that: a contact that comes and goes (our own judgement)
WORTH_K = 4.0  # of heat: less may hide in noise and draught
FOLLOWS_PART = 0.25  # of a rise that is itself a lower bound
AMBIENT_AT_MOST_C = 25.0  # a unit that comes in warm must not make the room look warm
ANCHOR_FOR_S = 600.0


@dataclass
class Expected:
    """The rise a sensor owes since it read start_c, K."""

    start_c: float
    began_ns: int
    rise_k: float = 0.0

    def cool(self, seconds: float, tau_s: float, ambient_c: float) -> None:
        """x' = -(T0 + x - Ta) / tau for so long; never below nought."""
        above_k = max(self.start_c - ambient_c, 0.0)
        self.rise_k = max((self.rise_k + above_k) * math.exp(-seconds / tau_s) - above_k, 0.0)


@dataclass
class Sensor:
    """One channel's readings as they come."""

    tau_s: float
    readings: list[tuple[int, float]] = field(default_factory=list)  # (ns, degC): the last few seconds
    lowest_c: float = AMBIENT_AT_MOST_C
    at_ns: int = 0
    jumped_k: float = 0.0  # from the reading before, where that was a moment ago
    unchanged: Expected | None = None  # since the reading last changed
    anchored: Expected | None = None  # since it was last seen to follow

    def heat(self, kelvin: float, at_ns: int) -> None:
        """Heat went in, in kelvin by the declared J/K."""
        self._cool_to(at_ns)
        for owed in (self.unchanged, self.anchored):
            if owed is not None:
                owed.rise_k += kelvin

    def read(self, celsius: float, at_ns: int) -> None:
        self._cool_to(at_ns)
        last = self.readings[-1] if self.readings else None
        self.lowest_c = min(self.lowest_c, celsius)
        near = last is not None and at_ns - last[0] < JUMP_WITHIN_S * 1e9
        self.jumped_k = celsius - last[1] if last is not None and near else 0.0
        if last is None or last[1] != celsius:
            self.unchanged = Expected(celsius, at_ns)
        if self._to_be_anchored(celsius, at_ns):
            self.anchored = Expected(celsius, at_ns)
        older = [r for r in self.readings if at_ns - r[0] >= RISE_OVER_S * 1e9]
        self.readings = [*older[-1:], *self.readings[len(older) :], (at_ns, celsius)]

    @property
    def unchanged_s(self) -> float:
        """How long it has shown the same."""
        return (self.readings[-1][0] - self.unchanged.began_ns) / 1e9 if self.unchanged else 0.0

    @property
    def rise_k_per_s(self) -> float:
        """Since the newest reading at least two seconds older; 0 where there is none."""
        (then_ns, then_c), (now_ns, now_c) = self.readings[0], self.readings[-1]
        seconds = (now_ns - then_ns) / 1e9
        return (now_c - then_c) / seconds if seconds >= RISE_OVER_S else 0.0

    @property
    def risen_k(self) -> float:
        """Since the anchor."""
        return self.readings[-1][1] - self.anchored.start_c if self.anchored else 0.0

    def _to_be_anchored(self, celsius: float, at_ns: int) -> bool:
        owed = self.anchored
        if owed is None:
            return True
        if owed.rise_k >= WORTH_K:
            return celsius - owed.start_c >= FOLLOWS_PART * owed.rise_k
        return at_ns - owed.began_ns > ANCHOR_FOR_S * 1e9

    def _cool_to(self, at_ns: int) -> None:
        seconds, self.at_ns = max(at_ns - self.at_ns, 0) / 1e9, max(at_ns, self.at_ns)
        for owed in (self.unchanged, self.anchored):
            if owed is not None:
                owed.cool(seconds, self.tau_s, self.lowest_c)
