"""A small bench for tests of the simulated world: one bay, two loads, no errors unless a test asks for them."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from simulators.world.bench_truth import BenchTruth
from simulators.world.layout import Bay, Layout, Load
from simulators.world.unit_truth import ChannelTruth, FeedTruth, HeatTruth, RailTruth, UnitTruth
from simulators.world.world import World

Samples = npt.NDArray[np.float64]
S = 1_000_000_000
ON_NS = 3 * S  # by then the unit below is powered, no longer muted, and its loads are closed
STIFF_INPUT = 1e12  # ohm: the 50 ohm of the generator then divide nothing that shows


def channel(name: str = "A", **changes: object) -> ChannelTruth:
    """Gain 10, input so high that e.m.f. and input are equal."""
    settings = {"gain_db": 20.0, "input_ohm": STIFF_INPUT} | changes
    return ChannelTruth(name, **settings)  # type: ignore[arg-type]


def unit(
    *channels: ChannelTruth, rail: RailTruth | None = None, feed: FeedTruth | None = None, heat: HeatTruth | None = None
) -> UnitTruth:
    return UnitTruth(
        "MV-0001", channels or (channel(),), rail or RailTruth(30.0), feed or FeedTruth(), heat or HeatTruth()
    )


def layout(truth: UnitTruth, ohm: float = 8.0) -> Layout:
    """Contact 101 puts `ohm` on every channel; inputs 301, 302 of the thermometer are on the heat sink."""
    names = [c.name for c in truth.channels]
    loads = (Load("one", {name: (("101",), ohm) for name in names}),)
    thermometer = {name: str(301 + i) for i, name in enumerate(names)}
    return Layout((Bay("1", truth, thermometer=thermometer),), loads)


def powered(
    truth: UnitTruth, ohm: float = 8.0, bench: BenchTruth | None = None, limit_a: float = math.inf, seed: int = 1
) -> World:
    """A world with 24 V on and the load closed, at rest by ON_NS."""
    world = World(layout(truth, ohm), bench, seed)
    world.set_supply(0, 24.0, limit_a, True)
    world.set_coils(0, frozenset({"101"}))
    return world


def volts(world: World, wire: str, base_ns: int, t_s: Samples) -> Samples:
    return world.wires([wire], base_ns, t_s)[wire][0]


def one_cycle(frequency_hz: float, cycle: int, points: int = 40_000) -> Samples:
    """Instants in the middles of `points` equal parts of cycle number `cycle` (from 0)."""
    return (cycle + (np.arange(points) + 0.5) / points) / frequency_hz


def thd(wave: Samples) -> float:
    """THD(F) of exactly one cycle, all harmonics, by its Fourier series: sqrt(2 m_ac / b1^2 - 1)."""
    b1 = 2.0 * abs(np.fft.rfft(wave)[1]) / len(wave)
    return math.sqrt(max(2.0 * float(np.var(wave)) / b1**2 - 1.0, 0.0))
