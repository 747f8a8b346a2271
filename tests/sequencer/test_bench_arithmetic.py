"""Bench arithmetic with the measured resistance. Readings and watts: common practice, no source."""

from __future__ import annotations

import pytest

from sequencer.analysis.power import channel_equivalent, efficiency_pct, peak_reading_watts


@pytest.mark.parametrize(
    ("crest_v", "ohm", "watts_per_channel"),
    [(66.0, 7.80, 139.6), (66.8, 7.80, 143.0), (59.6, 3.90, 227.7), (44.8, 2.00, 250.9)],
)
def test_bridged_load_watts_per_channel_from_the_crest(crest_v: float, ohm: float, watts_per_channel: float) -> None:
    """(crest^2 / 2R) / 2: the bridged load's power, half of it for each channel, each into R/2."""
    power = peak_reading_watts(crest_v, -crest_v, ohm)
    equivalent_ohm, equivalent_w = channel_equivalent(ohm, power, bridged=True)
    assert round(equivalent_w, 1) == watts_per_channel
    assert equivalent_ohm == ohm / 2


@pytest.mark.parametrize(("crest_v", "nominal", "measured"), [(66.0, 8.0, 7.80), (59.6, 4.0, 3.90)])
def test_the_nominal_resistance_would_give_other_watts(crest_v: float, nominal: float, measured: float) -> None:
    """2.5 % of resistance is 2.5 % of power: the measured ohms decide."""
    ratio = peak_reading_watts(crest_v, -crest_v, measured) / peak_reading_watts(crest_v, -crest_v, nominal)
    assert ratio == pytest.approx(nominal / measured)


def test_efficiency_of_two_channels() -> None:
    """Two channels of 250.9 W from 13.52 V x 77.2 A: 48 % (501.8 / 1043.7)."""
    assert round(efficiency_pct(2 * 250.9, 13.52, 77.2)) == 48
