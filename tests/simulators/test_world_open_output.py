"""Noise at an output by what is broken: a stage's noise is at its terminals unless the wire to them is open."""

from __future__ import annotations

import numpy as np
import pytest

from tests.simulators.world_bench import ON_NS, channel, powered, unit


@pytest.mark.parametrize(("fault", "noise_v"), [("none", 0.002), ("dead", 0.002), ("open", 0.0)])
def test_noise_of_the_stage_by_fault(fault: str, noise_v: float) -> None:
    """Plain sense: an open wire carries nothing of its stage; a stage without signal still makes noise."""
    world = powered(unit(channel(noise_vrms=0.002, fault=fault)))
    _, noise = world.wires(["output A"], ON_NS, np.array([0.0, 0.001]))["output A"]
    assert noise == pytest.approx([noise_v, noise_v])
