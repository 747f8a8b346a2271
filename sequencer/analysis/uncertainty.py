"""Uncertainty of a power after the GUM (JCGM 100): one variable per physical source, a coverage factor that fits
the mix.

Sources carry ids. The same id in two results is the same physical thing (one range, one load), so their parts add
with sign and may cancel; ids in OWN are each result's own.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

import numpy as np
from scipy import special
from uncertainties import UFloat, correlated_values, ufloat

from sequencer.analysis.folded import Real

Kind = Literal["normal", "rectangular", "triangular", "u-shaped"]
Of = Literal["voltage", "resistance", "power"]

# Standard deviation of half-width 1, and excess kurtosis (moments of the shapes; JCGM 101, table 1 for the
# deviations).
DEVIATION: Mapping[Kind, float] = MappingProxyType(
    {
        "normal": 1.0,
        "rectangular": 1 / math.sqrt(3),
        "triangular": 1 / math.sqrt(6),
        "u-shaped": 1 / math.sqrt(2),
    }
)
KURTOSIS: Mapping[Kind, float] = MappingProxyType(
    {"normal": 0.0, "rectangular": -1.2, "triangular": -0.6, "u-shaped": -1.5}
)
REPEATABILITY = "repeatability"
BRACKET = "bracket"
# What a load's resistors and contacts do differs from shot to shot and from closing to closing.
HEAT, CONTACT = "heat", "contact"
OWN = frozenset({REPEATABILITY, BRACKET, "noise", HEAT, CONTACT})
COVERAGE = 0.95
MEDIAN_COST = math.sqrt(math.pi / 2.0)  # deviation of a median over that of a mean, normal, many values
# Deviation of the middle one of n normal values (order statistics: its density integrated; n = 3: 1 - sqrt 3 / pi).
MEDIAN_SHARE = MappingProxyType({1: 1.0, 3: 0.6698292, 5: 0.5355685, 7: 0.4587449, 9: 0.4075552})


@dataclass(frozen=True)
class Source:
    """One physical source of uncertainty, in percent of the quantity it acts on.

    size_pct: half-width, or the standard uncertainty where kind is normal. freedom: degrees of freedom behind it.
    """

    id: str
    of: Of
    kind: Kind
    size_pct: float
    freedom: float = math.inf

    @staticmethod
    def voltage(id: str, kind: Kind, size_pct: float, freedom: float = math.inf) -> Source:
        """Acts on volts: gain of a range, probe factor. Counts twice in a power."""
        return Source(id, "voltage", kind, size_pct, freedom)

    @staticmethod
    def resistance(id: str, kind: Kind, size_pct: float, freedom: float = math.inf) -> Source:
        """Acts on the load's ohms."""
        return Source(id, "resistance", kind, size_pct, freedom)

    @staticmethod
    def power(id: str, kind: Kind, size_pct: float, freedom: float = math.inf) -> Source:
        """Acts on the watts themselves."""
        return Source(id, "power", kind, size_pct, freedom)

    @staticmethod
    def bracket(width_db: float) -> Source:
        """Where in a bracket of width_db of level the limit lies: belongs to a power at the limit, and to no
        other."""
        return Source(BRACKET, "power", "rectangular", 100.0 * (10.0 ** (width_db / 20.0) - 1.0))

    @property
    def standard(self) -> float:
        """Relative standard uncertainty (1 = the quantity)."""
        return self.size_pct / 100.0 * DEVIATION[self.kind]


@dataclass(frozen=True)
class Part:
    """One source's share in a result. u: signed, result's unit (sensitivity times standard uncertainty)."""

    id: str
    u: float
    kind: Kind = "normal"
    freedom: float = math.inf


@dataclass(frozen=True)
class Pooled:
    """Repeatability gathered over many points: relative standard deviation of one shot's power, and its freedom."""

    relative: float
    freedom: float


@dataclass(frozen=True)
class PowerBudget:
    """W.

    expanded_w: half-width of the interval that holds the true power in 95 % of benches like this one.
    """

    power_w: float
    combined_w: float
    coverage_factor: float
    expanded_w: float
    parts: tuple[Part, ...]

    @property
    def parts_w(self) -> dict[str, float]:
        """Signed parts by source id, W."""
        return {part.id: part.u for part in self.parts}


def power_uncertainty(
    power_w: float, sources: Iterable[Source], repeats: Sequence[float] = (), pooled: Pooled | None = None
) -> PowerBudget:
    """Budget of P = V^2/R at power_w, each source acting as a factor 1 + e on volts, ohms or watts.

    repeats: W of the confirming shots, of which power_w is the median; pooled: repeatability from many points,
    used instead of three shots' own. ValueError where an id stands twice.
    """
    known = [source for source in sources if source.size_pct > 0.0]
    repeat = _repeatability(power_w, repeats, pooled)
    if repeat is not None:
        known.append(repeat)
    if len({source.id for source in known}) < len(known):
        raise ValueError("a source of uncertainty stands twice: shared sources must be one")
    parts = _parts(power_w, known)
    combined = combined_u(parts)
    factor = coverage_factor(parts)
    return PowerBudget(power_w, combined, factor, factor * combined, parts)


