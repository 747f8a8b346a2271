"""A silent output: its noise in the audio band, with and without A-weighting, and the lines of mains hum. Pure.

The lines are fitted and taken out first, at the mains frequency as it is found in the record: what then remains needs
no window.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from sequencer.analysis.folded import Real
from sequencer.analysis.harmonics import HarmonicFit, fit_harmonics
from sequencer.analysis.spectrum import quick_length, spectrum
from sequencer.analysis.weighting import AUDIO_HZ, a_gain

HUM_ORDERS = 10  # of the mains frequency: these lines are taken out
TOLD_ORDERS = (1, 2, 3)
LINE_SEEN = 10.0  # times its noise: only then does it tell the mains frequency
THIRDS = range(13, 44)  # of an octave, in tenths of a decade: 20 Hz to 20 kHz (IEC 61260-1, base ten)


@dataclass(frozen=True)
class Silence:
    """Powers in V^2, about the mean and without the mains lines: of the band, A-weighted, and of each third of an
    octave (with the lines). hum_v: Vrms of each mains line, by its order. freedom: of the two powers, for white noise.
    """

    band_v2: float
    a_v2: float
    hum_v: Mapping[int, float]
    thirds_v2: tuple[float, ...]
    mains_hz: float
    freedom: float
    a_freedom: float

    @property
    def hum_v2(self) -> float:
        """Of all lines together."""
        return sum(volts**2 for volts in self.hum_v.values())

    @property
    def hum_a_v2(self) -> float:
        """The same, A-weighted."""
        orders = np.array(sorted(self.hum_v), dtype=np.float64)
        squares = np.array([self.hum_v[int(n)] ** 2 for n in orders])
        return float((a_gain(self.mains_hz * orders) ** 2 * squares).sum())

    @property
    def band_u_v2(self) -> float:
        """Standard uncertainty of band_v2: sqrt(2 / freedom) of it, chi-square."""
        return self.band_v2 * math.sqrt(2.0 / self.freedom)

    @property
    def a_u_v2(self) -> float:
        return self.a_v2 * math.sqrt(2.0 / self.a_freedom)


def silence_of(volts: Real, interval_s: float, mains_hz: float) -> Silence:
    """volts: shape (n,), V at even instants, a fifth of a second or more; mains_hz: as it should be, within 1 Hz.

    ValueError where the record is sampled too slowly for the band.
    """
    if 0.5 / interval_s < AUDIO_HZ[1]:
        raise ValueError(f"a band up to {AUDIO_HZ[1]:g} Hz needs more than {2.0 * AUDIO_HZ[1]:g} samples/s")
    volts = volts[: quick_length(volts.size)]
    times = interval_s * np.arange(volts.size, dtype=np.float64)
    lines = _lines(volts, times, mains_hz)
    hz, power = spectrum(volts - lines.wave(times), interval_s)
    inside = (hz >= AUDIO_HZ[0]) & (hz <= AUDIO_HZ[1])
    weight = a_gain(hz[inside]) ** 2
    hum_v = {order: float(v) for order, v in enumerate(lines.harmonic_rms, start=1)}
    return Silence(
        band_v2=float(power[inside].sum()),
        a_v2=float((weight * power[inside]).sum()),
        hum_v=hum_v,
        thirds_v2=_thirds(power, hz, hum_v, lines.frequency_hz),
        mains_hz=lines.frequency_hz,
        freedom=2.0 * float(inside.sum()),
        a_freedom=2.0 * float(weight.sum()) ** 2 / float((weight**2).sum()),
    )


def mean_of(seen: Sequence[Silence]) -> Silence:
    """Of several records of one output: powers, and the lines by their powers; the freedoms add."""
    n = len(seen)
    hum_v = {order: math.sqrt(sum(one.hum_v[order] ** 2 for one in seen) / n) for order in seen[0].hum_v}
    thirds = tuple(sum(band) / n for band in zip(*(one.thirds_v2 for one in seen), strict=True))
    return Silence(
        band_v2=sum(one.band_v2 for one in seen) / n,
        a_v2=sum(one.a_v2 for one in seen) / n,
        hum_v=hum_v,
        thirds_v2=thirds,
        mains_hz=sum(one.mains_hz for one in seen) / n,
        freedom=sum(one.freedom for one in seen),
        a_freedom=sum(one.a_freedom for one in seen),
    )


def thirds_hz() -> tuple[float, ...]:
    """Middles of the thirds of an octave, Hz."""
    return tuple(10.0 ** (n / 10.0) for n in THIRDS)


def _lines(volts: Real, times: Real, mains_hz: float) -> HarmonicFit:
    """The mains frequency by how far the line's phase moves from one half of the record to the other, where a line
    is seen: half the record apart, so within 1 / record_s of what it should be."""
    half = volts.size // 2
    apart_s = half * float(times[1])
    for _ in range(2):
        first, second = (fit_harmonics(volts[part], times[part], mains_hz, 3) for part in _halves(half))
        noise_v = math.hypot(first.residual_rms_v, second.residual_rms_v) / math.sqrt(half)
        if min(first.fundamental_rms_v, second.fundamental_rms_v) < LINE_SEEN * noise_v:
            break
        turn = float(np.angle(second.phasors[0] / first.phasors[0]))
        mains_hz += turn / (2.0 * math.pi * apart_s)
    return fit_harmonics(volts, times, mains_hz, HUM_ORDERS)


def _halves(half: int) -> tuple[slice, slice]:
    return slice(0, half), slice(half, 2 * half)


def _thirds(power: Real, hz: Real, hum_v: Mapping[int, float], mains_hz: float) -> tuple[float, ...]:
    """Noise and hum of each."""
    half = 10.0**0.05
    found = []
    for middle in thirds_hz():
        low, high = middle / half, middle * half
        lines = sum(v**2 for order, v in hum_v.items() if low <= order * mains_hz < high)
        found.append(float(power[(hz >= low) & (hz < high)].sum()) + lines)
    return tuple(found)
