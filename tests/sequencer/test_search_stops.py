"""The level search when something outside it says stop, and after a lost output; and the clip's law it reckons with.

The unit is a hard clip without noise, read from a sampled cycle by numpy's FFT. What must happen is the project's
own promise.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from sequencer.measurements.clip_law import gain_loss_db, overdrive_db
from sequencer.measurements.search import search
from sequencer.measurements.search_model import Ask, Found, Knowledge, Reading, Settings

# Symmetrically clipped sine: clip ratio r and its THD(F), closed form of the Fourier series (b1, mean square).
CLIPPED = ((0.99, 0.00286177), (0.95, 0.01924014), (0.9, 0.04219933), (0.8, 0.08978576), (0.5, 0.23293814))
# Of the same series: at this THD(F), fundamental power over the just unclipped power, P1/P0, and the clip ratio.
FUNDAMENTAL = ((0.01, 1.0474011, 0.971486940), (0.1, 1.2750118, 0.778651164))

ONSET_DB = 1.7
KNOWN = Knowledge(ONSET_DB - 0.3, ONSET_DB + 0.7, softness_known=True)
SINE = np.sin(2.0 * math.pi * (np.arange(512) + 0.37) / 512)

Answer = Callable[[Ask, int], Reading]


def clipper(level_db: float) -> Reading:
    wave = np.clip(10.0 ** ((level_db - ONSET_DB) / 20.0) * SINE, -1.0, 1.0)
    lines = np.abs(np.fft.rfft(wave))
    thd = float(np.sqrt((lines[2:21] ** 2).sum()) / lines[1])
    return Reading(level_db, math.hypot(thd, 1e-4), 1e-4, 1e-5, 20.0 * math.log10(lines[1]) + ONSET_DB)


@dataclass
class Talk:
    """One search, all it asked and was told."""

    found: tuple[Found, ...] = ()
    asks: list[Ask] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)


def talk(limits: Sequence[float], answer: Answer) -> Talk:
    """answer: of the ask and its number, from 1."""
    done = Talk()
    asking = search(limits, KNOWN, Settings())
    try:
        ask = next(asking)
        while True:
            done.asks.append(ask)
            done.readings.append(answer(ask, len(done.asks)))
            ask = asking.send(done.readings[-1])
    except StopIteration as end:
        done.found = end.value
    return done


@pytest.mark.parametrize("word", ["temperature", "time_budget", "energy_budget", "person"])
@pytest.mark.parametrize("shot", [1, 3, 5])
def test_what_forbids_driving_ends_all_limits_at_once(word: str, shot: int) -> None:
    """Not one shot more, neither for this limit nor for a lower one; both say why."""
    done = talk([0.01, 0.1], lambda ask, n: replace(clipper(ask.level_db), stop=word if n == shot else None))
    assert len(done.asks) == shot
    assert [f.limit for f in done.found] == [0.1, 0.01]
    assert [f.ended for f in done.found] == [word, word]
    assert all(f.accepted_db is None for f in done.found)
    assert [f.shots for f in done.found] == [shot, 0]


@pytest.mark.parametrize("word", ["early_cycles", "supply_current_limit", "rail_moved"])
def test_what_forbids_a_level_ends_the_climb_below_it(word: str) -> None:
    """What was clean beneath is confirmed; nothing is driven at or above the level it was seen at."""
    done = talk(
        [0.01],
        lambda ask, n: replace(clipper(ask.level_db), stop=word if ask.level_db >= ONSET_DB - 0.1 else None),
    )
    (found,) = done.found
    first = next(n for n, r in enumerate(done.readings) if r.stop)
    assert found.ended == word
    assert found.accepted_db is not None
    assert len(found.confirms) == 3
    assert all(a.level_db < done.readings[first].level_db for a in done.asks[first + 1 :])


def test_after_a_lost_output_a_lower_limit_is_sought_beneath_it() -> None:
    """Lost 1 dB above the onset: 10 % lies 2.17 dB above it and can't be reached. The output is lost once."""
    done = talk([0.1, 0.01], lambda ask, n: replace(clipper(ask.level_db), output_gone=ask.level_db > ONSET_DB + 1.0))
    high, low = done.found
    lost_db = next(r.level_db for r in done.readings if r.output_gone)
    assert high.ended == "protected"
    assert high.accepted_db is None or high.accepted_db < lost_db
    assert low.accepted_db is None or low.accepted_db <= ONSET_DB + 0.26  # over-drive at 1 %: 0.2513 dB, closed form
    assert sum(r.output_gone for r in done.readings) == 1


@pytest.mark.parametrize(("ratio", "thd"), CLIPPED)
def test_overdrive_of_a_clipped_sine(ratio: float, thd: float) -> None:
    """-20 log10 r by definition."""
    assert overdrive_db(thd) == pytest.approx(-20.0 * math.log10(ratio), rel=2e-4)


@pytest.mark.parametrize(("thd", "power", "ratio"), FUNDAMENTAL)
def test_gain_lost_by_a_clipped_sine(thd: float, power: float, ratio: float) -> None:
    """b1^2 = P1/P0 x r^2 for a sine of peak 1."""
    assert gain_loss_db(thd) == pytest.approx(-10.0 * math.log10(power * ratio * ratio), rel=2e-4)
