"""Output impedance and power bandwidth of units on paper, against closed forms."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from sequencer.measurements.output_impedance import output_impedance, source_ohm
from sequencer.measurements.power_bandwidth import power_bandwidth
from sequencer.measurements.requests import Connect
from sequencer.measurements.values import Context, Values
from sequencer.plan.expand import DISTORTION_FREQUENCIES_HZ
from tests.sequencer.paper_tones import PaperTones, apart_bench, job, named, unit
from tests.sequencer.paper_values import drive
from tests.sequencer.test_gain import flat, high_passed

Gain = Callable[[float], float]


# --- output impedance

LOADS = {"8R": 8.0, "4R": 4.0}


def two_loads(uncertainty_ohm: float = 0.01, henry: float = 0.0) -> Any:
    declared = {
        name: one.model_copy(
            update={
                "ohm": {"A": LOADS[name], "B": LOADS[name]}, "uncertainty_ohm": uncertainty_ohm, "inductance_h": henry,
            }
        )
        for name, one in apart_bench().load.items()
    }  # fmt: skip
    return apart_bench(load=declared)


def impedance(behind_ohm: float, bench: Any = None, **paper: Any) -> tuple[Values, PaperTones]:
    known = bench or two_loads()
    tones = PaperTones(gain={"ch1": flat(26.0)}, source_ohm=behind_ohm, loads=LOADS, **paper)
    asked = job("output_impedance", (100.0, 1000.0), "A", known, second_load="4R")
    return drive(output_impedance(asked), tones), tones


@pytest.mark.parametrize("behind_ohm", [0.03, 0.2, 1.0])
def test_the_resistance_behind_an_output(behind_ohm: float) -> None:
    """R/(R + Rs) into 8 and into 4 ohm: Rs within its uncertainty, and the damping factor 8 / Rs."""
    found, bench = impedance(behind_ohm)
    for hz in ("100 Hz", "1 kHz"):
        seen, damping = named(found, f"output impedance at {hz}"), named(found, f"damping factor re 8 ohm at {hz}")
        assert seen.value is not None
        assert seen.expanded_uncertainty is not None
        assert abs(seen.value - behind_ohm) <= 1.5 * seen.expanded_uncertainty
        assert seen.expanded_uncertainty < 0.02 * behind_ohm + 0.001
        assert damping.value == pytest.approx(8.0 / seen.value)
    assert [one.load for one in bench.asked if isinstance(one, Connect)] == ["8R", "4R"] * 4 + ["8R"]


def test_the_formula_for_two_loads_is_the_textbook_s_for_none_and_one() -> None:
    """Rs = RL (U0/UL - 1): a first load without end."""
    for ratio in (1.01, 1.2, 2.0):
        assert source_ohm(ratio, 1e12, 4.0) == pytest.approx(4.0 * (ratio - 1.0))


def test_loads_count_by_their_share() -> None:
    """0.1 ohm of doubt in 4 ohm: Rs by d(ln Rs) = 2.5 % x R1/(R1 - R2) = 5 % for small Rs, and half of it by R1."""
    found, _ = impedance(0.2, two_loads(0.1))
    parts = found.extra["output_impedance"]["tones"][0]["uncertainty_parts_ohm"]
    assert parts["load:4R:A"] == pytest.approx(0.2 * 0.05, rel=0.06)
    assert -parts["load:8R:A"] == pytest.approx(0.2 * 0.0125, rel=0.06)


def test_a_resistance_below_its_uncertainty_is_told_as_below() -> None:
    """None in truth: less than a few milliohm, never a figure."""
    found, _ = impedance(0.0, noise_steps=3.0)
    for v in (v for v in found.values if v.name.startswith("output impedance")):
        if v.judgement == "below floor":
            assert v.value is None
            assert float(str(v.reason).split()[1]) < 0.01
        else:  # one in twenty may lie above its own 95 %
            assert abs(v.value or 0.0) < 0.005
    assert found.findings == ()


def test_a_damping_factor_of_an_uncertain_resistance_is_an_interval() -> None:
    """8 over 0.2 ohm with some 11 % of doubt (0.2 ohm in 4 and in 8): 1/x is monotone, so its ends are 8 over the ends
    of 95 % of Rs (closed form); and with a tenth of that doubt it is even, 5 % of u being left (JCGM 100, note to
    5.1.2: the mean lies r^2 away)."""
    found, _ = impedance(0.2, two_loads(0.2))
    seen, damping = (named(found, f"{what} at 1 kHz") for what in ("output impedance", "damping factor re 8 ohm"))
    assert seen.value is not None
    assert seen.expanded_uncertainty is not None
    assert damping.expanded_uncertainty is None
    ends = [8.0 / (seen.value + way * seen.expanded_uncertainty) for way in (1.0, -1.0)]
    assert str(damping.reason).startswith(f"{ends[0]:.3g} to {ends[1]:.3g} at 95 %")
    even = named(impedance(0.2, two_loads(0.02))[0], "damping factor re 8 ohm at 1 kHz")
    assert even.expanded_uncertainty is not None


def test_an_inductive_load_is_no_resistance() -> None:
    """20 uH: 0.13 ohm at 1 kHz, below a tenth; 1 mH: 6.3 ohm."""
    found, _ = impedance(0.2, two_loads(henry=1e-3))
    seen = named(found, "output impedance at 1 kHz")
    assert (seen.value, seen.judgement) == (None, "not measured")
    assert "no resistance" in str(seen.reason)
    assert named(impedance(0.2, two_loads(henry=2e-5))[0], "output impedance at 1 kHz").value is not None


def test_more_volts_into_fewer_ohms_put_the_loads_in_doubt() -> None:
    """-0.1 ohm behind the output is none: the bench's ohms are wrong."""
    found, _ = impedance(-0.1)
    assert [(f.kind, f.channel) for f in found.findings] == [("load resistance", "A")]


