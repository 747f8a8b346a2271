"""The level search on 500 units of every kind: shots, overshoot, energy, how it ends, and whether a fresh shot agrees.

The figures asked for are the project's own. The units, and the plain ramp it is held against, are in search_units.py,
search_sampled.py and search_runs.py; the truth is where the unit's own curve (numpy's FFT of its wave) meets the limit.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence

import numpy as np
import pytest

from sequencer.measurements.search import search
from sequencer.measurements.search_model import Found, Knowledge, Reading, Settings
from tests.sequencer.search_runs import UNITS, WAYS, Pair, Run, runs, searched, settings_for, told_window
from tests.sequencer.search_units import LIMIT, OTHERS, PLAIN, unit

FIRST_CONFIRM_MOST = {"±0.5 known": (7, 10), "±1.5 known": (9, None), "±1.5 unknown": (12, None)}  # median, p95
ENERGY_MOST = {"±0.5 known": 0.65, "±1.5 known": 0.65, "±1.5 unknown": 0.75}
RIGHT_END = {
    "limiter": "limited", "protection below": "protected", "never below": "never_below", "floor above": "floor",
    "ceiling": "ceiling", "very soft": "crossing", "fold-back": "crossing",
}  # fmt: skip
REPORTED = ("protection just above", "crossover, hardly below")  # two ends are right there


def plain(way: str) -> list[Pair]:
    return [pair for kind in PLAIN for pair in runs(kind, way)]


def searches(pairs: Sequence[Pair]) -> list[Run]:
    return [pair.search for pair in pairs]


def line(name: str, way: str, pairs: Sequence[Pair]) -> str:
    found = searches(pairs)
    first = [r.first_confirm for r in found]
    accepted = [r for r in found if r.fresh_ok is not None]
    fresh = f"{100 * np.mean([bool(r.fresh_ok) for r in accepted]):5.1f}" if accepted else "  n/a"
    low, high = np.quantile([r.error_db for r in accepted], [0.01, 0.99]) if accepted else (math.nan, math.nan)
    over = [r.overshoot_db for r in found if math.isfinite(r.overshoot_db)]
    ends = ", ".join(f"{end} {n}" for end, n in Counter(r.ended for r in found).most_common())
    return (
        f"{way:13s} {name:24s} {np.median(first):4.0f} {np.quantile(first, 0.95):4.0f} {max(first):4d}"
        f" {np.mean([r.shots for r in found]):6.1f} {max(over, default=math.nan):6.2f} {low:7.3f} {high:6.3f}"
        f" {fresh} {shares(pairs)}  {ends}"
    )


def shares(pairs: Sequence[Pair]) -> str:
    """Energy and heat of the search (units of one shot at the crossing), and as shares of the ramp's."""
    energy, heat = (float(np.mean([getattr(r, what) for r in searches(pairs)])) for what in ("energy", "heat"))
    ramps = [pair.ramp for pair in pairs if pair.ramp is not None]
    if len(ramps) < len(pairs):
        return f"{energy:5.1f}       {heat:5.1f}      "
    of_energy = energy / np.mean([r.energy for r in ramps])
    of_heat = heat / np.mean([r.heat for r in ramps])
    return f"{energy:5.1f} ({of_energy:.2f}){heat:5.1f} ({of_heat:.2f})"


def test_print_the_table() -> None:
    """With -s: one line per kind and way; the pool of the plain kinds last."""
    print()
    print(
        "window        kind                     first confirm: median, p95, max; all shots; overshoot dB;"
        " error dB 1 % 99 %; fresh ok %; energy (of ramp) heat (of ramp); ends"
    )
    for way in WAYS:
        for kind in PLAIN + OTHERS:
            assert len(runs(kind, way)) == UNITS
            print(line(kind, way, runs(kind, way)))
        print(line("POOL of the plain kinds", way, plain(way)))


@pytest.mark.parametrize("way", WAYS)
def test_few_shots_to_the_first_confirm(way: str) -> None:
    """Median and 95th percentile over the eight plain kinds, 4,000 units; the further confirms are two more."""
    first = [r.first_confirm for r in searches(plain(way))]
    median, p95 = FIRST_CONFIRM_MOST[way]
    assert np.median(first) <= median
    if p95 is not None:
        assert np.quantile(first, 0.95) <= p95
    assert all(len(r.found[0].confirms) == 3 for r in searches(plain(way)) if r.ended == "crossing")


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("kind", PLAIN)
def test_never_far_above_the_crossing(kind: str, way: str) -> None:
    """Against the unit's crossing at the moment of the shot, with its drift and its memory of an overload."""
    assert max(r.overshoot_db for r in searches(runs(kind, way))) <= 0.3


