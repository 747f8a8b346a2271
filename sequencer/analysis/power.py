"""Watts from volts, as the bench means them: at the unit's terminals, into the load as measured."""

from __future__ import annotations


def watts(rms_ac_v: float, ohm: float) -> float:
    """W: square of the true rms (AC part, V) over the measured load."""
    return rms_ac_v * rms_ac_v / ohm


def peak_reading_watts(crest_pos_v: float, crest_neg_v: float, ohm: float) -> float:
    """W as read off a scope: (half the peak-to-peak)^2 / 2R, right for an unclipped sine only (common practice, no
    source).
    """
    half = (crest_pos_v - crest_neg_v) / 2.0
    return half * half / (2.0 * ohm)


def channel_equivalent(ohm: float, power_w: float, *, bridged: bool) -> tuple[float, float]:
    """(ohm, W) of each channel: of a bridged pair each sees half the load and gives half the power."""
    return (ohm / 2.0, power_w / 2.0) if bridged else (ohm, power_w)


def efficiency_pct(output_w: float, supply_v: float, supply_a: float) -> float:
    """Percent of the DC input power, V and A seen in the window of output_w.

    ValueError where nothing is drawn.
    """
    drawn_w = supply_v * supply_a
    if drawn_w <= 0.0:
        raise ValueError("no power is drawn: no efficiency")
    return 100.0 * output_w / drawn_w
