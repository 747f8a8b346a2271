"""What the readings of a search say: which are good, which stand above the limit, where the crossing lies. Pure.

Newest reading wins; a reading above the limit is a crossing only if it is informative, lies over a good one, and gain was lost as a clip
loses it. u is the over-drive of a hard clip with the distortion seen: in it hard clips are straight lines of slope 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise

from sequencer.measurements.clip_law import gain_loss_db, overdrive_db
from sequencer.measurements.search_model import Knowledge, Reading, Settings

NEAR_PAIR_DB = 1.5
WIDE_PAIR_DB = 0.15  # a soft unit rises less than its noise over a narrower one
HIDDEN_SHARE = 0.2  # of a falling distortion: a soft stage with more would show in its fall
CREEP_DB = 0.25  # largest step where a rail may collapse
BENEATH_WINDOW_DB = 3.0  # lower than this under the window, what is not informative says nothing
LEAST_RISE = 0.01  # u: less than this is noise
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
        at = math.sqrt(max((self.limit - 2.0 * reading.sigma) ** 2 - reading.floor**2, (0.3 * self.limit) ** 2))
        return math.sqrt(max(at**2 - self.low_branch() ** 2, 1e-12))

    def low_branch(self) -> float:
        """Excess at the window of what falls, or is flat, with level (crossover, noise): no clip's. 0 where none is seen.

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
            low = min(self.excess(upper), low * 10.0 ** (-gap / 20.0) if gap > NEAR_PAIR_DB else math.inf)
            last = upper
        low *= 10.0 ** (-max(self.low_db - last.level_db, 0.0) / 20.0)
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

    def hidden_db(self, good: Reading) -> float:
        """g: what a hard clip still hides above a clean reading."""
        if self.known.collapse_possible:
            return 0.0
        return max(0.0, overdrive_db(self.room(good)) - self.u(good)) / self.known.rail_ratio

    def aim(self, good: Reading | None) -> float | None:
        """The crossing as rising readings foretell it, half a resolution lower: of a pair by its own line, of one by slope 1."""
        if good is None or not self.informative(good) or good.level_db < self.low_db - NEAR_PAIR_DB * 2:
            return None
        if (foretold := self.foretold_db(good)) is not None:
            return foretold - self.settings.resolution_db / 2.0
        u = self.u(good)
        if u <= 0.02:
            return None
        return good.level_db + (overdrive_db(self.room(good)) - u) - self.settings.resolution_db / 2.0

    def foretold_db(self, good: Reading) -> float | None:
        """Where the line in u through the two highest rising good readings meets the limit; None without a near pair."""
        under = [g for g in self.good if NEAR_PAIR_DB >= good.level_db - g.level_db > 0.02 and self.informative(g)]
        if not under:
            return None
        wide = [g for g in under if good.level_db - g.level_db >= WIDE_PAIR_DB]
        lower = max(reversed(wide or under), key=lambda g: g.level_db)
        ua, ub = self.u(lower), self.u(good)
        if ub - ua < LEAST_RISE and (not wide or ua <= LEAST_RISE):
            return None
        slope = max(ub - ua, LEAST_RISE) / (good.level_db - lower.level_db)
        return good.level_db + (overdrive_db(self.room(good)) - ub) / min(slope, STEEPEST)

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

    def keep_good_below(self, level_db: float) -> None:
        """After a hit of the protection or a stop there, nothing at or above it is a clean reading any more."""
        self.good = [g for g in self.good if g.level_db < level_db - 1e-9]

    def stand_as_bad(self, reading: Reading) -> None:
        for old in [g for g in self.good if g.level_db >= reading.level_db - 1e-9]:
            self.good.remove(old)
            self.notes.append(f"above the limit at {reading.level_db:.3f} dB after good at {old.level_db:.3f} dB")
        if reading not in self.bad:
            self.bad.append(reading)

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
        within = self.settings.resolution_db / 1.25
        if bad is not None and bad.level_db - good.level_db <= NEAR_PAIR_DB:
            crossing = self.crossing_db()
            return crossing is not None and 0.0 <= crossing - good.level_db <= within
        foretold = self.foretold_db(good) if bad is None else None
        return (
            foretold is not None and good.level_db > self.low_db - NEAR_PAIR_DB and foretold - good.level_db <= within
        )

    def guard_db(self, reason: str) -> float:
        """A little down where the good reading lies so near the crossing that a fresh one would miss by noise."""
        crossing = self.crossing_db()
        if reason != "crossing" or crossing is None or self.best is None:
            return 0.0
        per_db = self.rise_per_db()
        needed = 3.0 * self.best.sigma / per_db if per_db > 0 else 0.0
        near = crossing - self.best.level_db
        return min(max(0.0, min(needed, 0.03) - near), 0.03)

    def rise_per_db(self) -> float:
        good, bad = self.best, self.worst
        if good is None or bad is None or bad.level_db <= good.level_db:
            return 0.0
        return (bad.distortion - good.distortion) / (bad.level_db - good.level_db)

    def beyond_db(self, reading: Reading) -> float:
        """How far above the crossing a missed reading lies, as a hard clip."""
        return max(0.0, self.u(reading) - overdrive_db(self.room(reading)))
