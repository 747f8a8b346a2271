"""Watts by hand."""

from __future__ import annotations

import math

import pytest

from sequencer.analysis.power import channel_equivalent, efficiency_pct, peak_reading_watts, watts


def test_watts() -> None:
    """20 V across 4 ohm is 100 W (Ohm's law)."""
    assert watts(20.0, 4.0) == 100.0


def test_peak_reading() -> None:
    """A sine of 20 Vrms read by its peaks gives its true power; clipped at 1 % THD it reads 1/1.0475059 of it."""
    crest = 20.0 * math.sqrt(2.0)
    assert peak_reading_watts(crest + 0.5, -crest + 0.5, 4.0) == pytest.approx(100.0)
    clip_v = 30.0
    true = clip_v**2 / (2 * 4.0) * 1.0475059
    assert true / peak_reading_watts(clip_v, -clip_v, 4.0) == pytest.approx(1.0475059)


def test_bridged_pair() -> None:
    """Each channel of a bridged pair has half the voltage and the same current: half the ohms, half the watts."""
    assert channel_equivalent(8.0, 200.0, bridged=True) == (4.0, 100.0)
    assert channel_equivalent(8.0, 200.0, bridged=False) == (8.0, 200.0)


def test_efficiency() -> None:
    """Class B at full swing: pi/4 (textbook): 100 W out of 127.324 W at 24 V."""
    assert efficiency_pct(100.0, 24.0, 400.0 / math.pi / 24.0) == pytest.approx(78.5398, abs=1e-4)
    with pytest.raises(ValueError, match="drawn"):
        efficiency_pct(0.0, 24.0, 0.0)
