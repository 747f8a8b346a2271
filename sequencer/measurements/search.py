"""The level search: highest level whose distortion is within a limit, with few shots and little overshoot. Pure.

Below its onset a hard clipper says nothing, so a wide prediction must be crossed in steps no longer than what a clip
could hide; once a reading rises, it is a straight line in u = over-drive of a hard clip with that distortion. Levels
are rounded down before anything else is computed.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator, Sequence
from dataclasses import dataclass

from sequencer.measurements.clip_law import overdrive_db
from sequencer.measurements.search_beneath import DOWN_AT_MOST, FALLS_BY, LOOK_DOWN_DB, Beneath, End
from sequencer.measurements.search_evidence import BRACKET_PAIR_DB, Evidence
from sequencer.measurements.search_model import Ask, Found, Knowledge, Purpose, Reading, Settings

DRIFT_AT_MOST_DB = 0.4
MISSES_AT_MOST = 8
PROBE_DB = 0.25
HALVES_AFTER = 5  # refinements

LIMITED_FROM_DB, LIMITED_PER_RATIO_DB = 1.0, 34.0  # 1.3 times what a cubic law loses, and 1 dB
# After these the unit was not driven to harm: the last clean level is confirmed.
CONFIRMED_AFTER = ("crossing", "ceiling", "limited", "protected", "early_cycles", "supply_current_limit", "rail_moved")

Talk = Generator[Ask, Reading, Found]


def search(
    limits: Sequence[float], knowledge: Knowledge, settings: Settings
) -> Generator[Ask, Reading, tuple[Found, ...]]:
    """Several limits highest first, with shared readings; shots are counted where they were fired."""
    found: list[Found] = []
    readings: list[Reading] = []
    roof_db = settings.ceiling_db
    for limit in sorted(set(limits), reverse=True):
        hunt = _Hunt(Evidence(limit, knowledge, settings), readings, roof_db)
        one = yield from hunt.run()
        found.append(one)
        roof_db = hunt.roof_db  # lower after a hit of the protection or a stop
        if hunt.no_more is not None:
            return (*found, *_undriven(sorted(set(limits), reverse=True)[len(found) :], hunt))
    return tuple(found)


def _undriven(limits: Sequence[float], ended: _Hunt) -> Iterator[Found]:
    """The limits that are left when what ended a hunt forbids one more shot: heat, an allowance, a person."""
    for limit in limits:
        hunt = _Hunt(Evidence(limit, ended.seen.known, ended.seen.settings), ended.readings, ended.roof_db)
        yield hunt.undriven(ended.no_more or "budget")


@dataclass
class _Hunt:
    seen: Evidence
    readings: list[Reading]  # of all limits, in the order fired
    roof_db: float
    shots: int = 0
    refined: int = 0
    stalls: int = 0
    no_more: str | None = None  # the outside reason that forbids one more shot, for this and for lower limits

    # --- the course of a hunt -----------------------------------------------------------------------

    def run(self) -> Talk:
        for reading in self.readings:
            self.seen.sort_in(reading)
        self.seen.keep_good_below(self.roof_db + self.seen.least_db)
        confirms: tuple[Reading, ...] = ()
        beneath = Beneath(self.seen, self._fire, self.roof_db)
        try:
            if not self.readings:
                yield from beneath.first()
            elif not self.seen.good and not self.seen.bad:
                yield from beneath.below_all(self.readings)
            if not self.seen.bad and not self.seen.known.softness_known:
                yield from beneath.ladder()
            yield from self._bracket()
            reason = "crossing"
        except End as end:
            reason = end.reason
        if self.seen.best is None:
            return self._found(reason if reason != "crossing" else "never_below", ())
        if reason in CONFIRMED_AFTER:
            reason, confirms = yield from self._confirm(reason)
        return self._found(reason, confirms)

    def undriven(self, reason: str) -> Found:
        for reading in self.readings:
            self.seen.sort_in(reading)
        return self._found(reason, ())

    def _fire(self, level_db: float, purpose: Purpose = "ramp") -> Generator[Ask, Reading, Reading]:
        if self.shots >= self.seen.settings.shots_at_most:
            raise End("budget")
        level = self.seen.settings.round_down(min(level_db, self.roof_db))
        reading = yield Ask(level, purpose, self.seen.limit)
        self.shots += 1
        self.readings.append(reading)
        if reading.output_gone or reading.stop is not None:
            self.roof_db = min(self.roof_db, reading.level_db - self.seen.settings.resolution_db)
            self.seen.keep_good_below(reading.level_db)
            if not reading.output_gone and reading.stop not in CONFIRMED_AFTER:
                self.no_more = reading.stop
            raise End("protected" if reading.output_gone or reading.stop is None else reading.stop)
        self.seen.sort_in(reading)
        return reading

    def _bracket(self) -> Generator[Ask, Reading, None]:
        while True:
            if self.seen.best is not None and self.seen.closed():
                return
            if not self.seen.bad:
                yield from self._approach()
            else:
                yield from self._refine()

    def _approach(self) -> Generator[Ask, Reading, None]:
        good = self.seen.best
        base = good.level_db if good is not None else max(r.level_db for r in self.seen.excluded)
        if base >= self.roof_db - self.seen.settings.resolution_db / 2.0:
            if good is None:
                raise End("never_below")
            raise End("ceiling")
        step = self.seen.loose_db + (self.seen.hidden_db(good) if good is not None else 0.0)
        level = base + step
        aim = self.seen.aim(good)
        if aim is not None:
            level = min(level, max(aim, base + self.seen.settings.resolution_db))
        elif base < self.seen.low_db:
            level = max(level, self.seen.low_db + self.seen.loose_db)
        reading = yield from self._fire(max(level, base + self.seen.least_db))
        self._watch_for_limiting(reading)
        if not self.seen.within(reading) and self.seen.floor_rules(reading):
            raise End("floor")
        if not self.seen.within(reading) and reading not in self.seen.bad:
            yield from self._doubtful(reading)

    def _doubtful(self, reading: Reading) -> Generator[Ask, Reading, None]:
        """Above the limit, but no crossing by itself: a probe just below tells a rise from a hump or noise."""
        if reading.level_db < self.seen.low_db - LOOK_DOWN_DB and not self.seen.informative(reading):
            self.seen.excluded.append(reading)
            return
        probe = yield from self._fire(reading.level_db - PROBE_DB)
        if self.seen.within(probe) or probe.distortion < FALLS_BY * reading.distortion:
            self.seen.stand_as_bad(reading)
        else:
            self.seen.excluded += [reading, probe]

    def _refine(self) -> Generator[Ask, Reading, None]:
        bad, good = self.seen.worst, self.seen.best
        assert bad is not None
        if good is None or good.level_db >= bad.level_db:
            reading = yield from self._fire(bad.level_db - LOOK_DOWN_DB * (1 + self.refined))
            self.refined += 1
            if self.refined > DOWN_AT_MOST:
                raise End("never_below")
            if not self.seen.within(reading) and reading.distortion > bad.distortion:
                raise End("never_below")
            if not self.seen.within(reading):
                self.seen.stand_as_bad(reading)
            return
        level = self._between(good, bad)
        self.refined += 1
        reading = yield from self._fire(level)
        if not self.seen.within(reading):
            self.seen.stand_as_bad(reading)

    def _between(self, good: Reading, bad: Reading) -> float:
        """The next level inside a bracket: from the bad side, then the pair's line in u, then halves."""
        gap, least = bad.level_db - good.level_db, self.seen.least_db
        if self.refined >= HALVES_AFTER:
            return bad.level_db - min(gap / 2.0, PROBE_DB * 2.0 ** (self.refined - HALVES_AFTER))
        target = overdrive_db(self.seen.room(bad))
        if gap <= BRACKET_PAIR_DB and self.seen.informative(good):
            ua, ub = self.seen.u(good), self.seen.u(bad)
            level = good.level_db + gap * (target - ua) / max(ub - ua, 1e-9)
        else:
            # Landed above twice: the unit is soft. Once may be its memory of the overload.
            slope = self.seen.slope_above(bad) if self.refined >= 2 else 1.0
            level = bad.level_db - (self.seen.u(bad) - target) / slope
        level -= self.seen.settings.resolution_db / 2.0
        highest = max(bad.level_db - least, good.level_db + least)
        # The crossing lies no nearer to the good reading than what a clip still hides there.
        lowest = good.level_db + max(least, self.seen.hidden_db(good) - self.seen.settings.resolution_db / 2.0)
        if level <= lowest:
            self.stalls += 1
            level = max(lowest, good.level_db + least * 2 ** min(self.stalls - 1, 3))
        return min(level, highest)

    # --- confirm ------------------------------------------------------------------------------------

    def _confirm(self, reason: str) -> Generator[Ask, Reading, tuple[str, tuple[Reading, ...]]]:
        """n fresh shots at the accepted level; a miss goes down and begins again."""
        assert self.seen.best is not None
        level, misses, first = self.seen.best.level_db, 0, self.seen.best.level_db
        level -= self.seen.guard_db(reason)
        while True:
            fresh: list[Reading] = []
            for _ in range(self.seen.settings.confirms):
                try:
                    reading = yield from self._fire(level, "confirm")
                except End as end:
                    return (end.reason, ()) if end.reason != "budget" else ("budget", tuple(fresh))
                if not self.seen.within(reading):
                    break
                fresh.append(reading)
            else:
                self.seen.good = [g for g in self.seen.good if g.level_db <= level or g in fresh]
                return reason, tuple(fresh)
            misses += 1
            self.seen.notes.append(f"confirm at {level:.3f} dB missed: {100 * reading.distortion:.3f} %")
            self.seen.good = [g for g in self.seen.good if g.level_db < level - 1e-9]
            down = max(0.03, self.seen.beyond_db(reading) + self.seen.settings.resolution_db / 2.0) * 1.5 ** (
                misses - 1
            )
            level = self.seen.settings.round_down(level - down)
            if misses >= MISSES_AT_MOST or first - level > DRIFT_AT_MOST_DB:
                return ("drifting" if first - level > DRIFT_AT_MOST_DB else "not_repeatable"), ()

    def _watch_for_limiting(self, reading: Reading) -> None:
        """A limiter: gain is lost while distortion stays low, and the output hardly grows any more."""
        goods = sorted((g for g in self.seen.good if g.level_db < reading.level_db - 1e-9), key=lambda g: g.level_db)
        if not goods or not self.seen.within(reading):
            return
        last = goods[-1]
        lost = max(self.seen.gain_db(g) for g in goods) - self.seen.gain_db(reading)
        grew = (reading.output_db - last.output_db) / max(reading.level_db - last.level_db, 1e-9)
        if lost > LIMITED_FROM_DB + LIMITED_PER_RATIO_DB * reading.distortion and grew < 0.5:
            raise End("limited")

    def _found(self, reason: str, confirms: tuple[Reading, ...]) -> Found:
        good, bad = self.seen.best, self.seen.worst
        gap = bad.level_db - good.level_db if good is not None and bad is not None else None
        accepted = confirms[0].level_db if confirms else None
        mine = self.readings[-self.shots :] if self.shots else self.readings
        lowest = min((r for r in mine if not r.output_gone), key=lambda r: r.distortion, default=None)
        return Found(
            limit=self.seen.limit,
            ended=reason,
            accepted_db=accepted,
            confirms=confirms,
            crossing_db=self.seen.crossing_db() if reason == "crossing" else None,
            bad=bad,
            bracket_width_db=gap,
            resolution_db=self.seen.settings.resolution_db,
            shots=self.shots,
            lowest=lowest,
            notes=tuple(self.seen.notes),
        )
