"""One channel into its load, on the grid of a segment: volts, amps, what it takes from the rail."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from simulators.world.channel_truth import ChannelTruth, TransformerTruth
from simulators.world.core import lost_volts
from simulators.world.noise import Samples
from simulators.world.relax import relaxed
from simulators.world.signals import clipped, clipped_once
from simulators.world.stage import rail_amps, shaped, taken_once

SHORT_OHM = 0.03

Taker = Callable[[int, float], float]


@dataclass(frozen=True)
class LoadNow:
    """What hangs on a channel: ohms (infinite: nothing) and henry, in series."""

    ohm: float = math.inf
    henry: float = 0.0


@dataclass(frozen=True)
class Path:
    """A channel whose output nothing but the rail shapes, into a resistance."""

    channel: ChannelTruth
    load_ohm: float
    wanted_v: Samples

    @property
    def total_ohm(self) -> float:
        return self.load_ohm + self.channel.output_ohm

    @property
    def takes(self) -> bool:
        """It can take current from the rail."""
        return not math.isinf(self.load_ohm)

    @property
    def momentary(self) -> bool:
        """What it takes at an instant hangs on that instant alone."""
        return True

    def part(self, first: int, last: int) -> Path:
        """The same between two points of the grid, both included; only if it is momentary."""
        return Path(self.channel, self.load_ohm, self.wanted_v[first : last + 1])

    def as_resistance(self) -> Path:
        """As if the load were a resistance and no core saturated."""
        return self

    def amps(self, rail_v: Samples) -> Samples:
        """Current of the stage; no load, no current."""
        if not self.takes:
            return np.zeros_like(self.wanted_v)
        return clipped(self.wanted_v, rail_v, self.channel) / self.total_ohm

    def rail_amps(self, rail_v: Samples) -> Samples:
        """What the rail gives for it."""
        return np.abs(self.amps(rail_v))

    def size_a(self, _rail_v: Samples, rail_amps: Samples) -> Samples:
        """Size of the stage's current. rail_amps: what `rail_amps` gave for the same rail."""
        return rail_amps

    def load_w(self, _rail_v: Samples, rail_amps: Samples) -> Samples:
        """Momentary watts in the load. rail_amps: as above."""
        return rail_amps**2 * (self.load_ohm if self.takes else 0.0)

    def lost_v(self, _rail_v: Samples) -> Samples | None:
        """What a saturated core keeps from the load."""
        return None

    def at_load(self, wanted_v: Samples, rail_v: Samples, _lost_v: Samples | float) -> Samples:
        """Volts at the load, at any instants."""
        part = self.load_ohm / self.total_ohm if self.takes else 1.0
        return clipped(wanted_v, rail_v, self.channel) * part

    def taker(self) -> Taker:
        """Amps out of the rail at a point of the grid, quick in a loop."""
        wanted = self.wanted_v.tolist()
        return lambda k, volts: abs(clipped_once(wanted[k], volts, self.channel)) / self.total_ohm


