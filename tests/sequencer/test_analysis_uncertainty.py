"""Uncertainty against the worked examples of the GUM and its first supplement, and against simulated benches."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from uncertainties import correlation_matrix, umath

from sequencer.analysis.uncertainty import (
    Part,
    Pooled,
    Source,
    combined_u,
    correlated_means,
    coverage_factor,
    difference,
    effective_freedom,
    pool,
    power_uncertainty,
    student,
)

RECTANGULAR_U = 1 / math.sqrt(3)


def test_resistance_and_reactance_read_together() -> None:
    """JCGM 100:2008, H.2, from the raw readings: R, X, Z, their uncertainties and correlations (full precision
    worked from the same data; the printed figures are 0.071, 0.295, 0.236, -0.588, -0.485, 0.993).
    """
    readings = np.array(
        [
            [5.007, 19.663e-3, 1.0456],
            [4.994, 19.639e-3, 1.0438],
            [5.005, 19.640e-3, 1.0468],
            [4.990, 19.685e-3, 1.0428],
            [4.999, 19.678e-3, 1.0433],
        ]
    )
    volts, amps, angle = correlated_means(readings)
    z = volts / amps
    r, x = z * umath.cos(angle), z * umath.sin(angle)
    assert [q.n for q in (r, x, z)] == pytest.approx([127.732170, 219.846512, 254.259702], abs=2e-6)
    assert [q.s for q in (r, x, z)] == pytest.approx([0.071071, 0.295582, 0.236336], abs=2e-6)
    related = np.asarray(correlation_matrix([r, x, z]))
    assert related[np.triu_indices(3, 1)] == pytest.approx([-0.588430, -0.485259, 0.992512], abs=2e-6)


def test_end_gauge() -> None:
    """JCGM 100:2008, H.1: components 25, 9.7, 2.9, 16.68 nm with 18, 25.6, 50, 2 freedoms; u_c 31.71, 16.66,
    t99(16) 2.9208.
    """
    nm = 50_000_623.0
    parts = (
        Part("standard", 25.0, freedom=18),
        Part("comparator", 9.7, freedom=25.6),
        Part("expansion", nm * 0.1 * 0.58e-6, freedom=50),
        Part("temperature", nm * 11.5e-6 * 0.029, freedom=2),
    )
    assert combined_u(parts) == pytest.approx(31.7106, abs=1e-3)
    assert effective_freedom(parts) == pytest.approx(16.656, abs=2e-3)
    assert student(16, 0.99) == pytest.approx(2.9208, abs=1e-4)
    assert student(math.floor(effective_freedom(parts)), 0.99) * combined_u(parts) == pytest.approx(92.62, abs=0.01)


@pytest.mark.parametrize(
    ("kinds", "half_width", "within"),
    [
        ([("normal", 1.0)] * 4, 3.91993, 1e-4),  # JCGM 101, 9.2.2
        ([("rectangular", 1.0)] * 4, 3.879, 0.02),  # 9.2.3 (its framework figure would be 3.92)
        ([("rectangular", 1.0)] * 3 + [("rectangular", 10.0)], 17.016, 0.15),  # 9.2.4 (framework: 19.9)
        ([("rectangular", 1.0)], 0.95 * math.sqrt(3), 1e-9),  # closed form
    ],
)
def test_sums_of_shapes(kinds: list[tuple[str, float]], half_width: float, within: float) -> None:
    """JCGM 101:2008, 9.2 (the kurtosis rule is up to 0.7 % off here): half-widths of the 95 % interval of a sum of
    inputs with these standard deviations.
    """
    parts = [Part(f"input {i}", u, kind, math.inf) for i, (kind, u) in enumerate(kinds)]  # type: ignore[arg-type]
    assert coverage_factor(parts) * combined_u(parts) == pytest.approx(half_width, abs=within)


def test_exact_factor_of_a_bench() -> None:
    """Range 4 %, probe 2 % of P (rectangular), load 0.1 % (normal), heat 0.25 %: k = 1.834 by convolution of the
    shapes.
    """
    budget = power_uncertainty(100.0, bench_sources())
    assert budget.coverage_factor == pytest.approx(1.834, abs=0.01)
    assert budget.combined_w == pytest.approx(math.hypot(4 / 3**0.5, 2 / 3**0.5, 0.1, 0.25 / 3**0.5), rel=1e-12)
    assert budget.expanded_w == budget.coverage_factor * budget.combined_w


def bench_sources() -> tuple[Source, ...]:
    return (
        Source.voltage("range", "rectangular", 2.0),
        Source.voltage("probe", "rectangular", 1.0),
        Source.resistance("load", "normal", 0.1),
        Source.resistance("heat", "rectangular", 0.25),
    )


def test_signed_parts() -> None:
    """Slopes of V^2/R by hand: +2 P per relative volt, -P per relative ohm, +P per relative watt."""
    budget = power_uncertainty(50.0, (*bench_sources(), Source.power("noise", "normal", 0.02)))
    assert budget.parts_w == pytest.approx(
        {
            "range": 2 * 50 * 0.02 * RECTANGULAR_U,
            "probe": 2 * 50 * 0.01 * RECTANGULAR_U,
            "load": -50 * 0.001,
            "heat": -50 * 0.0025 * RECTANGULAR_U,
            "noise": 50 * 0.0002,
        }
    )


def test_a_source_must_not_stand_twice() -> None:
    """One variable per physical source; no sources leave no uncertainty rather than an error."""
    with pytest.raises(ValueError, match="twice"):
        power_uncertainty(1.0, (Source.voltage("range", "normal", 1.0), Source.resistance("range", "normal", 1.0)))
    assert power_uncertainty(1.0, ()).expanded_w == 0.0


def test_bracket() -> None:
    """A bracket of 0.05 dB of level is 1.158 % of power from end to end: +-0.58 %."""
    assert Source.bracket(0.05).size_pct == pytest.approx(0.577, abs=0.001)


@pytest.mark.parametrize(("count", "share"), [(3, 0.6698), (5, 0.5356), (7, 0.4587), (9, 0.4076), (101, 0.1247)])
def test_repeats(count: int, share: float) -> None:
    """Deviation of a median of n normal values over sigma (order statistics, handbook; 101: the large-sample
    form, 1.2533 / sqrt n).
    """
    values = list(np.random.default_rng(1).normal(100.0, 1.0, count))
    budget = power_uncertainty(100.0, (), values)
    told = budget.combined_w / float(np.std(values, ddof=1))
    assert told == pytest.approx(share, rel=2e-3)
    assert budget.parts[0].freedom == count - 1


@pytest.mark.parametrize("count", [1, 2, 3, 4, 5, 6, 7, 8, 9])
def test_the_shot_that_stands_for_all(count: int) -> None:
    """200,000 trials: root mean square of the shot with the median power, of an even number one of the middle two."""
    ordered = np.sort(np.random.default_rng(count).standard_normal((200_000, count)), axis=1)
    rms = math.sqrt(float(np.mean(ordered[:, (count - 1) // 2] ** 2)))
    told = power_uncertainty(100.0, (), [100.0] * count, Pooled(0.01, math.inf)).combined_w
    assert told == pytest.approx(rms, rel=0.01)


def test_pooling() -> None:
    """Pooled variance is the mean of variances weighted by their freedoms (ANOVA, within groups)."""
    pooled = pool([[99.0, 101.0], [49.0, 50.0, 51.0], [7.0]])
    assert pooled is not None
    assert pooled.relative == pytest.approx(math.sqrt((0.02**2 / 2 + 2 * 0.02**2) / 3))
    assert pooled.freedom == 3
    assert pool([[1.0], []]) is None


def test_difference_of_two_results() -> None:
    """Two powers on one range and one load: what is shared cancels (closed form of a difference)."""
    left = power_uncertainty(100.0, bench_sources(), [99.9, 100.0, 100.1])
    right = power_uncertainty(90.0, bench_sources(), [89.9, 90.0, 90.1])
    parts = {part.id: part.u for part in difference(left.parts, right.parts)}
    assert parts["range"] == pytest.approx(2 * 10.0 * 0.02 * RECTANGULAR_U)
    assert parts["load"] == pytest.approx(-10.0 * 0.001)
    own = math.sqrt(1 - math.sqrt(3) / math.pi) * 0.1  # the middle one of three normal values, closed form
    assert (parts["repeatability left"], parts["repeatability right"]) == pytest.approx((own, -own))


def coverage(
    draw: Callable[[np.random.Generator], tuple[float, list[float], tuple[Source, ...], Pooled | None]],
    trials: int,
) -> float:
    """Share of benches whose stated interval holds the true 100 W; draw gives measured W, repeats, sources,
    pooled."""
    random, inside = np.random.default_rng(77), 0
    for _ in range(trials):
        measured, repeats, sources, pooled = draw(random)
        inside += abs(measured - 100.0) <= power_uncertainty(measured, sources, repeats, pooled).expanded_w
    return inside / trials


def measured_w(random: np.random.Generator, sources: tuple[Source, ...]) -> float:
    """V^2/R with every source's error drawn from its own shape; the true power is 100 W."""
    watts = 100.0
    for source in sources:
        size = source.size_pct / 100.0
        error = random.normal(0, size) if source.kind == "normal" else random.uniform(-size, size)
        watts *= {"voltage": (1 + error) ** 2, "resistance": 1 / (1 + error), "power": 1 + error}[source.of]
    return watts


