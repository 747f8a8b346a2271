"""Where the linear form of an uncertainty is not enough, and what the next order says."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from sequencer.analysis.folded import Real

ENOUGH = 0.05  # of u: half a digit of an uncertainty of two digits


@dataclass(frozen=True)
class SecondOrder:
    """Of a result: first_u as the linear form has it, u with the next order, shift: mean less the value at the
    estimates."""

    first_u: float
    u: float
    shift: float

    @property
    def too_small(self) -> str | None:
        """Why the linear form must not be used here, in words; None where it may."""
        if abs(self.u - self.first_u) <= ENOUGH * self.u and abs(self.shift) <= ENOUGH * self.u:
            return None
        return f"first order gives u = {self.first_u:.3g}, second order {self.u:.3g} and a mean {self.shift:.3g} away"


def second_order(function: Callable[[Real], float], estimates: Sequence[float], u: Sequence[float]) -> SecondOrder:
    """Of function(estimates), independent normal inputs with standard uncertainties u (JCGM 100, note to 5.1.2).

    u^2 = sum (f_i u_i)^2 + sum_ij [f_ij^2 / 2 + f_i f_ijj] u_i^2 u_j^2; shift = sum f_ii u_i^2 / 2. Differences are
    taken over one u: exact for squares and products.
    """
    at, steps = np.asarray(estimates, float), np.diag(np.asarray(u, float))

    def slopes(where: Real) -> Real:
        return np.array([(function(where + step) - function(where - step)) / 2.0 for step in steps])

    middle, value = slopes(at), function(at)
    ahead, back = np.array([slopes(at + step) for step in steps]), np.array([slopes(at - step) for step in steps])
    bends = (ahead - back) / 2.0
    own = np.array([function(at + step) - 2.0 * value + function(at - step) for step in steps])
    np.fill_diagonal(bends, own)
    third = ahead - 2.0 * middle + back
    first = float(middle @ middle)
    more = float(np.sum(bends**2) / 2.0 + np.sum(third @ middle))
    return SecondOrder(math.sqrt(first), math.sqrt(max(0.0, first + more)), float(own.sum()) / 2.0)