@dataclass(frozen=True)
class ShapedPath(Path):
    """A channel with more to it: its class of stage, an inductive load, a line transformer, a wire broken or shorted.

    flux_vs: in the transformer's core at the first point of the grid.
    """

    load_h: float = 0.0
    dt_s: float = 1.0
    flux_vs: float = 0.0

    @property
    def _transformer(self) -> TransformerTruth | None:
        return self.channel.transformer

    @property
    def _series_ohm(self) -> float:
        return self.channel.output_ohm + (self._transformer.winding_ohm if self._transformer else 0.0)

    @property
    def _far_ohm(self) -> float:
        """What the stage sees behind its own resistance."""
        if self.channel.fault == "open":
            return math.inf
        ohm = self.load_ohm / self._transformer.ratio**2 if self._transformer else self.load_ohm
        return 1.0 / (1.0 / ohm + 1.0 / SHORT_OHM) if self.channel.fault == "shorted" else ohm

    @property
    def total_ohm(self) -> float:
        return self._far_ohm + self._series_ohm

    @property
    def takes(self) -> bool:
        return not math.isinf(self._far_ohm) or self._transformer is not None

    @property
    def momentary(self) -> bool:
        return not self.load_h and self._transformer is None

    def part(self, first: int, last: int) -> Path:
        return replace(self, wanted_v=self.wanted_v[first : last + 1])

    def as_resistance(self) -> Path:
        ratio = self._transformer.ratio if self._transformer else 1.0
        channel = replace(self.channel, transformer=None, output_ohm=self._series_ohm)
        return replace(self, channel=channel, load_ohm=self.load_ohm / ratio**2, load_h=0.0)

    @property
    def _part(self) -> float:
        return self._far_ohm / self.total_ohm if not math.isinf(self._far_ohm) else 1.0

    def _stage_v(self, wanted_v: Samples, rail_v: Samples) -> Samples:
        return shaped(wanted_v, rail_v, self.channel, self.total_ohm)

    def lost_v(self, rail_v: Samples) -> Samples | None:
        return self._core(self._stage_v(self.wanted_v, rail_v))[0] if self._transformer else None

    @property
    def leak_s(self) -> float:
        """How fast a flux that stands dies away."""
        return self._transformer.leak_s if self._transformer else math.inf

    def flux(self, rail_v: Samples) -> Samples | None:
        """Volt seconds in the core on the grid; None without a transformer."""
        return self._core(self._stage_v(self.wanted_v, rail_v))[1] if self._transformer else None

    def _core(self, stage_v: Samples) -> tuple[Samples, Samples]:
        assert self._transformer is not None
        return lost_volts(self._part * (stage_v - self.channel.offset_v), self.dt_s, self._transformer, self.flux_vs)

    def _amps_of(self, stage_v: Samples) -> Samples:
        if not self.takes:
            return np.zeros_like(stage_v)
        amps = stage_v / self.total_ohm
        if self.load_h:
            amps = relaxed(amps, float(amps[0]), self.dt_s * self.total_ohm / self.load_h)
        if self._transformer:
            amps = (stage_v - self.channel.offset_v) / self.total_ohm + self._core(stage_v)[0] / self._series_ohm
        return np.clip(amps, -self.channel.most_a, self.channel.most_a)

    def amps(self, rail_v: Samples) -> Samples:
        return self._amps_of(self._stage_v(self.wanted_v, rail_v))

    def rail_amps(self, rail_v: Samples) -> Samples:
        stage_v = self._stage_v(self.wanted_v, rail_v)
        return rail_amps(stage_v, self._amps_of(stage_v), rail_v, self.channel)

    def size_a(self, rail_v: Samples, _rail_amps: Samples) -> Samples:
        return np.abs(self.amps(rail_v))

    def load_w(self, rail_v: Samples, _rail_amps: Samples) -> Samples:
        if math.isinf(self.load_ohm):
            return np.zeros_like(rail_v)
        if self.load_h:
            return self.amps(rail_v) ** 2 * self.load_ohm
        lost = self.lost_v(rail_v)
        volts = self.at_load(self.wanted_v, rail_v, 0.0 if lost is None else lost)
        return volts**2 / self.load_ohm

    def at_load(self, wanted_v: Samples, rail_v: Samples, lost_v: Samples | float) -> Samples:
        if self.channel.fault == "open":
            return np.zeros_like(wanted_v)
        stage_v = self._stage_v(wanted_v, rail_v)
        if self._transformer:
            return self._transformer.ratio * (self._part * (stage_v - self.channel.offset_v) - lost_v)
        return self._part * stage_v

    def taker(self) -> Taker:
        """As if the load were a resistance and no core saturated."""
        wanted, channel, ohm = self.wanted_v.tolist(), self.channel, self.total_ohm
        return lambda k, volts: taken_once(wanted[k], volts, channel, ohm)


def own_tau_s(channel: ChannelTruth, load: LoadNow) -> float:
    """How slowly the current or the core comes to rest under a tone; 0: at once."""
    if channel.transformer is not None:
        return channel.transformer.leak_s
    return load.henry / load.ohm if load.henry else 0.0


def path_of(channel: ChannelTruth, load: LoadNow, wanted_v: Samples, dt_s: float, flux_vs: float) -> Path:
    """The simplest path that does it."""
    plain = channel.plain_stage and channel.fault not in ("open", "shorted")
    if plain and not load.henry and channel.transformer is None:
        return Path(channel, load.ohm, wanted_v)
    return ShapedPath(channel, load.ohm, wanted_v, load.henry, dt_s, flux_vs)
