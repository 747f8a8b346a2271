"""Statistics against certified and published values; each check names its source."""

from __future__ import annotations

import math
import random
import statistics
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from sequencer.analysis.capability import FEWEST, capability, held
from sequencer.analysis.many import MAD_TO_DEVIATION, lag_one, mean_and_deviation, spread

DATA = Path(__file__).parent / "data"
# NIST Statistical Reference Datasets, univariate: certified mean, standard deviation, lag-1 autocorrelation.
CERTIFIED = {
    "michelso": (299.852400000000, 0.0790105478190518, 0.535199668621283),
    "lew": (-177.435000000000, 277.332168044316, -0.307304800605679),
    "mavro": (2.00185600000000, 0.000429123454003053, 0.937989183438248),
}


@pytest.mark.parametrize("name", CERTIFIED)
def test_mean_deviation_and_lag_one_are_those_certified(name: str) -> None:
    """NIST StRD Michelso, Lew, Mavro: to 13 digits, to 9 where the data's own common part costs them (Mavro)."""
    lines = (DATA / f"{name}.txt").read_text().splitlines()
    values = [float(word) for line in lines if not line.startswith("#") for word in line.split()]
    mean, deviation, lag = CERTIFIED[name]
    found = mean_and_deviation(values)
    assert found[0] == pytest.approx(mean, rel=1e-13)
    assert found[1] == pytest.approx(deviation, rel=1e-11)
    assert lag_one(values) == pytest.approx(lag, rel=1e-9)


def test_a_large_common_part_costs_no_digits() -> None:
    """NIST StRD NumAcc1: 10000001, 10000003, 10000002: mean 10000002, standard deviation 1, exactly."""
    assert mean_and_deviation([10000001.0, 10000003.0, 10000002.0]) == (10000002.0, 1.0)


def test_a_deviation_needs_two_values() -> None:
    with pytest.raises(ValueError, match="two values"):
        mean_and_deviation([1.0])


def test_the_modified_z_score_is_the_handbook_s() -> None:
    """e-Handbook 1.3.5.17: 0.6745 (x - median) / MAD, outlying above 3.5. Of 1 ... 9 and 30, by hand: median 5.5, MAD
    2.5 (distances 4.5 ... 0.5, 24.5), so z(30) = 0.6745 * 24.5 / 2.5 = 6.61 and z(1) = -1.21."""
    ten = spread([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 30.0])
    assert (ten.median, ten.mad) == (5.5, 2.5)
    assert ten.z(30.0) == pytest.approx(0.6745 * 24.5 / 2.5, rel=1e-4)
    assert ten.z(1.0) == pytest.approx(-0.6745 * 4.5 / 2.5, rel=1e-4)
    assert [x for x in (1.0, 9.0, 18.0, 19.0, 30.0) if ten.outlying(x)] == [19.0, 30.0]  # 3.5 lies at 18.47


def test_the_mad_of_a_normal_distribution_gives_its_deviation() -> None:
    """Closed form: the 75 % point of the normal distribution, by the standard library."""
    assert pytest.approx(1.0 / statistics.NormalDist().inv_cdf(0.75), rel=1e-12) == MAD_TO_DEVIATION
    chance = random.Random(11)
    assert spread([chance.gauss(3.0, 0.5) for _ in range(20001)]).deviation == pytest.approx(0.5, rel=0.03)


def test_nothing_stands_apart_where_nothing_is_known_to_be_usual() -> None:
    assert spread([1.0, 1.0, 1.0, 9.0]).z(9.0) is None  # four are too few
    assert spread([1.0, 1.0, 1.0, 1.0, 9.0]).z(9.0) is None  # no distance is usual


def test_of_healthy_units_hardly_one_stands_apart() -> None:
    """Of 100 normal values 3.5 deviations lie beyond 0.047 % a tail pair (closed form): 200 batches give about 9."""
    chance = np.random.default_rng(5)
    count = 0
    for _ in range(200):
        batch = spread(values := list(chance.normal(100.0, 2.0, 100)))
        count += sum(batch.outlying(x) for x in values)
    wanted = 20000 * 2.0 * (1.0 - statistics.NormalDist().cdf(3.5))
    assert wanted / 3.0 < count < 3.0 * wanted