BENCHES = {
    "range dominant": (
        Source.voltage("range", "rectangular", 3.0),
        Source.voltage("probe", "normal", 0.25),
        Source.resistance("load", "normal", 0.1),
    ),
    "range and probe": bench_sources(),
    "like terms": (
        Source.voltage("range", "rectangular", 0.5),
        Source.voltage("probe", "rectangular", 0.5),
        Source.resistance("load", "rectangular", 1.0),
    ),
    "all normal": (Source.voltage("range", "normal", 0.5), Source.resistance("load", "normal", 1.0)),
}


@pytest.mark.parametrize("kind", sorted(BENCHES))
def test_coverage_on_simulated_benches(kind: str) -> None:
    """95 % by definition of the stated interval; 2,000 benches leave 93.5 to 96.5 to chance (three deviations)."""
    sources = BENCHES[kind]
    share = coverage(lambda random: (measured_w(random, sources), [], sources, None), 2000)
    assert 0.935 <= share <= 0.965


def test_coverage_where_repeats_dominate() -> None:
    """Repeatability of 1 % over a bench of 0.2 %, pooled over six points of three shots (12 freedoms): 93 to 97 %."""
    sources = (Source.voltage("range", "rectangular", 0.1), Source.resistance("load", "normal", 0.1))

    def draw(random: np.random.Generator) -> tuple[float, list[float], tuple[Source, ...], Pooled | None]:
        true_of_bench = measured_w(random, sources)
        groups = [list(true_of_bench * (1 + 0.01 * random.standard_normal(3))) for _ in range(6)]
        return float(np.median(groups[0])), groups[0], sources, pool(groups)

    assert 0.93 <= coverage(draw, 2000) <= 0.975