@pytest.mark.parametrize("way", WAYS)
def test_less_output_energy_than_a_plain_ramp(way: str) -> None:
    """Pooled mean over the plain kinds; same units, same window, same number of confirms."""
    pairs = plain(way)
    ramps = [pair.ramp for pair in pairs if pair.ramp is not None]
    assert len(ramps) == len(pairs)
    assert np.mean([r.energy for r in searches(pairs)]) <= ENERGY_MOST[way] * np.mean([r.energy for r in ramps])


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("kind", [*PLAIN, *RIGHT_END])
def test_ends_by_the_right_reason(kind: str, way: str) -> None:
    """The unit was built to end so: 99 of 100."""
    right = RIGHT_END.get(kind, "crossing")
    assert np.mean([r.ended == right for r in searches(runs(kind, way))]) >= 0.99


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("kind", REPORTED)
def test_two_right_ends_where_two_are_true(kind: str, way: str) -> None:
    """A trip hardly above the crossing; a stretch within the limit narrower than 1 dB: one of the two, nothing else."""
    other = {"protected"} if kind == "protection just above" else {"never_below", "drifting", "not_repeatable"}
    assert {r.ended for r in searches(runs(kind, way))} <= {"crossing"} | other


@pytest.mark.parametrize("way", WAYS)
def test_a_fresh_shot_at_the_accepted_level_is_within_the_limit(way: str) -> None:
    """One more shot after the end, over the plain kinds; what drifts on its own counts too."""
    ended = [r for r in searches(plain(way)) if r.fresh_ok is not None]
    assert len(ended) >= 0.99 * len(plain(way))
    assert np.mean([bool(r.fresh_ok) for r in ended]) >= 0.97


@pytest.mark.parametrize("way", WAYS)
def test_the_accepted_level_is_close_below_the_crossing(way: str) -> None:
    """Hard clip: within three resolutions below, and above by no more than the noise of a reading."""
    errors = np.array([r.error_db for r in searches(runs("hard clip", way))])
    assert np.quantile(errors, 0.01) >= -0.15
    assert errors.max() <= 0.01


@pytest.mark.parametrize("kind", ["hard clip", "sag", "one-sided", "soft-edged"])
@pytest.mark.parametrize("way", ["±0.5 known", "±1.5 known"])
def test_several_limits_share_their_readings(kind: str, way: str) -> None:
    """10 % and 1 % of one unit, highest first: both right (the unit's own curve), with fewer shots than apart."""
    half_db, softness_known = WAYS[way]
    together = apart = 0
    for seed in range(100):
        known, how = told_window(unit(kind, seed), seed, half_db, softness_known), settings_for(unit(kind, seed), seed)
        one = unit(kind, seed)
        run = searched(one, known, how, (0.1, LIMIT))
        together += run.shots
        apart += sum(searched(unit(kind, seed), known, how, (limit,)).shots for limit in (0.1, LIMIT))
        assert [f.limit for f in run.found] == [0.1, LIMIT]
        for found in run.found:
            assert found.ended == "crossing"
            assert found.accepted_db is not None
            assert -0.25 <= found.accepted_db - one.crossing_db(found.limit) <= 0.02
    print(f"{way} {kind}: {together / 100:.1f} shots together, {apart / 100:.1f} apart")
    assert together < apart


def ask_all(
    known: Knowledge, how: Settings, from_db: dict[float, tuple[float, float, float]]
) -> tuple[Found, list[float]]:
    """A unit given by a table: (distortion, floor, gain in dB) from each level upwards; no noise."""
    course = search([LIMIT], known, how)
    asked: list[float] = []
    try:
        ask = next(course)
        while True:
            asked.append(ask.level_db)
            thd, floor, gain_db = max((level, row) for level, row in from_db.items() if level <= ask.level_db)[1]
            ask = course.send(Reading(ask.level_db, thd, floor, 0.0, ask.level_db + gain_db))
    except StopIteration as end:
        (found,) = end.value
        return found, asked


def test_noise_above_the_limit_at_a_low_level_is_no_crossing() -> None:
    """Floor of 1.2 % where the range is too wide for the level, 0.02 % at the knee; 30 % from 0.2 dB upwards."""
    low, knee, clipped = (0.0121, 0.012, 0.0), (0.0002, 0.0002, 0.0), (0.3, 0.0002, -3.0)
    known = Knowledge(-0.5, 0.5, softness_known=True)
    found, _ = ask_all(known, Settings(), {-99.0: low, -10.0: knee, 0.2: clipped})
    assert found.ended == "crossing"
    assert found.accepted_db is not None
    assert 0.2 - 0.1 <= found.accepted_db < 0.2


def test_a_floor_above_the_limit_at_the_window_is_said_so() -> None:
    """Nothing can be within a limit that the digitiser's own floor passes."""
    found, asked = ask_all(Knowledge(-0.5, 0.5, softness_known=True), Settings(), {-99.0: (0.012, 0.012, 0.0)})
    assert found.ended == "floor"
    assert found.accepted_db is None
    assert len(asked) <= 3


def test_a_window_above_the_ceiling_ends_at_the_ceiling() -> None:
    """The bench's ceiling is the highest level ever asked; a unit still clean there is a finding of its own."""
    clean = {-99.0: (0.0002, 0.0002, 0.0)}
    found, asked = ask_all(Knowledge(5.0, 6.0, softness_known=True), Settings(ceiling_db=2.0), clean)
    assert found.ended == "ceiling"
    assert max(asked) == found.accepted_db == 2.0
