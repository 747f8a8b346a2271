"""Beneath the window: the first harmless shot, what to make of distortion there, and the ladder up. Pure.

Above the limit at a low level, a unit is soft (distortion falls with level: go down), or its low-level distortion,
crossover or noise, falls as the level rises: go up, until it is within the limit or rises for good.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass

from sequencer.measurements.clip_law import overdrive_db
from sequencer.measurements.search_evidence import BENEATH_WINDOW_DB, HIDDEN_SHARE, Evidence
from sequencer.measurements.search_model import Ask, Reading

FIRST_BELOW_DB = 18.0
SOFT_AT_MOST = 0.12  # THD ratio that the worst soft stage, tied to the rail, shows at the bottom of the window
LOOK_DOWN_DB = 3.0
DOWN_AT_MOST = 14
FALLS_BY = 0.96  # 3 dB (or a probe) lower, a rising distortion is at most this share
OF_LOW_BRANCH = 0.85  # less than this share explained by the low branch: something else rises
ONE_DB = 1.0  # a rise within this of the falling branch leaves no room for a stretch within the limit

Fire = Callable[[float], Generator[Ask, Reading, Reading]]


class End(Exception):
    """The hunt is over, for this reason."""

    def __init__(self, reason: str) -> None:
        self.reason = reason


@dataclass
class Beneath:
    """fire: one shot, sorted in; roof_db: no level above."""

    seen: Evidence
    fire: Fire
    roof_db: float

    def first(self) -> Generator[Ask, Reading, None]:
        """A harmless shot. A floor above the limit there may still fall with level, so it is only set aside."""
        reading = yield from self.fire((self.seen.low_db + self.seen.high_db) / 2.0 - FIRST_BELOW_DB)
        if not self.seen.within(reading):
            yield from self._judge_lowest(reading)

    def below_all(self, readings: Sequence[Reading]) -> Generator[Ask, Reading, None]:
        """All readings of a higher limit lie above this one: as if the lowest were the first shot."""
        usable = [r for r in readings if not r.output_gone and r.stop is None]
        if not usable:
            yield from self.first()
        else:
            yield from self._judge_lowest(min(usable, key=lambda r: r.level_db))

    def _judge_lowest(self, reading: Reading) -> Generator[Ask, Reading, None]:
        if not self.seen.informative(reading) or reading.floor >= self.seen.limit:
            self.seen.excluded.append(reading)
        else:
            yield from self.look_down(reading)

    def look_down(self, above: Reading) -> Generator[Ask, Reading, None]:
        for _ in range(DOWN_AT_MOST):
            lower = yield from self.fire(above.level_db - LOOK_DOWN_DB)
            if self.seen.within(lower):
                self.seen.stand_as_bad(above)
                return
            if lower.distortion > above.distortion * FALLS_BY:
                self.seen.set_aside(lower, above)
                yield from _Climb(self, lower, above).run()
                return
            above = lower
        raise End("never_below")

    def ladder(self) -> Generator[Ask, Reading, None]:
        """Where softness is unknown: rungs that even the softest stage tied to the rail would not overstep."""
        while not self.seen.bad:
            last = max([*self.seen.good, *self.seen.excluded], key=lambda r: r.level_db)
            rung = self.rung_db(last, self.seen.hidden(last))
            if last.level_db + rung > self.seen.low_db - 0.3 or last.level_db >= self.seen.low_db:
                return
            if last.level_db > self.seen.low_db - BENEATH_WINDOW_DB and not self.seen.informative(last):
                return
            if last.level_db >= self.roof_db - self.seen.least_db:
                return
            reading = yield from self.fire(last.level_db + rung)
            if not self.seen.within(reading) and reading not in self.seen.bad:
                self.seen.excluded.append(reading)
                if self.seen.informative(reading) and reading.floor < self.seen.limit:
                    yield from self.look_down(reading)

    def rung_db(self, last: Reading, hidden: float) -> float:
        """dB up: the fraction D/(D+K) of the way to the window, D the headroom over what a soft stage may hide."""
        way = self.seen.low_db - last.level_db
        headroom = 20.0 * math.log10(self.seen.limit / min(max(hidden, 1e-5), self.seen.limit * 0.7))
        rest = max(20.0 * math.log10(SOFT_AT_MOST / self.seen.limit), 0.5)
        rung = way * headroom / (headroom + rest)
        slope = self.seen.slope()
        if slope is not None and slope > 0.05:
            rung = min(headroom / (1.5 * slope), way * (headroom + 10.0) / (headroom + 10.0 + rest))
        if last.floor >= self.seen.limit:
            rung = max(rung, LOOK_DOWN_DB)  # the floor hides everything: small rungs would show no more
        return max(rung, 0.0)


@dataclass
class _Climb:
    """Up a low branch, seen first at `lowest` and, LOOK_DOWN_DB higher, at `last`."""

    beneath: Beneath
    lowest: Reading
    last: Reading

    def __post_init__(self) -> None:
        self.seen = self.beneath.seen
        fell = 20.0 * math.log10(max(self.lowest.distortion / self.last.distortion, 1.0))
        self.fall = min(fell / max(self.last.level_db - self.lowest.level_db, 1e-3), 1.1)  # dB per dB; 1 is crossover

    def low_at(self, level_db: float) -> float:
        """The low branch carried on: distortion falling with level as it did at first."""
        return self.lowest.distortion * math.pow(10.0, -self.fall * (level_db - self.lowest.level_db) / 20.0)

    def run(self) -> Generator[Ask, Reading, None]:
        while True:
            level = min(self._next_db(), self.beneath.roof_db)
            if self.seen.worst is not None:
                level = min(level, self.seen.worst.level_db - self.seen.least_db)
            if level <= self.last.level_db + self.seen.least_db:
                raise End("never_below")
            newer = yield from self.beneath.fire(level)
            if self.seen.within(newer) or newer in self.seen.bad:
                return
            if self._rises(newer):
                self.seen.stand_as_bad(newer)
                yield from self._down_to_the_stretch(newer)
                return
            self.seen.excluded.append(newer)
            if self.seen.floor_rules(newer):
                raise End("floor")
            self.last = newer

    def _next_db(self) -> float:
        last = self.last.level_db
        if last >= self.seen.low_db:
            return last + self.seen.loose_db
        if self.seen.known.softness_known or last > self.seen.low_db - BENEATH_WINDOW_DB:
            return self.seen.low_db + self.seen.loose_db
        unexplained = math.sqrt(max(self.last.distortion**2 - self.low_at(last) ** 2, 0.0))
        rung = self.beneath.rung_db(self.last, max(unexplained, HIDDEN_SHARE * self.last.distortion))
        return min(last + max(rung, LOOK_DOWN_DB), self.seen.low_db + self.seen.loose_db)

    def _rises(self, newer: Reading) -> bool:
        clearly = newer.distortion > self.last.distortion + 4.0 * math.hypot(newer.sigma, self.last.sigma)
        return clearly or self.low_at(newer.level_db) < OF_LOW_BRANCH * newer.distortion

    def _down_to_the_stretch(self, bad: Reading) -> Generator[Ask, Reading, None]:
        """Between the falling branch and a rising one there may be a stretch within the limit: down the rising one."""
        for turn in range(DOWN_AT_MOST):
            gap = bad.level_db - self.last.level_db
            low = self.low_at(bad.level_db)
            target = overdrive_db(math.sqrt(max(self.seen.limit**2 - low**2 - bad.floor**2, 1e-12)))
            down = overdrive_db(math.sqrt(max(self.seen.excess(bad) ** 2 - low**2, 0.0))) - target
            down = max(down * 1.5**turn, 0.0) + self.seen.settings.resolution_db
            if gap <= 2.0 * self.seen.settings.resolution_db:
                raise End("never_below")
            lower = yield from self.beneath.fire(bad.level_db - min(down, gap / 2.0))
            if self.seen.within(lower):
                return
            if lower.distortion < bad.distortion:
                self.seen.stand_as_bad(lower)
                bad = lower
            elif gap <= ONE_DB:
                raise End("never_below")
            else:
                self.seen.set_aside(lower)
                self.last = lower
        raise End("never_below")
