"""The line, the next order and the pooling against worked examples of others.

Sources: JCGM 100:2008 (GUM), H.1 and H.3; JCGM 101:2008, 9.2 to 9.4; NIST StRD Norris and AtmWtAg (public domain,
certified values from the headers of the files). Monte Carlo is written here, not taken from what is tested.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from uncertainties import covariance_matrix

from sequencer.analysis.line import fit_line
from sequencer.analysis.second_order import second_order
from sequencer.analysis.uncertainty import pool

Reals = NDArray[np.float64]

NORRIS = (  # y, x
    (0.1, 0.2),
    (338.8, 337.4),
    (118.1, 118.2),
    (888.0, 884.6),
    (9.2, 10.1),
    (228.1, 226.5),
    (668.5, 666.3),
    (998.5, 996.3),
    (449.1, 448.6),
    (778.9, 777.0),
    (559.2, 558.2),
    (0.3, 0.4),
    (0.1, 0.6),
    (778.1, 775.5),
    (668.8, 666.9),
    (339.3, 338.0),
    (448.9, 447.5),
    (10.8, 11.6),
    (557.7, 556.0),
    (228.3, 228.1),
    (998.0, 995.8),
    (888.8, 887.6),
    (119.6, 120.2),
    (0.3, 0.3),
    (0.6, 0.3),
    (557.6, 556.8),
    (339.3, 339.1),
    (888.0, 887.2),
    (998.5, 999.0),
    (778.9, 779.0),
    (10.2, 11.1),
    (117.6, 118.3),
    (228.9, 229.2),
    (668.4, 669.1),
    (449.2, 448.9),
    (0.2, 0.5),
)
SILVER = (  # 1e-7 above 107.868, one row an instrument
    (
        1568,
        1465,
        1572,
        1785,
        1446,
        1903,
        1526,
        1494,
        1616,
        1587,
        1519,
        1486,
        1419,
        1569,
        1508,
        1672,
        1385,
        1518,
        1662,
        1424,
        1360,
        1333,
        1610,
        1477,
    ),
    (
        1079,
        1344,
        1513,
        1197,
        1604,
        1385,
        1642,
        1365,
        1151,
        1082,
        1517,
        1448,
        1198,
        1482,
        1334,
        1609,
        1101,
        1512,
        1469,
        1360,
        1254,
        1261,
        1450,
        1368,
    ),
)


def shortest(values: Reals, share: float = 0.95) -> tuple[float, float]:
    """Shortest interval that holds this share of the values (JCGM 101, 7.7)."""
    ordered = np.sort(values)
    inside = round(share * len(ordered))
    at = int(np.argmin(ordered[inside:] - ordered[:-inside]))
    return float(ordered[at]), float(ordered[at + inside])


def test_thermometer_line() -> None:
    """JCGM 100, H.3: y1 = -0.1712, s 0.0029; y2 = 0.00218, s 0.00067; r = -0.930; s = 0.0035; b(30) = -0.1494,
    u 0.0041 (more digits worked from the same readings).
    """
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
    line = fit_line(t, b, x0=20.0)
    assert (line.start.n, line.start.s) == pytest.approx((-0.17120379, 0.0028776), abs=6e-8)
    assert (line.slope.n, line.slope.s) == pytest.approx((0.0021827, 0.00066794), abs=6e-8)
    related = covariance_matrix([line.start, line.slope])[0][1] / (line.start.s * line.slope.s)
    assert related == pytest.approx(-0.930, abs=5e-4)
    assert line.residual == pytest.approx(0.00349756, abs=1e-8)
    assert (line.at(30.0).n, line.at(30.0).s) == pytest.approx((-0.14937681, 0.00413860), abs=1e-8)
    assert line.freedom == 9


def test_norris() -> None:
    """NIST StRD Norris, certified: intercept, slope, their deviations, and the residual's; to ten digits."""
    y, x = np.array(NORRIS).T
    line = fit_line(x, y)
    assert (line.start.n, line.start.s) == pytest.approx((-0.262323073774029, 0.232818234301152), rel=1e-10)
    assert (line.slope.n, line.slope.s) == pytest.approx((1.00211681802045, 0.429796848199937e-3), rel=1e-10)
    assert line.residual == pytest.approx(0.884796396144373, rel=1e-10)


@pytest.mark.parametrize(("x", "y"), [([1.0, 2.0], [1.0, 2.0]), ([3.0, 3.0, 3.0], [1.0, 2.0, 3.0])])
def test_no_line(x: list[float], y: list[float]) -> None:
    """Two points leave no freedom, one place leaves no slope."""
    with pytest.raises(ValueError, match="three readings"):
        fit_line(np.array(x), np.array(y))


def test_silver() -> None:
    """NIST StRD AtmWtAg, certified deviation within instruments 1.51048314446410e-5 (46 freedoms), here relative to
    each instrument's mean: the means differ by 2e-7, which is all that may differ.
    """
    pooled = pool([[107.868 + 1e-7 * digits for digits in one] for one in SILVER])
    assert pooled is not None
    assert pooled.freedom == 46
    assert pooled.relative * 107.86814 == pytest.approx(1.51048314446410e-5, rel=1e-6)