def batch_of(mean: float, deviation: float, count: int = FEWEST) -> list[float]:
    """So many values of exactly that mean and standard deviation: half on each side."""
    away = deviation * math.sqrt((count - 1) / count)
    return [mean + away] * (count // 2) + [mean - away] * (count // 2)


def test_capability_is_the_handbook_s() -> None:
    """e-Handbook 6.1.6: USL 20, LSL 8, mean 16, s 2: Cp 1.0, Cpk 0.6667; k = 0.3333, Cpk = Cp (1 - k)."""
    found = capability(batch_of(16.0, 2.0), 8.0, 20.0)
    assert found is not None
    assert found.cp is not None
    assert (found.mean, found.deviation) == (pytest.approx(16.0), pytest.approx(2.0))
    assert found.cp.value == pytest.approx(1.0)
    assert found.cpk.value == pytest.approx(2.0 / 3.0)
    assert found.cpk.value == pytest.approx(found.cp.value * (1.0 - 1.0 / 3.0))


def test_capability_of_the_piston_rings() -> None:
    """Montgomery, piston rings: LSL 73.95, USL 74.05, mean 74.00118, Rbar 0.02276, d2 2.326: Cp 1.7033, Cpk 1.6631."""
    found = capability(batch_of(74.00118, 0.02276 / 2.326, 126), 73.95, 74.05)
    assert found is not None
    assert found.cp is not None
    assert (found.cp.value, found.cpk.value) == (pytest.approx(1.7033, abs=5e-5), pytest.approx(1.6631, abs=5e-5))


def test_the_intervals_of_capability() -> None:
    """e-Handbook 6.1.6: of Cp by chi square (here SciPy's own distribution). Of Cpk: 1.33 of eight units has +- 0.73
    (the same formula by hand: 1.96 sqrt(1/72 + 1.33^2/14)); of thirty it must be narrower by the same formula."""
    assert 1.96 * math.sqrt(1 / 72 + 1.33**2 / 14) == pytest.approx(0.73, abs=0.005)
    found = capability(batch_of(16.0, 2.0), 8.0, 20.0)
    assert found is not None
    assert found.cp is not None
    ends = [math.sqrt(stats.chi2.ppf(p, FEWEST - 1) / (FEWEST - 1)) for p in (0.025, 0.975)]
    assert (found.cp.low, found.cp.high) == (pytest.approx(ends[0]), pytest.approx(ends[1]))
    half = 1.959964 * math.sqrt(1.0 / (9.0 * FEWEST) + (2.0 / 3.0) ** 2 / (2.0 * (FEWEST - 1)))
    assert found.cpk.high - found.cpk.value == pytest.approx(half, rel=1e-6)
    assert found.cpk.value - found.cpk.low == pytest.approx(half, rel=1e-6)


def test_the_interval_of_cpk_holds_the_true_one() -> None:
    """By simulation: 2,000 batches of 30 with a true one-sided Cpk of 1: between 92 and 97 % hold it (the interval is
    an approximation)."""
    chance, kept = np.random.default_rng(3), 0
    for _ in range(2000):
        found = capability(list(chance.normal(106.0, 2.0, 30)), 100.0, None)
        assert found is not None
        kept += found.cpk.low <= 1.0 <= found.cpk.high
    assert 0.92 < kept / 2000 < 0.97


def test_capability_is_not_told_of_few_units() -> None:
    assert capability(batch_of(16.0, 2.0, FEWEST - 2), 8.0, 20.0) is None
    assert capability(batch_of(16.0, 2.0), None, None) is None
    assert capability([16.0] * 40, 8.0, 20.0) is None
    one_sided = capability(batch_of(16.0, 2.0), 8.0, None)
    assert one_sided is not None
    assert one_sided.cp is None


@pytest.mark.parametrize(
    ("value", "expected"),
    [(103.0, "within"), (102.0, "within"), (101.9, "within, near"), (100.0, "within, near"),
     (99.9, "outside, near"), (98.0, "outside, near"), (97.9, "outside")],
)  # fmt: skip
def test_guard_bands_draw_the_limit_in_and_out_by_the_uncertainty(value: float, expected: str) -> None:
    """JCGM 106:2012, 8.3.2 and 8.3.3, guard band w = U (r = 1): at least 100, U = 2."""
    assert held(value, 2.0, 100.0, None) == expected
    assert held(200.0 - value, 2.0, None, 100.0) == expected  # the mirror


def test_guarded_acceptance_protects_the_customer() -> None:
    """JCGM 106:2012, 8.3.2: accepted at limit + U, the chance that a bad unit passes is at most 2.5 % (one tail of 95
    %); plainly at the limit it is 50 %."""
    chance = np.random.default_rng(9)
    true_w, u = 99.999, 1.0  # just bad
    shown = chance.normal(true_w, u, 40_000)
    passed = sum(held(float(x), 1.96 * u, 100.0, None) == "within" for x in shown) / len(shown)
    assert 0.02 < passed < 0.03
