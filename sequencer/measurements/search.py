"""The level search: highest level whose distortion is within a limit, with few shots and little overshoot. Pure.

Below its onset a hard clipper says nothing, so a wide prediction must be crossed in steps no longer than what a clip could hide; once a
reading rises, it is a straight line in u = over-drive of a hard clip with that distortion. Levels are rounded down before anything else is computed.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Sequence
from dataclasses import dataclass, field

from sequencer.measurements.clip_law import gain_loss_db, overdrive_db
from sequencer.measurements.search_model import Ask, Found, Knowledge, Purpose, Reading, Settings

FIRST_BELOW_DB = 18.0
SOFT_AT_MOST = 0.12  # THD ratio that the worst soft stage, tied to the rail, shows at the bottom of the window
LOOK_DOWN_DB = 3.0
DOWN_AT_MOST = 14
NEAR_PAIR_DB = 1.5
DRIFT_AT_MOST_DB = 0.4
MISSES_AT_MOST = 8
PROBE_DB = 0.25
CREEP_DB = 0.25  # largest step where a rail may collapse

Talk = Generator[Ask, Reading, Found]


def search(
    limits: Sequence[float], knowledge: Knowledge, settings: Settings
) -> Generator[Ask, Reading, tuple[Found, ...]]:
    """Several limits highest first, with shared readings; shots are counted where they were fired."""
    found: list[Found] = []
    readings: list[Reading] = []
    roof_db = settings.ceiling_db
    for limit in sorted(set(limits), reverse=True):
        hunt = _Hunt(limit, knowledge, settings, readings, roof_db)
        one = yield from hunt.run()
        found.append(one)
        if hunt.hit_db is not None:
            roof_db = min(roof_db, hunt.hit_db - settings.resolution_db)
    return tuple(found)


class _End(Exception):
    """The hunt is over, for this reason."""

    def __init__(self, reason: str) -> None:
        self.reason = reason


@dataclass
class _Hunt:
    limit: float
    known: Knowledge
    settings: Settings
    readings: list[Reading]  # of all limits, in the order fired
    roof_db: float
    shots: int = 0
    good: list[Reading] = field(default_factory=list)
    bad: list[Reading] = field(default_factory=list)
    excluded: list[Reading] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    hit_db: float | None = None
    refined: int = 0
    stalls: int = 0

    # --- the course of a hunt -----------------------------------------------------------------------

    def run(self) -> Talk:
        shift = overdrive_db(self.limit)
        self.low_db, self.high_db = self.known.low_db + shift, self.known.high_db + shift
        for reading in self.readings:
            self._sort_in(reading)
        confirms: tuple[Reading, ...] = ()
        try:
            if not self.readings:
                yield from self._first()
            if not self.bad and not self.known.softness_known:
                yield from self._ladder()
            yield from self._bracket()
            reason = "crossing"
        except _End as end:
            reason = end.reason
        if self.best is None:
            return self._found(reason if reason != "crossing" else "never_below", ())
        if reason in ("crossing", "ceiling", "limited", "protected", *_OUTSIDE_WITH_CONFIRM):
            reason, confirms = yield from self._confirm(reason)
        return self._found(reason, confirms)

    def _fire(self, level_db: float, purpose: Purpose = "ramp") -> Generator[Ask, Reading, Reading]:
        if self.shots >= self.settings.shots_at_most:
            raise _End("budget")
        level = self.settings.round_down(min(level_db, self.roof_db))
        reading = yield Ask(level, purpose, self.limit)
        self.shots += 1
        self.readings.append(reading)
        if reading.output_gone:
            self.hit_db = reading.level_db
            raise _End("protected")
        self._sort_in(reading)
        if reading.stop is not None:
            self.hit_db = reading.level_db
            self.good = [g for g in self.good if g is not reading]
            raise _End(reading.stop)
        return reading

    def _first(self) -> Generator[Ask, Reading, None]:
        """A harmless shot; above the limit there, look down: falling with it is a soft unit, rising is noise or crossover."""
        level = (self.low_db + self.high_db) / 2.0 - FIRST_BELOW_DB
        reading = yield from self._fire(level)
        if self._within(reading):
            return
        if reading.floor >= self.limit:
            raise _End("floor")
        if not self._informative(reading):
            return
        yield from self._look_down(reading)

    def _look_down(self, above: Reading) -> Generator[Ask, Reading, None]:
        for _ in range(DOWN_AT_MOST):
            lower = yield from self._fire(above.level_db - LOOK_DOWN_DB)
            if self._within(lower):
                if above not in self.bad:
                    self._stand_as_bad(above)
                return
            if lower.distortion > above.distortion * 0.96:
                self.bad, self.excluded = [], [*self.excluded, *self.bad]
                yield from self._climb_low_branch(above)
                return
            above = lower
        raise _End("never_below")

    def _climb_low_branch(self, reading: Reading) -> Generator[Ask, Reading, None]:
        """Distortion falls with level here (crossover, noise): up until it is within the limit, or rises for good."""
        best = reading
        while True:
            step = self._rung(best)
            level = best.level_db + step if best.level_db + step < self.low_db else best.level_db + self._loose_db
            if level <= best.level_db + 1e-9 or level > self.roof_db + 1e-9:
                raise _End("never_below")
            newer = yield from self._fire(level)
            if self._within(newer):
                self.bad = [b for b in self.bad if b.level_db > newer.level_db]
                return
            if newer.distortion > best.distortion + 4.0 * math.hypot(newer.sigma, best.sigma):
                raise _End("never_below")
            self.bad = []
            self.excluded.append(newer)
            best = newer

    def _ladder(self) -> Generator[Ask, Reading, None]:
        """Where softness is unknown: rungs that even the softest stage tied to the rail would not overstep."""
        while not self.bad:
            last = max([*self.good, *self.excluded], key=lambda r: r.level_db)
            rung = self._rung(last)
            if last.level_db + rung > self.low_db - 0.3 or last.level_db >= self.low_db:
                return
            if last.level_db >= self.roof_db - 1e-9:
                raise _End("ceiling")
            reading = yield from self._fire(last.level_db + rung)
            if not self._within(reading) and not self.bad:
                self.excluded.append(reading)
                if self._informative(reading):
                    yield from self._look_down(reading)

    def _rung(self, last: Reading) -> float:
        """dB up: the fraction D/(D+K) of the way to the bottom of the window."""
        way = self.low_db - last.level_db
        seen = max(self._excess(last) + 2.0 * last.sigma, last.floor, 1e-5)
        headroom = 20.0 * math.log10(self.limit / min(seen, self.limit * 0.7))
        rest = max(20.0 * math.log10(SOFT_AT_MOST / self.limit), 0.5)
        rung = way * headroom / (headroom + rest)
        slope = self._slope()
        if slope is not None and slope > 0.05:
            rung = min(headroom / (1.5 * slope), way * (headroom + 10.0) / (headroom + 10.0 + rest))
        return max(rung, 0.0)

    def _slope(self) -> float | None:
        """dB of distortion per dB of level, from the two highest informative good readings."""
        rising = sorted((g for g in self.good if self._informative(g)), key=lambda r: r.level_db)[-2:]
        if len(rising) < 2 or rising[1].level_db - rising[0].level_db < 0.2:
            return None
        a, b = rising
        return 20.0 * math.log10(self._excess(b) / self._excess(a)) / (b.level_db - a.level_db)

    def _bracket(self) -> Generator[Ask, Reading, None]:
        while True:
            if self.bad and self.best is not None and self._closed():
                return
            if not self.bad:
                yield from self._approach()
            else:
                yield from self._refine()

    def _approach(self) -> Generator[Ask, Reading, None]:
        good = self.best
        base = good.level_db if good is not None else max(r.level_db for r in self.excluded)
        if base >= self.roof_db - self.settings.resolution_db / 2.0:
            if good is None:
                raise _End("never_below")
            raise _End("ceiling")
        step = self._loose_db + (self._hidden_db(good) if good is not None else 0.0)
        level = base + step
        aim = self._aim(good)
        if aim is not None:
            level = min(level, max(aim, base + self.settings.resolution_db))
        elif base < self.low_db:
            level = max(level, self.low_db + self._loose_db)
        reading = yield from self._fire(max(level, base + self._least_db))
        self._watch_for_limiting(reading)
        if not self._within(reading) and reading not in self.bad:
            yield from self._doubtful(reading)

    def _doubtful(self, reading: Reading) -> Generator[Ask, Reading, None]:
        """Above the limit, but no crossing by itself: a probe just below tells a rise from a hump or noise."""
        if reading.level_db < self.low_db - LOOK_DOWN_DB and not self._informative(reading):
            self.excluded.append(reading)
            return
        probe = yield from self._fire(reading.level_db - PROBE_DB)
        if self._within(probe) or probe.distortion < 0.96 * reading.distortion:
            self._stand_as_bad(reading)
        else:
            self.excluded += [reading, probe]

    def _refine(self) -> Generator[Ask, Reading, None]:
        bad, good = self.worst, self.best
        assert bad is not None
        if good is None or good.level_db >= bad.level_db:
            reading = yield from self._fire(bad.level_db - LOOK_DOWN_DB * (1 + self.refined))
            self.refined += 1
            if self.refined > DOWN_AT_MOST:
                raise _End("never_below")
            if not self._within(reading) and reading.distortion > bad.distortion:
                raise _End("never_below")
            if not self._within(reading):
                self._stand_as_bad(reading)
            return
        level = self._between(good, bad)
        self.refined += 1
        reading = yield from self._fire(level)
        if not self._within(reading):
            self._stand_as_bad(reading)

    def _between(self, good: Reading, bad: Reading) -> float:
        """The next level inside a bracket: slope 1 from the bad side, then the pair's line in u, then halves."""
        gap, least = bad.level_db - good.level_db, self._least_db
        if self.refined >= 5:
            return good.level_db + gap / 2.0
        target = overdrive_db(self._room(bad)) - 0.0
        pair = gap <= NEAR_PAIR_DB and self._informative(good)
        if pair:
            ua, ub = self._u(good), self._u(bad)
            level = good.level_db + gap * (target - ua) / max(ub - ua, 1e-9)
        else:
            level = bad.level_db - (self._u(bad) - target)
        level -= self.settings.resolution_db / 2.0
        lowest, highest = good.level_db + least, bad.level_db - least
        if level <= lowest:
            self.stalls += 1
            level = good.level_db + least * 2 ** min(self.stalls - 1, 3)
        return min(max(level, lowest), max(highest, lowest))

    def _closed(self) -> bool:
        good, bad = self.best, self.worst
        assert good is not None
        assert bad is not None
        gap = bad.level_db - good.level_db
        if gap <= self.settings.resolution_db + self._least_db / 2.0:
            return True
        if gap > NEAR_PAIR_DB or not self._informative(good):
            return False
        crossing = self._crossing_db()
        return crossing is not None and 0.0 <= crossing - good.level_db <= self.settings.resolution_db / 1.25

    # --- confirm ------------------------------------------------------------------------------------

    def _confirm(self, reason: str) -> Generator[Ask, Reading, tuple[str, tuple[Reading, ...]]]:
        """n fresh shots at the accepted level; a miss goes down and begins again."""
        assert self.best is not None
        level, misses, first = self.best.level_db, 0, self.best.level_db
        level -= self._guard_db(reason)
        while True:
            fresh: list[Reading] = []
            for _ in range(self.settings.confirms):
                try:
                    reading = yield from self._fire(level, "confirm")
                except _End as end:
                    return (end.reason, ()) if end.reason != "budget" else ("budget", tuple(fresh))
                if not self._within(reading):
                    break
                fresh.append(reading)
            else:
                self.good = [g for g in self.good if g.level_db <= level or g in fresh]
                return reason, tuple(fresh)
            misses += 1
            self.notes.append(f"confirm at {level:.3f} dB missed: {100 * reading.distortion:.3f} %")
            self.good = [g for g in self.good if g.level_db < level - 1e-9]
            down = max(0.03, self._beyond_db(reading) + self.settings.resolution_db / 2.0) * 1.5 ** (misses - 1)
            level = self.settings.round_down(level - down)
            if misses >= MISSES_AT_MOST or first - level > DRIFT_AT_MOST_DB:
                return ("drifting" if first - level > DRIFT_AT_MOST_DB else "not_repeatable"), ()

    def _guard_db(self, reason: str) -> float:
        """A little down where the good reading lies so near the crossing that a fresh one would miss by noise."""
        crossing = self._crossing_db()
        if reason != "crossing" or crossing is None or self.best is None:
            return 0.0
        per_db = self._rise_per_db()
        needed = 3.0 * self.best.sigma / per_db if per_db > 0 else 0.0
        near = crossing - self.best.level_db
        return min(max(0.0, min(needed, 0.03) - near), 0.03)

    def _rise_per_db(self) -> float:
        good, bad = self.best, self.worst
        if good is None or bad is None or bad.level_db <= good.level_db:
            return 0.0
        return (bad.distortion - good.distortion) / (bad.level_db - good.level_db)

    def _beyond_db(self, reading: Reading) -> float:
        """How far above the crossing a missed reading lies, as a hard clip."""
        return max(0.0, self._u(reading) - overdrive_db(self._room(reading)))

    # --- what a reading says ------------------------------------------------------------------------

    def _within(self, reading: Reading) -> bool:
        return reading.distortion + 2.0 * reading.sigma <= self.limit and not reading.output_gone

    def _excess(self, reading: Reading) -> float:
        return math.sqrt(max(reading.distortion**2 - reading.floor**2, 0.0))

    def _informative(self, reading: Reading) -> bool:
        return self._excess(reading) > max(0.5 * reading.floor, 0.02 * self.limit)

    def _room(self, reading: Reading) -> float:
        """The excess at which this reading would stand at the limit."""
        at = math.sqrt(max((self.limit - 2.0 * reading.sigma) ** 2 - reading.floor**2, (0.3 * self.limit) ** 2))
        return math.sqrt(max(at**2 - self._low_branch() ** 2, 1e-12))

    def _low_branch(self) -> float:
        below = [self._excess(g) for g in self.good if g.level_db < self.low_db - 1.0 and self._informative(g)]
        return min(below, default=0.0)

    def _u(self, reading: Reading) -> float:
        return overdrive_db(math.sqrt(max(self._excess(reading) ** 2 - self._low_branch() ** 2, 0.0)))

    def _hidden_db(self, good: Reading) -> float:
        """g: what a hard clip still hides above a clean reading."""
        if self.known.collapse_possible:
            return 0.0
        return max(0.0, overdrive_db(self._room(good)) - self._u(good)) / self.known.rail_ratio

    def _aim(self, good: Reading | None) -> float | None:
        """The crossing as the last rising reading foretells it, half a resolution lower."""
        if good is None or not self._informative(good) or good.level_db < self.low_db - NEAR_PAIR_DB * 2:
            return None
        u = self._u(good)
        if u <= 0.02:
            return None
        return good.level_db + (overdrive_db(self._room(good)) - u) - self.settings.resolution_db / 2.0

    def _crossing_db(self) -> float | None:
        good, bad = self.best, self.worst
        if good is None or bad is None or bad.level_db <= good.level_db:
            return None
        target = overdrive_db(math.sqrt(max(self.limit**2 - bad.floor**2 - self._low_branch() ** 2, 1e-12)))
        ua, ub = self._u(good), self._u(bad)
        if ub <= ua:
            return None
        return good.level_db + (bad.level_db - good.level_db) * min(max((target - ua) / (ub - ua), 0.0), 1.0)

    def _sort_in(self, reading: Reading) -> None:
        """Newest reading wins: what contradicts it is dropped, and noted in dB."""
        if reading.output_gone or reading.stop is not None:
            return
        if self._within(reading):
            for old in [b for b in self.bad if b.level_db <= reading.level_db + 1e-9]:
                self.bad.remove(old)
                self.notes.append(f"good at {reading.level_db:.3f} dB after above the limit at {old.level_db:.3f} dB")
            self.good.append(reading)
        elif self._crosses(reading):
            self._stand_as_bad(reading)

    def _stand_as_bad(self, reading: Reading) -> None:
        for old in [g for g in self.good if g.level_db >= reading.level_db - 1e-9]:
            self.good.remove(old)
            self.notes.append(f"above the limit at {reading.level_db:.3f} dB after good at {old.level_db:.3f} dB")
        if reading not in self.bad:
            self.bad.append(reading)

    def _crosses(self, reading: Reading) -> bool:
        """Above the limit, informative, over a good reading, and with gain lost as a clip loses it."""
        if not self._informative(reading):
            return False
        below = [g for g in self.good if g.level_db < reading.level_db]
        if not below:
            return False
        if self.limit < 0.01 or reading.even:
            return True
        lost = self._gain_db(max(below, key=lambda g: g.level_db)) - self._gain_db(reading)
        reference = max(self._gain_db(g) for g in below)
        lost = max(lost, reference - self._gain_db(reading))
        return lost >= 0.4 * gain_loss_db(self._excess(reading)) - 0.02 or reading.distortion > 3.0 * self.limit

    def _gain_db(self, reading: Reading) -> float:
        return reading.output_db - reading.level_db

    def _watch_for_limiting(self, reading: Reading) -> None:
        goods = sorted((g for g in self.good if g.level_db < reading.level_db - 1e-9), key=lambda g: g.level_db)
        if len(goods) < 1 or not self._within(reading):
            return
        reference = max(self._gain_db(g) for g in goods)
        lost = reference - self._gain_db(reading)
        last = goods[-1]
        grew = (reading.output_db - last.output_db) / max(reading.level_db - last.level_db, 1e-9)
        if lost > 1.0 + 34.0 * reading.distortion and grew < 0.5:
            raise _End("limited")

    # --- small ones ---------------------------------------------------------------------------------

    @property
    def best(self) -> Reading | None:
        """Highest good reading below everything that stands above the limit; the newest of equal ones."""
        roof = min((b.level_db for b in self.bad), default=math.inf)
        under = [g for g in self.good if g.level_db < roof]
        return max(reversed(under), key=lambda g: g.level_db) if under else None

    @property
    def worst(self) -> Reading | None:
        return min(reversed(self.bad), key=lambda b: b.level_db) if self.bad else None

    @property
    def _loose_db(self) -> float:
        loose = self.settings.bound_db - self.settings.margin_db
        return min(loose, CREEP_DB) if self.known.collapse_possible else loose

    @property
    def _least_db(self) -> float:
        return self.settings.resolution_db / 2.0

    def _found(self, reason: str, confirms: tuple[Reading, ...]) -> Found:
        good, bad = self.best, self.worst
        gap = bad.level_db - good.level_db if good is not None and bad is not None else None
        accepted = confirms[0].level_db if confirms else None
        mine = self.readings[-self.shots :] if self.shots else self.readings
        lowest = min((r for r in mine if not r.output_gone), key=lambda r: r.distortion, default=None)
        return Found(
            limit=self.limit,
            ended=reason,
            accepted_db=accepted,
            confirms=confirms,
            crossing_db=self._crossing_db() if reason == "crossing" else None,
            bad=bad,
            bracket_width_db=gap,
            resolution_db=self.settings.resolution_db,
            shots=self.shots,
            lowest=lowest,
            notes=tuple(self.notes),
        )


_OUTSIDE_WITH_CONFIRM = ("early_cycles", "supply_current_limit", "rail_moved")
