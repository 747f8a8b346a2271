"""What a channel would give if no rail were in the way: filters, limiter, thump and faults of the signal path."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from simulators.world.channel_truth import ChannelTruth, LimiterTruth
from simulators.world.network import Filtered
from simulators.world.noise import Samples
from simulators.world.signals import Coupled, Wave

STUCK_V = 1e4  # far above any rail: an output whose device is shorted wants all there is


@dataclass(frozen=True)
class Memory:
    """What a channel carries from one segment into the next, beside its coupling.

    filters: states of the input filters. level_v: what the limiter's detector stands at. thump_v, flux_vs: what is
    left of the thump, and the flux in the line transformer.
    """

    filters: tuple[float, ...] = ()
    level_v: float = 0.0
    thump_v: float = 0.0
    flux_vs: float = 0.0


class Drive(Protocol):
    """One channel's wanted volts during a segment."""

    @property
    def dying(self) -> list[tuple[float, float]]:
        """(time constant in s, volts at the output) of all that dies away."""

    @property
    def resting_v(self) -> float:
        """Output volts when all has died away and no tone is on."""

    def coupled_v(self, t_s: Samples) -> Samples: ...

    def wanted_v(self, t_s: Samples) -> Samples: ...

    def memory(self, t_s: float) -> Memory: ...


class PlainDrive(Coupled):
    """A coupling and a gain."""

    @property
    def dying(self) -> list[tuple[float, float]]:
        return [(1.0 / self.wc, self.tail_out_v)] if self.wc else []

    @property
    def resting_v(self) -> float:
        return self._offset_v

    def memory(self, _t_s: float) -> Memory:
        return Memory()


class FullDrive:
    """All a signal path can have."""

    def __init__(self, channel: ChannelTruth, wave: Wave, start_v: float, before: Memory) -> None:
        self._channel, self._before = channel, before
        self._coupled = Coupled(channel, wave, start_v)
        self._filtered = Filtered(channel, wave, before.filters) if channel.network else None
        self._gain = 0.0 if channel.fault in ("dead", "at the rail") else channel.gain
        peak_v = self._filtered.peak_v if self._filtered else self._coupled.peak_v
        self._level = Level(channel.limiter, abs(self._gain) * peak_v, before.level_v) if channel.limiter else None

    @property
    def dying(self) -> list[tuple[float, float]]:
        if self._filtered:
            found = [(tau_s, abs(self._gain) * volts) for tau_s, volts in self._filtered.dying]
        else:
            found = [(1.0 / self._coupled.wc, self._coupled.tail_out_v)] if self._coupled.wc else []
        if self._level and self._gain:
            found.append((self._level.tau_s, abs(self._level.apart_v)))
        return [*found, (self._channel.thump_tau_s, abs(self._before.thump_v))]

    @property
    def resting_v(self) -> float:
        return STUCK_V if self._channel.fault == "at the rail" else self._channel.offset_v

    def coupled_v(self, t_s: Samples) -> Samples:
        """Volts behind the coupling."""
        return self._coupled.coupled_v(t_s)

    def wanted_v(self, t_s: Samples) -> Samples:
        if not self._gain:
            return np.full_like(t_s, self.resting_v) + self._thump_v(t_s)
        out = self._gain * (self._filtered.volts(t_s) if self._filtered else self._coupled.coupled_v(t_s))
        if self._level:
            out = out * self._level.part(t_s)
        return out + self._channel.offset_v + self._thump_v(t_s)

    def _thump_v(self, t_s: Samples) -> Samples | float:
        if not self._before.thump_v:
            return 0.0
        return np.asarray(self._before.thump_v * np.exp(-t_s / self._channel.thump_tau_s))

    def memory(self, t_s: float) -> Memory:
        return Memory(
            self._filtered.states(t_s) if self._filtered else (),
            self._level.at(t_s) if self._level else 0.0,
            self._before.thump_v * math.exp(-t_s / self._channel.thump_tau_s),
        )


class Level:
    """A limiter's detector: it moves to the tone's peak at the output with the attack's or the release's time constant.

    It sees the tone's peak, not its half waves: no ripple of its own at twice the frequency.
    """

    def __init__(self, truth: LimiterTruth, peak_v: float, start_v: float) -> None:
        self._truth, self._peak_v = truth, peak_v
        self.apart_v = start_v - peak_v
        self.tau_s = truth.attack_s if self.apart_v < 0.0 else truth.release_s

    def at(self, t_s: float) -> float:
        return self._peak_v + self.apart_v * math.exp(-t_s / self.tau_s)

    def part(self, t_s: Samples) -> Samples:
        """What is left of the gain: (threshold / level)^(1 - 1/ratio) above the threshold."""
        level_v = self._peak_v + self.apart_v * np.exp(-t_s / self.tau_s)
        over = np.maximum(level_v / self._truth.threshold_v, 1.0)
        return np.asarray(over ** (1.0 / self._truth.ratio - 1.0))


def drive_of(channel: ChannelTruth, wave: Wave, start_v: float, before: Memory) -> Drive:
    """The simplest one that does it."""
    plain = channel.network is None and channel.limiter is None and channel.fault not in ("dead", "at the rail")
    if plain and not before.thump_v:
        return PlainDrive(channel, wave, start_v)
    return FullDrive(channel, wave, start_v, before)