def _parts(power_w: float, sources: Sequence[Source]) -> tuple[Part, ...]:
    """Signed parts by the derivatives of P = V^2/R; second order is left out (below 1e-3 of u at 3 % of V;
    analysis/second_order.py says where it may not be)."""
    errors = {source.id: ufloat(0.0, source.standard, tag=source.id) for source in sources}
    if not errors:
        return ()
    acting = {
        of: math.prod(1.0 + errors[s.id] for s in sources if s.of == of) for of in ("voltage", "resistance", "power")
    }
    slopes = (power_w * acting["voltage"] ** 2 / acting["resistance"] * acting["power"]).derivatives
    return tuple(
        Part(source.id, float(slopes[errors[source.id]]) * source.standard, source.kind, source.freedom)
        for source in sources
    )


def _repeatability(power_w: float, repeats: Sequence[float], pooled: Pooled | None) -> Source | None:
    """Of the median of the repeats, s pooled where known, else of these shots."""
    count = max(1, len(repeats))
    if pooled is not None:
        return Source.power(REPEATABILITY, "normal", 100.0 * pooled.relative * _median_share(count), pooled.freedom)
    if len(repeats) < 2 or power_w <= 0.0:
        return None
    relative = float(np.std(repeats, ddof=1)) / power_w
    return Source.power(REPEATABILITY, "normal", 100.0 * relative * _median_share(count), count - 1)


def _median_share(count: int) -> float:
    """Of an even number one of the middle two stands: its mean square is that of the middle one of count - 1."""
    odd = count - 1 + count % 2
    return MEDIAN_SHARE.get(odd, MEDIAN_COST / math.sqrt(odd))


def pool(groups: Iterable[Sequence[float]]) -> Pooled | None:
    """Repeatability of one shot over many points: each group the watts of the like shots at one point.

    None without repeats.
    """
    squares, freedom = 0.0, 0
    for group in groups:
        if len(group) > 1:
            relative = np.asarray(group) / np.mean(group)
            squares += float(np.var(relative, ddof=1)) * (len(group) - 1)
            freedom += len(group) - 1
    return Pooled(math.sqrt(squares / freedom), freedom) if freedom else None


def combined_u(parts: Iterable[Part]) -> float:
    """Root of the sum of squares of independent parts (JCGM 100, 5.1.2)."""
    return math.sqrt(sum(part.u**2 for part in parts))


def effective_freedom(parts: Iterable[Part]) -> float:
    """Welch-Satterthwaite (JCGM 100, G.4.1): u_c^4 / sum(u_i^4 / v_i); infinite where all are."""
    parts = tuple(parts)
    spread = sum(part.u**4 / part.freedom for part in parts)
    return combined_u(parts) ** 4 / spread if spread > 0.0 else math.inf


def student(freedom: float, coverage: float = COVERAGE) -> float:
    """Two-sided quantile of Student's t."""
    q = (1.0 + coverage) / 2.0
    return float(special.ndtri(q)) if math.isinf(freedom) else float(special.stdtrit(freedom, q))


def coverage_factor(parts: Iterable[Part], coverage: float = COVERAGE) -> float:
    """k for a mix of shapes, by its excess kurtosis g = sum (u_i/u_c)^4 g_i, widened by Student's t for few
    repeats.

    g < 0: the symmetric beta of shape a = -3/g - 3/2 has that kurtosis, and k = (2 q - 1) sqrt(2 a + 1), q its
    97.5 % point (exact for one rectangular: 0.95 sqrt 3). The t factor is t(v_eff)/t(infinity).
    """
    parts = tuple(parts)
    combined = combined_u(parts)
    if combined == 0.0:
        return student(math.inf, coverage)
    kurtosis = sum((part.u / combined) ** 4 * KURTOSIS[part.kind] for part in parts)
    widened = student(effective_freedom(parts), coverage) / student(math.inf, coverage)
    return _shape_factor(kurtosis, coverage) * widened


def _shape_factor(kurtosis: float, coverage: float) -> float:
    if kurtosis > -1e-4:
        return student(math.inf, coverage)
    a = -3.0 / kurtosis - 1.5
    q = float(special.betaincinv(a, a, (1.0 + coverage) / 2.0))
    return (2.0 * q - 1.0) * math.sqrt(2.0 * a + 1.0)


def difference(left: Iterable[Part], right: Iterable[Part], *, one_bench: bool = True) -> tuple[Part, ...]:
    """Parts of left minus right: parts of shared sources subtract, each result's own stay apart.

    one_bench: False where they come from two benches: the same id is then another instrument, and nothing is shared.

    Never take the root of the sum of squares of two expanded uncertainties for this: what both share would count
    twice.
    """
    ours = {_own_id(part, "left", one_bench): part for part in left}
    theirs = {_own_id(part, "right", one_bench): part for part in right}
    return tuple(_difference(id, ours.get(id), theirs.get(id)) for id in sorted({*ours, *theirs}))


def _own_id(part: Part, side: str, one_bench: bool) -> str:
    return part.id if one_bench and part.id not in OWN else f"{part.id} {side}"


def _difference(id: str, left: Part | None, right: Part | None) -> Part:
    shape = left or right
    assert shape is not None
    return Part(id, (left.u if left else 0.0) - (right.u if right else 0.0), shape.kind, shape.freedom)


def correlated_means(readings: Real) -> tuple[UFloat, ...]:
    """Means of quantities read together, with their covariance (JCGM 100, 5.2.3): shape (n sets, m quantities) ->
    m values.
    """
    count, quantities = readings.shape
    covariance = np.cov(readings, rowvar=False).reshape(quantities, quantities) / count
    return tuple(correlated_values(readings.mean(axis=0), covariance))
