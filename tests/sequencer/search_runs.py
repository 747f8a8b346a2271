"""One search on one unit, written down whole, and the plain ramp it is held against."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache

import numpy as np

from sequencer.measurements.search import search
from sequencer.measurements.search_model import Ask, Found, Knowledge, Reading, Settings
from tests.sequencer.search_sampled import sampled
from tests.sequencer.search_units import GAIN_DB, LIMIT, PLAIN, Unit, unit

UNITS, SAMPLED = 500, 50
GRID_DB = 0.001  # the generator's step
HARD_AT_1_PCT_DB = 0.2513  # over-drive of a symmetrical hard clip at 1 %: its Fourier series, closed form
WAYS = {"±0.5 known": (0.5, True), "±1.5 known": (1.5, True), "±1.5 unknown": (1.5, False)}


def round_down(level_db: float) -> float:
    return math.floor(level_db / GRID_DB + 1e-6) * GRID_DB


@dataclass
class Run:
    """asked and told, the crossing at the moment of each shot, and what came out."""

    kind: str
    known: Knowledge
    settings: Settings
    limits: tuple[float, ...]
    asked: list[Ask] = field(default_factory=list)
    told: list[Reading] = field(default_factory=list)
    crossing_db: list[float] = field(default_factory=list)
    crest: list[float] = field(default_factory=list)  # output re that at the crossing
    found: tuple[Found, ...] = ()
    fresh_ok: bool | None = None
    error_db: float = math.nan

    @property
    def ended(self) -> str:
        return self.found[0].ended

    @property
    def shots(self) -> int:
        return len(self.told)

    @property
    def first_confirm(self) -> int:
        """Shots up to and with the first confirm."""
        return next((i + 1 for i, a in enumerate(self.asked) if a.purpose == "confirm"), len(self.asked))

    @property
    def overshoot_db(self) -> float:
        return max(a.level_db - x for a, x in zip(self.asked, self.crossing_db, strict=True))

    @property
    def energy(self) -> float:
        """Output energy in units of one shot at the crossing."""
        return float(sum(a**2 for a in self.crest))

    @property
    def heat(self) -> float:
        """Heat in a class B stage, units of one shot at the crossing: (4/pi) a - a^2, closed form."""
        at_crossing = 4.0 / math.pi - 1.0
        return float(sum(max(4.0 / math.pi * a - a**2, 0.0) / at_crossing for a in self.crest))

    def write(self, one: Unit, ask: Ask) -> Reading:
        limit = self.limits[0]
        self.asked.append(ask)
        self.crossing_db.append(one.crossing_db(limit))
        at_limit_db = self.crossing_db[-1] + GAIN_DB + one.curve.at(one.curve.crossing_db(limit))[1]
        reading = one.fire(ask.level_db)
        self.told.append(reading)
        away = reading.output_db - at_limit_db
        self.crest.append(10.0 ** (away / 20.0) if math.isfinite(away) and away < 6.0 else 0.0)
        return reading


def told_window(one: Unit, seed: int, half_db: float, softness_known: bool) -> Knowledge:
    """A window for the onset of a hard clip, in which this unit's crossing lies anywhere, both ends included.

    The bounds are hard ones: they hold while the unit warms up.
    """
    rng = np.random.default_rng([13, seed])
    crossing = one.crossing_db(LIMIT)
    onset = (crossing if math.isfinite(crossing) else one.knee_db) - HARD_AT_1_PCT_DB
    lowest, highest = sorted((onset, onset + one.settles_db))
    centre = rng.uniform(highest - half_db, lowest + half_db)
    return Knowledge(centre - half_db, centre + half_db, softness_known, collapse_possible=one.kind == "fold-back")


def settings_for(one: Unit, seed: int) -> Settings:
    if one.kind != "ceiling":
        return Settings(round_down=round_down)
    below = np.random.default_rng([17, seed]).uniform(0.2, 5.0)
    return Settings(round_down=round_down, ceiling_db=one.crossing_db(LIMIT) - below)


def searched(one: Unit, known: Knowledge, settings: Settings, limits: Sequence[float] = (LIMIT,)) -> Run:
    run = Run(one.kind, known, settings, tuple(limits))
    course = search(limits, known, settings)
    try:
        ask = next(course)
        while True:
            ask = course.send(run.write(one, ask))
    except StopIteration as end:
        run.found = end.value
    accepted = run.found[0].accepted_db
    if accepted is not None:
        run.error_db = accepted - one.crossing_db(limits[0])
        run.fresh_ok = one.fire(accepted).distortion <= limits[0]
    return run


def ramped(one: Unit, known: Knowledge, settings: Settings) -> Run:
    """The plain ramp: a harmless shot, then from the window's bottom up in 0.25 dB until above the limit, from the
    last good level up in 0.05 dB until above it again, and the last good level confirmed; a miss goes 0.05 dB down.
    """
    run = Run(one.kind, known, settings, (LIMIT,))
    coarse, fine = 0.25, 0.05

    def good(level_db: float, confirm: bool = False) -> bool:
        ask = Ask(round_down(level_db), "confirm" if confirm else "ramp", LIMIT)
        return run.write(one, ask).distortion <= LIMIT

    level = known.low_db + HARD_AT_1_PCT_DB
    good((known.low_db + known.high_db) / 2.0 - 18.0)
    while not good(level) and run.shots < 60:  # noisy or crossover: the window's bottom may still be bad
        level += coarse
    while good(level + coarse) and run.shots < 60:
        level += coarse
    for _ in range(4):
        if not good(level + fine):
            break
        level += fine
    while run.shots < 90 and not all(good(level, True) for _ in range(settings.confirms)):
        level -= fine
    return run


@dataclass(frozen=True)
class Pair:
    search: Run
    ramp: Run | None


@cache
def runs(kind: str, way: str, units: int = UNITS) -> tuple[Pair, ...]:
    """All units of a kind searched one way; of the plain kinds the first 50 are read through samples."""
    half_db, softness_known = WAYS[way]
    pairs = []
    for seed in range(units):
        draw = sampled if kind in PLAIN and seed < SAMPLED else unit
        one = draw(kind, seed)
        known, settings = told_window(one, seed, half_db, softness_known), settings_for(one, seed)
        run = searched(one, known, settings)
        ramp = ramped(draw(kind, seed), known, settings) if kind in PLAIN else None
        pairs.append(Pair(run, ramp))
    return tuple(pairs)
