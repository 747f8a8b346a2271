"""What counts as a silent output once everything is off: rms about the mean below three codes of the converter."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sequencer.analysis.records import Record
from sequencer.night.outputs import heard
from sequencer.safety.make_safe import OutputsHeard

STEP_V = 0.005
RATE_HZ = 1e5
T_S = np.arange(5000) / RATE_HZ  # 50 ms


def record(rms_v: float, hz: float = 100.0, mean_v: float = 0.0, *, overloaded: bool = False) -> Record:
    """A sine over whole cycles: its rms is its crest over the root of two (closed form)."""
    volts = mean_v + math.sqrt(2.0) * rms_v * np.sin(2.0 * math.pi * hz * T_S)
    return Record(
        volts=volts,
        sample_interval_s=1.0 / RATE_HZ,
        start_s=0.0,
        step_v=STEP_V,
        full_scale_v=10.0,
        overloaded=overloaded,
        bits=12,
        codes=np.zeros(1, dtype=np.int32),
        volts_per_code=STEP_V,
        volts_at_zero=0.0,
    )


@pytest.mark.parametrize("mean_v", [0.0, 0.2])
def test_below_three_codes_it_is_silent(mean_v: float) -> None:
    """A digitiser's own offset says nothing of the output."""
    assert "output A 0.015 Vrms (limit 0.015 V)" in heard({"output A": record(2.99 * STEP_V, mean_v=mean_v)})


@pytest.mark.parametrize("hz", [100.0, 40_000.0])
def test_above_three_codes_it_is_heard_by_its_name(hz: float) -> None:
    """An oscillation too: 40 kHz lies within half the sample rate (Nyquist)."""
    with pytest.raises(OutputsHeard, match=r"output B 0\.015"):
        heard({"output A": record(0.0), "output B": record(3.01 * STEP_V, hz)})


def test_beyond_the_range_it_is_heard() -> None:
    with pytest.raises(OutputsHeard, match="output A"):
        heard({"output A": record(0.0, mean_v=10.0, overloaded=True)})
