"""What comes over from one channel of the world to the other, against (1 + jf/fc) times its output."""

from __future__ import annotations

import cmath
import math
from dataclasses import replace

import numpy as np
import pytest

from simulators.world.unit_truth import UnitTruth
from tests.simulators.world_bench import ON_NS, channel, powered, unit, volts


def two_channels(ratio: float, corner_hz: float) -> UnitTruth:
    """B gives a third of A, and A's volts come over to it."""
    a = channel(name="A")
    b = replace(a, name="B", gain_db=a.gain_db - 20.0 * math.log10(3.0), crosstalk=ratio, crosstalk_hz=corner_hz)
    return unit(a, b)


def phasor(world_volts: np.ndarray, t_s: np.ndarray, hz: float) -> complex:  # type: ignore[type-arg]
    """Of whole cycles: 2/n sum v exp(-jwt), the Fourier coefficient."""
    return complex(2.0 / t_s.size * np.sum(world_volts * np.exp(-2j * np.pi * hz * t_s)))


@pytest.mark.parametrize("hz", [100.0, 1000.0, 10000.0])
def test_a_part_of_the_other_channel_and_its_slope(hz: float) -> None:
    ratio, corner_hz, n = 0.01, 2000.0, 4000
    t_s = (np.arange(n) / n * 4.0 + 2.0) / hz
    seen = {}
    for name, truth in (("with", two_channels(ratio, corner_hz)), ("without", two_channels(0.0, corner_hz))):
        world = powered(truth)
        world.fire(ON_NS, 0.5, hz, 10)
        seen[name] = {wire: phasor(volts(world, wire, ON_NS, t_s), t_s, hz) for wire in ("output A", "output B")}
    over = (seen["with"]["output B"] - seen["without"]["output B"]) / seen["without"]["output A"]
    due = ratio * (1.0 + 1j * hz / corner_hz)
    assert abs(over) == pytest.approx(abs(due), rel=0.001)
    assert cmath.phase(over) == pytest.approx(cmath.phase(due), abs=0.002)
    assert seen["with"]["output A"] == seen["without"]["output A"]
