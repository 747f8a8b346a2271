"""A-weighting, noise in a band, and what a meter with a notch would lose: closed forms, and sums over a record.

Poles after IEC 61672-1, Annex E, from its own constants (from memory: fR = 1000 Hz, fL = 10^1.5, fH = 10^3.9,
D^2 = 1/2, fA = 10^2.45), not the rounded ones: 20.598997, 107.65265, 737.86223, 12194.217 Hz.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import integrate

from sequencer.analysis.folded import Real
from sequencer.analysis.spectrum import band_lines

AUDIO_HZ = (20.0, 20e3)
REFERENCE_HZ = 1000.0


def a_poles_hz() -> tuple[float, float, float, float]:
    """f1 < f2 < f3 < f4, Hz; f1 and f4 are double (IEC 61672-1, Annex E)."""
    low, high, d = 10.0**3.0, 10.0**7.8, math.sqrt(0.5)  # squares of fL and fH
    fr2 = REFERENCE_HZ**2
    b = (fr2 + low * high / fr2 - d * (low + high)) / (1.0 - d)
    root = math.sqrt(b * b - 4.0 * low * high)
    f1, f4 = math.sqrt((-b - root) / 2.0), math.sqrt((-b + root) / 2.0)
    middle = 10.0**2.45
    return f1, (3.0 - math.sqrt(5.0)) / 2.0 * middle, (3.0 + math.sqrt(5.0)) / 2.0 * middle, f4


F1, F2, F3, F4 = a_poles_hz()


def _ra(hz: Real) -> Real:
    square = np.square(hz)
    poles = (square + F1**2) * np.sqrt((square + F2**2) * (square + F3**2)) * (square + F4**2)
    ra: Real = F4**2 * square**2 / poles
    return ra


A_1000 = float(_ra(np.array([REFERENCE_HZ]))[0])


def a_gain(hz: Real) -> Real:
    """Ratio by which A-weighting multiplies volts, 1 at 1 kHz; any shape, Hz.

    RA(f) = f4^2 f^4 / [(f^2 + f1^2) sqrt(f^2 + f2^2) sqrt(f^2 + f3^2) (f^2 + f4^2)] (IEC 61672-1, Annex E).
    """
    gain: Real = _ra(hz) / A_1000
    return gain


def a_bandwidth_hz(band_hz: tuple[float, float] = AUDIO_HZ) -> float:
    """Equivalent noise bandwidth of A-weighting within an ideal band, Hz: the integral of its squared gain.

    Its ratio to the band's own width is what weighting makes of white noise.
    """
    return _integral(band_hz, 1.0)


def a_of_pink_noise(band_hz: tuple[float, float] = AUDIO_HZ) -> float:
    """Ratio of weighted to unweighted volts of noise of equal power per octave in an ideal band."""
    return math.sqrt(_integral(band_hz, 0.0) / math.log(band_hz[1] / band_hz[0]))


def _integral(band_hz: tuple[float, float], power: float) -> float:
    """Of the squared gain times f^power over ln f."""
    low, high = (math.log(edge) for edge in band_hz)
    return float(
        integrate.quad(lambda x: float(a_gain(np.array(math.exp(x)))) ** 2 * math.exp(power * x), low, high, limit=200)[
            0
        ]
    )


def band_rms(volts: Real, dt: float, band_hz: tuple[float, float] = AUDIO_HZ, *, a_weighted: bool = False) -> float:
    """V rms of what lies in the band, volts: shape (n,), dt: s between samples; A-weighted where asked.

    No window: for noise, or for whole cycles. The band is an ideal one, by lines: no filter's skirts.
    """
    hz, lines = band_lines(volts, dt, band_hz)
    return math.sqrt(float((lines * a_gain(hz) ** 2).sum() if a_weighted else lines.sum()))


def notch_gain(n: float, quality: float) -> float:
    """Ratio at n times the frequency of a second-order notch (AES17, 5.2.8, from memory: Q of 1.2 to 3):
    (n^2 - 1)/sqrt((n^2 - 1)^2 + (n/Q)^2)."""
    away = abs(n * n - 1.0)
    return away / math.hypot(away, n / quality)


def notch_bandwidth_hz(frequency_hz: float, quality: float) -> float:
    """Hz of white noise that the notch takes out: (pi/2) f0/Q."""
    return math.pi / 2.0 * frequency_hz / quality


def notch_noise_loss_db(frequency_hz: float, quality: float, bandwidth_hz: float) -> float:
    """dB by which a meter with that notch reads white noise low in a bandwidth that holds all of the notch."""
    return -10.0 * math.log10(1.0 - notch_bandwidth_hz(frequency_hz, quality) / bandwidth_hz)
