"""What the readings of a search say: which are good, which stand above the limit, where the crossing lies. Pure.

Newest reading wins; a reading above the limit is a crossing only if it is informative, lies over a good one, and gain
was lost as a clip loses it. u is the over-drive of a hard clip with the distortion seen: in it hard clips are straight
lines of slope 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from sequencer.measurements.clip_law import gain_loss_db, overdrive_db
from sequencer.measurements.search_model import Knowledge, Reading, Settings

NEAR_PAIR_DB = 1.5
BRACKET_PAIR_DB = 2.5  # of a rising good reading and a bad one: a hard clip is at 1 and at 10 % within it
WIDE_PAIR_DB = 0.15  # a soft unit rises less than its noise over a narrower one
HIDDEN_SHARE = 0.2  # of a falling distortion: a soft stage with more would show in its fall
CREEP_DB = 0.25  # largest step where a rail may collapse
BENEATH_WINDOW_DB = 3.0  # lower than this under the window, what is not informative says nothing
SOFT_SLOPE, BENDS = 0.85, 0.8  # a soft unit's curve bends: less steep further down
GUARD_AT_MOST_DB = 0.05
LEAST_RISE = 0.01  # u, and u per dB: less than this is nothing
STEEPEST = 3.0  # u per dB that a pair may foretell: more is noise


@dataclass
class Evidence:
    """Readings as one limit sees them."""

    limit: float
    known: Knowledge
    settings: Settings
    good: list[Reading] = field(default_factory=list)
    bad: list[Reading] = field(default_factory=list)
    excluded: list[Reading] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        shift = overdrive_db(self.limit)
        self.low_db, self.high_db = self.known.low_db + shift, self.known.high_db + shift

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
    def loose_db(self) -> float:
        loose = self.settings.bound_db - self.settings.margin_db
        return min(loose, CREEP_DB) if self.known.collapse_possible else loose

    @property
    def least_db(self) -> float:
        return self.settings.resolution_db / 2.0

    # --- what a reading says ------------------------------------------------------------------------

    def within(self, reading: Reading) -> bool:
        return reading.distortion + 2.0 * reading.sigma <= self.limit and not reading.output_gone

    def excess(self, reading: Reading) -> float:
        return math.sqrt(max(reading.distortion**2 - reading.floor**2, 0.0))

    def informative(self, reading: Reading) -> bool:
        above_noise = reading.distortion > reading.floor + 2.0 * reading.sigma
        return above_noise and self.excess(reading) > max(0.5 * reading.floor, 0.02 * self.limit)

    def room(self, reading: Reading) -> float:
        """The excess at which this reading would stand at the limit."""
        at = math.sqrt(max(max(self.limit - 2.0 * reading.sigma, 0.0) ** 2 - reading.floor**2, (0.3 * self.limit) ** 2))
        return math.sqrt(max(at**2 - self.low_branch() ** 2, 1e-12))

    def low_branch(self) -> float:
        """Excess at the window of what falls, or is flat, with level (crossover, noise), so no clip's; 0 if unseen.

        Over a wide gap, and up to the window, it is taken to fall as crossover does, 1 dB per dB: too little counted
        here only makes steps shorter.
        """
        told = [r for r in (*self.good, *self.excluded) if self.informative(r)]
        told.sort(key=lambda r: r.level_db)
        if not told or told[0].level_db >= self.low_db - 1.0:
            return 0.0
        last, low = told[0], self.excess(told[0])
        for upper in told[1:]:
            if upper.distortion > last.distortion + 2.0 * math.hypot(last.sigma, upper.sigma):
                break
            gap = upper.level_db - last.level_db
            low = min(self.excess(upper), low * math.pow(10.0, -gap / 20.0) if gap > NEAR_PAIR_DB else math.inf)
            last = upper
        low *= math.pow(10.0, -max(self.low_db - last.level_db, 0.0) / 20.0)
        return min(low, 0.95 * self.limit)

    def hidden(self, last: Reading) -> float:
        """What a soft stage may contribute to this reading at most: all of it, less what a falling branch explains."""
        seen = max(self.excess(last) + 2.0 * last.sigma, last.floor)
        told = [r for r in (*self.good, *self.excluded) if r.level_db < last.level_db - 1.0 and self.informative(r)]
        if not told or not self.informative(last):
            return seen
        lower = max(told, key=lambda r: r.level_db)
        fallen = self.excess(lower) * 10.0 ** ((lower.level_db - last.level_db) / 20.0)
        if lower.distortion <= last.distortion + 2.0 * math.hypot(lower.sigma, last.sigma):
            return seen
        unexplained = math.sqrt(max(self.excess(last) ** 2 - fallen**2, 0.0))
        return max(unexplained, HIDDEN_SHARE * self.excess(last), last.floor) + 2.0 * last.sigma

    def u(self, reading: Reading) -> float:
        return overdrive_db(math.sqrt(max(self.excess(reading) ** 2 - self.low_branch() ** 2, 0.0)))

    def sigma_u(self, reading: Reading) -> float:
        seen = self.excess(reading)
        return overdrive_db(seen + reading.sigma) - overdrive_db(seen)

    def hidden_db(self, good: Reading) -> float:
        """g: what a hard clip still hides above a clean reading."""
        if self.known.collapse_possible:
            return 0.0
        return max(0.0, overdrive_db(self.room(good)) - self.u(good)) / self.known.rail_ratio

    def aim(self, good: Reading | None) -> float | None:
        """The crossing as rising readings foretell it, half a resolution lower: a pair's own line, else slope 1."""
        if good is None or not self.informative(good) or good.level_db < self.low_db - NEAR_PAIR_DB * 2:
            return None
        if (foretold := self.foretold_db(good)) is not None:
            return foretold - self.settings.resolution_db / 2.0
        u = self.u(good)
        if u <= 0.02:
            return None
        return good.level_db + (overdrive_db(self.room(good)) - u) - self.settings.resolution_db / 2.0

    def foretold_db(self, good: Reading, *, surely: bool = False) -> float | None:
        """Where the line in u through two rising good readings meets the limit; None without a near pair.

        A rise lost in the noise counts as large as the noise allows, which puts the crossing nearer; not where it
        must be sure.
        """
        under = [g for g in self.good if NEAR_PAIR_DB >= good.level_db - g.level_db > 0.02 and self.informative(g)]
        if not under:
            return None
        wide = [g for g in under if good.level_db - g.level_db >= WIDE_PAIR_DB]
        lower = max(reversed(wide or under), key=lambda g: g.level_db)
        ua, ub, gap = self.u(lower), self.u(good), good.level_db - lower.level_db
        least = max(4.0 * math.hypot(self.sigma_u(lower), self.sigma_u(good)), LEAST_RISE * gap)
        if ub - ua < least and (surely or least >= gap or ua <= LEAST_RISE):
            return None
        return good.level_db + (overdrive_db(self.room(good)) - ub) / min(max(ub - ua, least) / gap, STEEPEST)

    def slope_above(self, bad: Reading) -> float:
        """u per dB at a reading above the limit, of a near pair there: a hard clip has 1, a soft unit less."""
        upper = [b for b in self.bad if NEAR_PAIR_DB >= b.level_db - bad.level_db >= WIDE_PAIR_DB]
        if not upper:
            return 1.0
        above = min(upper, key=lambda b: b.level_db)
        slope = (self.u(above) - self.u(bad)) / (above.level_db - bad.level_db)
        return 1.0 if slope > SOFT_SLOPE else max(slope * BENDS, 0.1)

    def crossing_db(self) -> float | None:
        """Where the line in u through the bracket's ends (or the two highest good readings) meets the limit itself."""
        good, bad = self.best, self.worst
        if good is None:
            return None
        if bad is None:
            return self.foretold_db(good)
        if bad.level_db <= good.level_db:
            return None
        target = overdrive_db(math.sqrt(max(self.limit**2 - bad.floor**2 - self.low_branch() ** 2, 1e-12)))
        ua, ub = self.u(good), self.u(bad)
        if ub <= ua:
            return None
        return good.level_db + (bad.level_db - good.level_db) * min(max((target - ua) / (ub - ua), 0.0), 1.0)

    def sort_in(self, reading: Reading) -> None:
        """Newest reading wins: what contradicts it is dropped, and noted in dB."""
        if reading.output_gone or reading.stop is not None:
            return
        if self.within(reading):
            for old in [b for b in self.bad if b.level_db <= reading.level_db + 1e-9]:
                self.bad.remove(old)
                self.notes.append(f"good at {reading.level_db:.3f} dB after above the limit at {old.level_db:.3f} dB")
            self.good.append(reading)
        elif self.crosses(reading):
            self.stand_as_bad(reading)

    def floor_rules(self, reading: Reading) -> bool:
        """At the window the floor alone is above the limit: nothing can ever be within it."""
        return reading.floor >= self.limit and reading.level_db >= self.low_db - BENEATH_WINDOW_DB

    def keep_good_below(self, level_db: float) -> None:
        """After a hit of the protection or a stop there, nothing at or above it is a clean reading any more."""
        self.good = [g for g in self.good if g.level_db < level_db - 1e-9]

    def stand_as_bad(self, reading: Reading) -> None:
        for old in [g for g in self.good if g.level_db >= reading.level_db - 1e-9]:
            self.good.remove(old)
            self.notes.append(f"above the limit at {reading.level_db:.3f} dB after good at {old.level_db:.3f} dB")
        if reading not in self.bad:
            self.bad.append(reading)

    def set_aside(self, *readings: Reading) -> None:
        """These are of a falling branch, and so is what stands above the limit without a clean reading below it."""
        lowest = min((g.level_db for g in self.good), default=math.inf)
        loose = [b for b in self.bad if b.level_db <= lowest]
        self.bad = [b for b in self.bad if b not in loose]
        self.excluded += [r for r in (*loose, *readings) if r not in self.bad]

    def crosses(self, reading: Reading) -> bool:
        """Above the limit, informative, over a good reading, and with gain lost as a clip loses it."""
        if not self.informative(reading):
            return False
        below = [g for g in self.good if g.level_db < reading.level_db]
        if not below:
            return False
        if self.limit < 0.01 or reading.even:
            return True
        lost = self.gain_db(max(below, key=lambda g: g.level_db)) - self.gain_db(reading)
        reference = max(self.gain_db(g) for g in below)
        lost = max(lost, reference - self.gain_db(reading))
        return lost >= 0.4 * gain_loss_db(self.excess(reading)) - 0.02 or reading.distortion > 3.0 * self.limit

    def gain_db(self, reading: Reading) -> float:
        return reading.output_db - reading.level_db

    def slope(self) -> float | None:
        """dB of distortion per dB of level, from the two highest informative good readings."""
        rising = sorted((g for g in self.good if self.informative(g)), key=lambda r: r.level_db)[-2:]
        if len(rising) < 2 or rising[1].level_db - rising[0].level_db < 0.2:
            return None
        a, b = rising
        return 20.0 * math.log10(self.excess(b) / self.excess(a)) / (b.level_db - a.level_db)

    def closed(self) -> bool:
        """The bracket is as narrow as the resolution, or a near rising pair puts the crossing within it."""
        good, bad = self.best, self.worst
        assert good is not None
        if bad is not None and bad.level_db - good.level_db <= self.settings.resolution_db + self.least_db / 2.0:
            return True
        if not self.informative(good):
            return False
        within = self.settings.resolution_db
        if bad is not None and bad.level_db - good.level_db <= BRACKET_PAIR_DB:
            crossing = self.crossing_db()
            return crossing is not None and 0.0 <= crossing - good.level_db <= within
        foretold = self.foretold_db(good, surely=True) if bad is None else None
        return (
            foretold is not None and good.level_db > self.low_db - NEAR_PAIR_DB and foretold - good.level_db <= within
        )

    def guard_db(self, reason: str) -> float:
        """A little down where the good reading lies so near the crossing that a fresh one would miss by noise."""
        crossing = self.crossing_db()
        if reason != "crossing" or crossing is None or self.best is None:
            return 0.0
        per_db = self.rise_per_db()
        needed = 4.0 * self.best.sigma / per_db if per_db > 0 else 0.0
        near = crossing - self.best.level_db
        return min(max(0.0, needed - near), GUARD_AT_MOST_DB)

    def rise_per_db(self) -> float:
        good, bad = self.best, self.worst
        if good is None or bad is None or bad.level_db <= good.level_db:
            return 0.0
        return (bad.distortion - good.distortion) / (bad.level_db - good.level_db)

    def beyond_db(self, reading: Reading) -> float:
        """How far above the crossing a missed reading lies, as a hard clip."""
        return max(0.0, self.u(reading) - overdrive_db(self.room(reading)))