def end_gauge(x: Reals) -> float:
    """nm, of (standard, difference, da, theta, as, dt)."""
    standard, difference, da, theta, expansion, dt = x
    return float(standard + difference - standard * (da * theta + expansion * dt))


def test_end_gauge_second_order() -> None:
    """JCGM 100, H.1.7: 32 nm at first order, 34 nm with terms of 11.89 and 1.74 nm. 5 % of u apart: it says so."""
    found = second_order(
        end_gauge, (50_000_623.0, 215.0, 0.0, -0.1, 11.5e-6, 0.0), (25.0, 9.7, 0.58e-6, 0.41, 1.2e-6, 0.029)
    )
    assert (found.first_u, found.u) == pytest.approx((31.7106, 33.911), abs=2e-3)
    assert math.sqrt(found.u**2 - found.first_u**2) == pytest.approx(math.hypot(11.89, 1.74), abs=0.01)
    assert found.too_small is not None


@pytest.mark.parametrize(
    ("x1", "first_u", "mean", "u", "interval"),
    [
        (0.0, 0.0, 50e-6, 50e-6, (0.0, 150e-6)),
        (0.010, 100e-6, 150e-6, 111.803e-6, (0.0, 367e-6)),
        (0.050, 500e-6, 2550e-6, 502.494e-6, (1590e-6, 3543e-6)),
    ],
)
def test_squares(x1: float, first_u: float, mean: float, u: float, interval: tuple[float, float]) -> None:
    """JCGM 101, 9.4: X1^2 + X2^2, x2 = 0, u = 0.005 each. Closed form: mean x1^2 + 2 u^2, variance 4 x1^2 u^2 +
    4 u^4. First order gives u = 0 at x1 = 0. The published shortest intervals hold 95 % of the trials and are as long
    as the shortest; their ends are not compared, since near the shortest the length hardly changes.
    """
    found = second_order(lambda x: float(x @ x), (x1, 0.0), (0.005, 0.005))
    assert found.first_u == pytest.approx(first_u, abs=1e-12)
    assert (x1**2 + found.shift, found.u) == pytest.approx((mean, u), rel=1e-5)
    assert found.too_small is not None
    draws = np.random.default_rng(94).normal((x1, 0.0), 0.005, (400_000, 2))
    squares = np.sum(draws**2, axis=1)
    assert (squares.mean(), squares.std()) == pytest.approx((x1**2 + found.shift, found.u), rel=0.01)
    low, high = interval
    assert np.mean((squares >= low) & (squares <= high)) == pytest.approx(0.95, abs=0.003)
    assert high - low == pytest.approx(-float(np.subtract(*shortest(squares))), rel=0.01)


def mass(x: Reals) -> Reals:
    """mg above 100 g, of (reference, added, air, weight, reference's density): JCGM 101, 9.3."""
    reference, added, air, weight, of_reference = x
    whole: Reals = (reference + added) * (1.0 + (air - 1.2) * (1.0 / weight - 1.0 / of_reference)) - 100_000.0
    return whole


def test_mass() -> None:
    """JCGM 101, 9.3: first order u 0.0539, by trials 1.2341, 0.0754 and [1.0834, 1.3825] (its ends wander by 0.002).
    The next order must say that the first is too small, and come within 1 % of the trials.
    """
    half = np.array([0.1, 1000.0, 50.0])
    centre = np.array([100_000.0, 1.234, 1.20, 8000.0, 8000.0])
    found = second_order(lambda x: float(mass(x)), tuple(centre), (0.050, 0.020, *(half / math.sqrt(3))))
    assert found.first_u == pytest.approx(0.053852, abs=1e-5)
    assert found.too_small is not None
    random, trials = np.random.default_rng(93), 1_000_000
    normal = random.normal(centre[:2], (0.050, 0.020), (trials, 2))
    flat = random.uniform(centre[2:] - half, centre[2:] + half, (trials, 3))
    drawn = mass(np.concatenate([normal, flat], axis=1).T)
    assert (drawn.mean(), drawn.std()) == pytest.approx((1.2341, 0.0754), abs=3e-4)
    assert shortest(drawn) == pytest.approx((1.0834, 1.3825), abs=0.003)
    assert found.u == pytest.approx(0.0754, rel=0.01)


@pytest.mark.parametrize(("volts_pct", "too_small"), [(3.0, False), (40.0, True)])
def test_power_is_nearly_linear(volts_pct: float, too_small: bool) -> None:
    """P = V^2/R. Closed form for a normal V: u^2 = P^2 (4 r^2 + 2 r^4), mean P (1 + r^2); r = 3 % needs no second
    order, 40 % does.
    """
    r = volts_pct / 100.0
    found = second_order(lambda x: float(x[0] ** 2 / 4.0), (20.0,), (20.0 * r,))
    assert found.u == pytest.approx(100.0 * math.sqrt(4 * r**2 + 2 * r**4), rel=1e-9)
    assert found.shift == pytest.approx(100.0 * r**2, rel=1e-9)
    assert (found.too_small is not None) == too_small
