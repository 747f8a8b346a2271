"""The rules every search keeps, checked on what it asked and was told: nothing here asks the search what it thought."""

from __future__ import annotations

import math
from bisect import bisect_left
from functools import cache

from sequencer.measurements.search_model import Reading
from tests.sequencer.search_runs import Run
from tests.sequencer.search_units import hard_curve

NAMED = {
    "crossing", "limited", "protected", "never_below", "floor", "ceiling", "drifting", "not_repeatable", "budget",
}  # fmt: skip
CONFIRMED = {"crossing", "limited", "protected", "ceiling", "early_cycles", "supply_current_limit", "rail_moved"}
STOPS = {"early_cycles", "supply_current_limit", "rail_moved", "time_budget", "energy_budget"}
HAIR_DB = 1e-6


@cache
def _rising() -> tuple[list[float], list[float]]:
    curve = hard_curve()
    start = next(i for i, db in enumerate(curve.drive_db) if db >= -1e-9)
    return curve.thd[start:], curve.drive_db[start:]


def hard_clip_over_db(ratio: float) -> float:
    """Over-drive of a symmetrical hard clip with this THD, from numpy's FFT of the clipped wave."""
    thd, over = _rising()
    i = min(max(bisect_left(thd, ratio), 1), len(thd) - 1)
    share = (ratio - thd[i - 1]) / max(thd[i] - thd[i - 1], 1e-12)
    return over[i - 1] + min(max(share, 0.0), 1.0) * (over[i] - over[i - 1])


def usable(reading: Reading) -> bool:
    return not reading.output_gone and reading.stop is None


def good(reading: Reading, limit: float) -> bool:
    return usable(reading) and reading.distortion + 2.0 * reading.sigma <= limit


def excess(reading: Reading) -> float:
    return math.sqrt(max(reading.distortion**2 - reading.floor**2, 0.0))


def informative(reading: Reading, limit: float) -> bool:
    above_noise = reading.distortion > reading.floor + 2.0 * reading.sigma
    return above_noise and excess(reading) > max(0.5 * reading.floor, 0.02 * limit)


def surely_above(told: list[Reading], limit: float) -> list[Reading]:
    """Readings above the limit that must stand: informative, over a good one not contradicted since, far above the
    limit, and not contradicted by a newer good one at their level or higher."""
    standing: list[Reading] = []
    goods: list[Reading] = []
    for reading in told:
        if good(reading, limit):
            standing = [b for b in standing if b.level_db > reading.level_db + 1e-9]
            goods.append(reading)
        elif usable(reading) and informative(reading, limit) and reading.distortion > 3.0 * limit:
            goods = [g for g in goods if g.level_db < reading.level_db - 1e-9]
            if goods:
                standing.append(reading)
    return standing


def hidden_db(reading: Reading, told: list[Reading], run: Run, limit: float) -> float:
    """g: what a hard clip may still hide above a clean reading; its low-level part, at most, taken off as crossover."""
    if run.known.collapse_possible:
        return 0.0
    below = [r for r in told if usable(r) and r.level_db <= reading.level_db and informative(r, limit)]
    low = max((excess(r) * 10 ** ((r.level_db - reading.level_db) / 20) for r in below), default=0.0)
    near = max((excess(r) for r in below if reading.level_db - r.level_db <= 1.5), default=0.0)
    clip = math.sqrt(max(excess(reading) ** 2 - max(low, near) ** 2, 0.0))
    at_limit = math.sqrt(max(limit**2 - reading.floor**2, (0.3 * limit) ** 2))
    return max(hard_clip_over_db(at_limit) - hard_clip_over_db(clip), 0.0) / run.known.rail_ratio


def highest_allowed_db(run: Run, told: list[Reading], limit: float) -> float:
    """Rule (a). A reading above the limit counts with the excluded ones unless it must stand."""
    loose = run.settings.bound_db - run.settings.margin_db
    loose = min(loose, 0.25) if run.known.collapse_possible else loose
    levels = [run.known.low_db + hard_clip_over_db(limit) + loose]
    standing = surely_above(told, limit)
    for reading in told:
        if good(reading, limit):
            levels.append(reading.level_db + loose + hidden_db(reading, told, run, limit))
        elif usable(reading) and reading not in standing:
            levels.append(reading.level_db + loose)
    return max(levels) + 0.005  # the check's clip counts harmonics to the 20th only


def broken_rules(run: Run) -> list[str]:
    """Every rule broken, in words; none if the search kept them."""
    broken: list[str] = []
    gone_db = math.inf
    for i, ask in enumerate(run.asked):
        told, limit, level = run.told[:i], ask.limit, ask.level_db
        standing = surely_above(told, limit)
        if level > run.settings.ceiling_db + HAIR_DB:
            broken.append(f"shot {i + 1}: above the ceiling")
        if abs(run.settings.round_down(level) - level) > HAIR_DB:
            broken.append(f"shot {i + 1}: not a level the generator has")
        if standing and level >= min(b.level_db for b in standing) - HAIR_DB:
            broken.append(f"shot {i + 1}: at or above a standing reading above the limit")
        if level >= gone_db - HAIR_DB:
            broken.append(f"shot {i + 1}: at or above a hit of the protection or a stop")
        if limit == run.limits[0] and level > highest_allowed_db(run, told, limit):
            broken.append(f"shot {i + 1}: {level - highest_allowed_db(run, told, limit):.3f} dB higher than allowed")
        if not usable(run.told[i]):
            gone_db = min(gone_db, level)
    return broken + _broken_ends(run)


def _broken_ends(run: Run) -> list[str]:
    broken: list[str] = []
    at = 0
    for found in run.found:
        told = run.told[at : at + found.shots]
        at += found.shots
        if found.ended not in NAMED | STOPS:
            broken.append(f"no name for the end {found.ended!r}")
        if found.shots > run.settings.shots_at_most:
            broken.append("more shots than allowed")
        n = len(found.confirms)
        if found.accepted_db is not None:
            last = told[-n:] if found.ended != "budget" else list(found.confirms)
            if not n or any(abs(r.level_db - found.accepted_db) > HAIR_DB or not good(r, found.limit) for r in last):
                broken.append("accepted a level that was not read good and confirmed")
            if found.ended in CONFIRMED and n != run.settings.confirms:
                broken.append(f"{n} confirms")
        if _contradictions(told, found.limit) and not found.notes:
            broken.append("a contradiction is not noted")
    if at != len(run.told):
        broken.append("shots counted wrongly")
    return broken


def _contradictions(told: list[Reading], limit: float) -> int:
    """Good readings that a newer one, far above the limit at their level or lower, contradicts."""
    count = 0
    for i, reading in enumerate(told):
        far = usable(reading) and informative(reading, limit) and reading.distortion > 3.0 * limit
        earlier = [r for r in told[:i] if good(r, limit)]
        lower = any(r.level_db < reading.level_db - 1e-9 for r in earlier)
        count += far and lower and any(r.level_db >= reading.level_db - 1e-9 for r in earlier)
    return count
