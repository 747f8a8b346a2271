"""What every search keeps, whatever it is told: over all units of the pool, and in worlds that make no sense."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sequencer.measurements.search import search
from sequencer.measurements.search_model import Knowledge, Reading, Settings
from tests.sequencer.search_rules import broken_rules, hard_clip_over_db
from tests.sequencer.search_runs import WAYS, Run, round_down, runs
from tests.sequencer.search_units import OTHERS, PLAIN


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("kind", PLAIN + OTHERS)
def test_rules_hold_for_every_unit(kind: str, way: str) -> None:
    """The rules are the project's own promise: harmless levels, newest reading wins, nothing interpolated."""
    broken = [(seed, why) for seed, pair in enumerate(runs(kind, way)) for why in broken_rules(pair.search)]
    assert broken == []


def test_checks_know_the_hard_clip() -> None:
    """Over-drive of a symmetrical hard clip at 0.1, 1 and 10 %: closed form of its Fourier series."""
    for ratio, over_db in ((0.001, 0.0367), (0.01, 0.2513), (0.1, 2.1731)):
        assert hard_clip_over_db(ratio) == pytest.approx(over_db, abs=0.005)  # the check counts harmonics to the 20th


@dataclass(frozen=True)
class World:
    """Readings from nowhere: a clip at a random place seen through lies, or numbers with no meaning at all."""

    seed: int
    knee_db: float
    lies: float
    floor: float
    sigma: float
    gone: float
    stop: float

    def reading(self, rng: np.random.Generator, level_db: float) -> Reading:
        over = level_db - self.knee_db
        honest = 0.0 if over <= 0 else min(0.02 * over**0.75, 0.4)
        lie = rng.random() < self.lies
        distortion = 10 ** rng.uniform(-5, 0.3) if lie else math.hypot(honest, self.floor) * rng.uniform(0.95, 1.05)
        return Reading(
            level_db=level_db,
            distortion=float(distortion),
            floor=self.floor * (rng.uniform(0.1, 10) if lie else 1.0),
            sigma=self.sigma * distortion,
            output_db=level_db + 26.0 - max(over, 0.0) * 0.3 + (rng.normal() * 3 if lie else 0.0),
            output_gone=bool(rng.random() < self.gone),
            even=bool(rng.random() < 0.3),
            stop="rail_moved" if rng.random() < self.stop else None,
        )


often_nothing = st.sampled_from([0.0, 0.0, 0.02, 0.1])
worlds = st.builds(
    World,
    seed=st.integers(0, 2**32 - 1),
    knee_db=st.floats(-25, 25),
    lies=st.sampled_from([0.0, 0.1, 0.5, 1.0]),
    floor=st.floats(1e-5, 0.03),
    sigma=st.sampled_from([0.0, 0.003, 0.05, 0.5]),
    gone=often_nothing,
    stop=often_nothing,
)
told = st.builds(
    lambda low, width, known, rail, fold: Knowledge(low, low + width, known, rail, fold),
    st.floats(-20, 20), st.floats(0, 6), st.booleans(), st.floats(1.0, 2.0), st.booleans(),
)  # fmt: skip
set_so = st.builds(
    lambda resolution, confirms, most, ceiling: Settings(
        resolution_db=resolution, confirms=confirms, shots_at_most=most, ceiling_db=ceiling, round_down=round_down
    ),
    st.sampled_from([0.02, 0.05, 0.1, 0.2]), st.integers(1, 4), st.integers(1, 60), st.floats(-40, 60),
)  # fmt: skip
some_limits = st.lists(st.sampled_from([0.001, 0.005, 0.01, 0.03, 0.1]), min_size=1, max_size=3, unique=True)


@settings(max_examples=600, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(worlds, told, set_so, some_limits)
def test_rules_hold_in_worlds_that_make_no_sense(
    world: World, known: Knowledge, how: Settings, limits: list[float]
) -> None:
    """No source: the same promises, and an end by a named reason within the shots allowed."""
    run = Run("nonsense", known, how, tuple(sorted(limits, reverse=True)))
    rng = np.random.default_rng(world.seed)
    course = search(limits, known, how)
    try:
        ask = next(course)
        while True:
            run.asked.append(ask)
            run.told.append(world.reading(rng, ask.level_db))
            ask = course.send(run.told[-1])
    except StopIteration as end:
        run.found = end.value
    assert len(run.found) == len(limits)
    assert broken_rules(run) == []
