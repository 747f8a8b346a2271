"""The sine of a burst, and what the unit's input coupling makes of it, in closed form."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from simulators.world.channel_truth import ChannelTruth
from simulators.world.noise import Samples
from simulators.world.sines import sine

SOURCE_OHM = 50.0


@dataclass(frozen=True)
class Tone:
    """e.m.f. of the generator from `start_ns`: offset + peak sin(2 pi f t + phase); cycles None = endless."""

    start_ns: int
    peak_v: float
    frequency_hz: float
    cycles: int | None
    phase_rad: float = 0.0
    offset_v: float = 0.0

    @property
    def end_ns(self) -> int | None:
        """The end as planned, to the nearest ns."""
        if self.cycles is None:
            return None
        return self.start_ns + round(self.cycles / self.frequency_hz * 1e9)

    def at_ns(self, when_ns: int) -> float:
        """Volts at one instant, as if it ran then."""
        turns = (when_ns - self.start_ns) * 1e-9 * self.frequency_hz
        return self.offset_v + self.peak_v * math.sin(2.0 * math.pi * turns + self.phase_rad)


@dataclass(frozen=True)
class Wave:
    """Volts at the unit's input from the start of a segment: dc + peak sin(omega t + phase)."""

    peak_v: float = 0.0
    omega: float = 0.0
    phase_rad: float = 0.0
    dc_v: float = 0.0

    def at(self, t_s: Samples) -> Samples:
        return self.dc_v + self.peak_v * sine(self.omega, self.phase_rad, t_s)

    @property
    def first_v(self) -> float:
        return self.dc_v + self.peak_v * math.sin(self.phase_rad)


class Coupled:
    """A wave behind a first-order high-pass that holds `start_v` at t = 0, times the channel's gain.

    y' = x' - wc y with x = dc + A sin(wt + p) has the solution
    y = A |H| sin(wt + p + theta) + (y0 - A |H| sin(p + theta)) exp(-wc t), H = jw / (jw + wc);
    with wc = 0 it is x itself, but for the constant that y0 asks for.
    """

    def __init__(self, channel: ChannelTruth, wave: Wave, start_v: float) -> None:
        self.wc = 2.0 * math.pi * channel.coupling_hz
        part = wave.omega / math.hypot(wave.omega, self.wc) if wave.peak_v else 1.0
        lead = math.atan2(self.wc, wave.omega) if wave.peak_v else 0.0
        dc_v = 0.0 if self.wc else wave.dc_v
        self._held = Wave(wave.peak_v * part, wave.omega, wave.phase_rad + lead, dc_v)
        self._tail_v = start_v - self._held.first_v
        self._gain = channel.gain
        self._offset_v = channel.offset_v

    @property
    def peak_v(self) -> float:
        """Of the sine behind the coupling, once the rest has died away."""
        return self._held.peak_v

    @property
    def tail_out_v(self) -> float:
        """Size of the decaying part at the output, before clipping, in V."""
        return abs(self._tail_v * self._gain)

    def coupled_v(self, t_s: Samples) -> Samples:
        """Volts behind the coupling."""
        y = self._held.at(t_s) if self._held.peak_v else np.full(t_s.shape, self._held.dc_v)
        if self.tail_out_v > 1e-12:
            y += self._tail_v * np.exp(-self.wc * t_s)
        return y

    def wanted_v(self, t_s: Samples) -> Samples:
        """Output volts if no rail were in the way."""
        return self._gain * self.coupled_v(t_s) + self._offset_v


def clipped(wanted_v: Samples, rail_v: Samples | float, channel: ChannelTruth) -> Samples:
    """Output volts against the momentary rail: a flat top, or the soft knee x / (1 + |x|^p)^(1/p)."""
    if channel.clip == "hard":
        bottom, top = -channel.clip_negative * rail_v, channel.clip_positive * rail_v
        out: Samples = np.minimum(np.maximum(wanted_v, bottom), top)  # what np.clip does, without its way there
        return out
    top = np.where(wanted_v >= 0.0, channel.clip_positive, channel.clip_negative) * np.maximum(rail_v, 1e-9)
    p = channel.knee_exponent
    soft: Samples = wanted_v / (1.0 + np.abs(wanted_v / top) ** p) ** (1.0 / p)
    return soft


def clipped_once(wanted_v: float, rail_v: float, channel: ChannelTruth) -> float:
    """The same for one instant, quick in a loop."""
    top = (channel.clip_positive if wanted_v >= 0.0 else channel.clip_negative) * max(rail_v, 1e-9)
    if channel.clip == "hard":
        return min(max(wanted_v, -top), top)
    p = channel.knee_exponent
    return float(wanted_v / (1.0 + abs(wanted_v / top) ** p) ** (1.0 / p))