def test_one_load_alone_says_nothing() -> None:
    bench = PaperTones()
    found = drive(output_impedance(job("output_impedance", (1000.0,), "A")), bench)
    assert "two loads are needed" in str(found.reason)
    assert bench.fired == []


# --- power bandwidth


def bandwidth(third: Callable[[float], float], *gains: Gain, **other: Any) -> tuple[Values, PaperTones]:
    asked = {"band_hz": (20.0, 80000.0)} | other
    made = job("power_bandwidth", DISTORTION_FREQUENCIES_HZ, "AB"[: len(gains)], **asked)
    bench = PaperTones(gain={f"ch{n}": one for n, one in enumerate(gains, start=1)}, third=third)
    return drive(power_bandwidth(made), bench), bench


def rising(hz: float) -> float:
    """THD of 0.3 % up to 2 kHz, then as the frequency: 0.75 % at 5 kHz, 1.5 % at 10 kHz."""
    return 0.003 * max(hz / 2000.0, 1.0)


def test_the_band_ends_where_distortion_passes_the_rating() -> None:
    """The 3rd harmonic alone is the THD: 1 % is rated, so 5 kHz is the last tone and its 0.75 % the band's figure. THD
    rises as the frequency, a straight line over both logarithms: 1 % lies at 2 kHz x 1 / 0.3 = 6.667 kHz."""
    found, _ = bandwidth(rising, flat(26.0))
    lower, upper = (named(found, f"power bandwidth, {side} edge", None) for side in ("lower", "upper"))
    assert (lower.value, lower.judgement) == (20.0, "within")
    assert upper.judgement == "outside"
    assert upper.value == pytest.approx(2000.0 / 0.3, rel=0.005)
    assert str(upper.reason).startswith("between the tones of 5 kHz and 10 kHz")
    assert "10 kHz: channel A shows 1.5 % where 1 % is the limit" in str(upper.reason)
    assert "20 Hz to 80 kHz" in str(upper.reason)
    worst = named(found, "worst THD")
    assert worst.frequency_hz == 5000.0
    assert worst.value == pytest.approx(0.75, abs=0.01)
    assert [f.sentence for f in found.findings] == ["at 10 kHz it shows 1.5 % where 1 % is the limit"]


def test_the_weakest_channel_gives_half_the_rated_power_at_every_tone() -> None:
    """30 W of 60, B 0.4 dB weaker and with a coupling of 20 Hz: its level follows, to 0.1 %; A gives more."""
    found, _ = bandwidth(lambda hz: 0.002, flat(26.2), high_passed(25.8, 20.0))
    rows = [one for one in found.extra["power_bandwidth"]["tones"] if one["channel"] == "B"]
    assert len(rows) == len(DISTORTION_FREQUENCIES_HZ)
    assert all(30.0 <= one["power_w"] <= 30.2 for one in rows)
    assert all(one["misses"] is None for one in rows)


def test_a_tone_without_a_harmonic_in_the_band_is_not_judged() -> None:
    """Up to 20 kHz: 10 kHz has one (20 kHz itself), 20 kHz has none."""
    found, _ = bandwidth(lambda hz: 0.001, flat(26.0), band_hz=(20.0, 20000.0))
    upper = named(found, "power bandwidth, upper edge", None)
    assert (upper.value, upper.judgement) == (10000.0, "within")
    assert "20 kHz: no harmonic lies within the band" in str(upper.reason)


def test_without_a_rating_there_is_no_half_of_it() -> None:
    made = job("power_bandwidth", (1000.0,), "A")
    bare = replace(made, context=Context(unit(rating=()), apart_bench(), apart_bench().bay[0]))
    bench = PaperTones()
    assert "no rating" in str(drive(power_bandwidth(bare), bench).reason)
    assert bench.fired == []


def test_a_limit_that_is_found_below_half_the_rating_ends_it() -> None:
    """Earlier points found 20 W: no burst of 30 W is fired."""
    made = job("power_bandwidth", (1000.0,), "A")
    row = {
        "id": "p001", "measurement": "output_power", "outcome": "measured", "level_vrms": 0.63, "load": "8R",
        "supply_nominal_v": 24.0, "frequency_hz": 1000.0, "channels_driven": ["A"], "steady": False, "cycles": 20,
        "stop_limit": 1.0, "stopped_by": "thd", "channels": [{"channel": "A", "output_vrms": math.sqrt(160.0)}],
    }  # fmt: skip
    around = replace(made.around, earlier=(row,))
    bench = PaperTones()
    found = drive(power_bandwidth(replace(made, context=around)), bench)
    assert "above the 20 W" in str(found.reason)
    assert max((f.level_vrms * 20.0) ** 2 / 8.0 for f in bench.fired) < 0.1
