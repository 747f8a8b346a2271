"""The sine of a burst, and what the unit's input coupling makes of it, in closed form."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from simulators.world.channel_truth import ChannelTruth
from simulators.world.noise import Samples
from simulators.world.sines import sine

SOURCE_OHM = 50.0


@dataclass(frozen=True)
class SecondTone:
    """A second sine in the same burst, at phase zero at its start. ratio: the first one's peak over its own."""

    frequency_hz: float
    ratio: float


@dataclass(frozen=True)
class Tone:
    """e.m.f. of the generator from `start_ns`: offset + peak sin(2 pi f t + phase); cycles None = endless.

    second: then the peak is that of both together, r/(1 + r) of it the first one's and 1/(1 + r) the second one's.
    """

    start_ns: int
    peak_v: float
    frequency_hz: float
    cycles: int | None
    phase_rad: float = 0.0
    offset_v: float = 0.0
    second: SecondTone | None = None

    @property
    def first_peak_v(self) -> float:
        return self.peak_v if self.second is None else self.peak_v * self.second.ratio / (1.0 + self.second.ratio)

    @property
    def second_peak_v(self) -> float:
        return 0.0 if self.second is None else self.peak_v / (1.0 + self.second.ratio)

    @property
    def end_ns(self) -> int | None:
        """The end as planned, to the nearest ns."""
        if self.cycles is None:
            return None
        return self.start_ns + round(self.cycles / self.frequency_hz * 1e9)

    def at_ns(self, when_ns: int) -> float:
        """Volts at one instant, as if it ran then."""
        seconds = (when_ns - self.start_ns) * 1e-9
        volts = self.first_peak_v * math.sin(2.0 * math.pi * seconds * self.frequency_hz + self.phase_rad)
        if self.second is not None:
            volts += self.second_peak_v * math.sin(2.0 * math.pi * seconds * self.second.frequency_hz)
        return self.offset_v + volts


@dataclass(frozen=True)
class Wave:
    """Volts at the unit's input from the start of a segment: dc + peak sin(omega t + phase), and a second sine where
    there is one (a wave without dc of its own)."""

    peak_v: float = 0.0
    omega: float = 0.0
    phase_rad: float = 0.0
    dc_v: float = 0.0
    second: Wave | None = None

    def at(self, t_s: Samples) -> Samples:
        volts = self.dc_v + self.peak_v * sine(self.omega, self.phase_rad, t_s)
        return volts if self.second is None else volts + self.second.at(t_s)

    @property
    def first_v(self) -> float:
        volts = self.dc_v + self.peak_v * math.sin(self.phase_rad)
        return volts if self.second is None else volts + self.second.first_v

    @property
    def alone(self) -> Wave:
        """The first sine with the dc."""
        return self if self.second is None else replace(self, second=None)


class Coupled:
    """A wave behind a first-order high-pass that holds `start_v` at t = 0, times the channel's gain.

    y' = x' - wc y with x = dc + A sin(wt + p) has the solution
    y = A |H| sin(wt + p + theta) + (y0 - A |H| sin(p + theta)) exp(-wc t), H = jw / (jw + wc);
    with wc = 0 it is x itself, but for the constant that y0 asks for.
    """

    def __init__(self, channel: ChannelTruth, wave: Wave, start_v: float) -> None:
        self.wc = 2.0 * math.pi * channel.coupling_hz
        self._held = self._behind(wave)
        self._tail_v = start_v - self._held.first_v
        self._gain = channel.gain
        self._offset_v = channel.offset_v

    def _behind(self, wave: Wave) -> Wave:
        """What stands behind the high-pass: each sine for itself (it is linear)."""
        part = wave.omega / math.hypot(wave.omega, self.wc) if wave.peak_v else 1.0
        lead = math.atan2(self.wc, wave.omega) if wave.peak_v else 0.0
        dc_v = 0.0 if self.wc else wave.dc_v
        second = None if wave.second is None else self._behind(wave.second)
        return Wave(wave.peak_v * part, wave.omega, wave.phase_rad + lead, dc_v, second)

    @property
    def peak_v(self) -> float:
        """Of all sines behind the coupling together, once the rest has died away."""
        second = self._held.second
        return self._held.peak_v + (second.peak_v if second else 0.0)

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
