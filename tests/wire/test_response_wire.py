"""Response, balance, crosstalk, output impedance and power bandwidth over real sockets, against closed forms of what is
planted in the world: contacts of the load switch, two loads and the generator's bursts all lie between."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from typing import Any

import pytest

from sequencer.measurements.values import Value
from sequencer.plan.models import Bench, Plan, Rating
from simulators.world.channel_truth import NetworkTruth
from simulators.world.unit_truth import ChannelTruth, FeedTruth, RailTruth, UnitTruth
from tests.wire.wire_bench import Loaded, NightOnWire, Wired, declared_bench, declared_unit, run_plan

CORNER_HZ, LOWPASS_HZ, RAIL_V = 40.0, 12000.0, 30.0
GAINS_DB = {"A": 26.0, "B": 25.7}
OVER, OVER_HZ = 0.002, 3000.0
BEHIND_OHM = {"A": 0.05, "B": 0.4}
INPUTS = {"A": "213", "B": "214"}
OHM = {"8R": {"A": 8.05, "B": 7.97}, "4R": {"A": 4.04, "B": 4.01}}


def bench() -> Loaded[Bench]:
    loaded = declared_bench(channels="AB")
    bay = loaded.model.bay[0].model_copy(update={"input_contacts": INPUTS, "undriven_input": "shorted"})
    loads = {
        name: one.model_copy(update={"ohm": OHM[name], "uncertainty_ohm": 0.004})
        for name, one in loaded.model.load.items()
    }
    return replace(loaded, model=loaded.model.model_copy(update={"bay": (bay,), "load": loads}))


def truth() -> UnitTruth:
    """Behind a 40 Hz coupling and a second-order low-pass at 12 kHz; crosstalk from B to A only."""
    channels = tuple(
        ChannelTruth(
            name,
            gain_db=gain_db,
            input_ohm=1e9,
            coupling_hz=CORNER_HZ,
            output_ohm=BEHIND_OHM[name],
            network=NetworkTruth(lowpass_hz=LOWPASS_HZ),
            crosstalk=OVER if name == "A" else 0.0,
            crosstalk_hz=OVER_HZ,
        )
        for name, gain_db in GAINS_DB.items()
    )
    return UnitTruth("MV-0900", channels, RailTruth(RAIL_V), FeedTruth(idle_a=1.1))


def gain(channel: str, hz: float, load: str) -> float:
    """While both are driven: A's own, and what comes over from B, whose filters are the same."""
    if channel == "B":
        return own_gain("B", hz, load)
    return own_gain("A", hz, load) * abs(1.0 + over(hz) * own_gain("B", hz, load) / own_gain("A", hz, load))


def over(hz: float) -> complex:
    return OVER * (1.0 + 1j * hz / OVER_HZ)


def own_gain(channel: str, hz: float, load: str) -> float:
    """Of the planted unit into a load: first-order high-pass, second-order Butterworth low-pass, divider (textbook)."""
    ohm = OHM[load][channel]
    high = 1.0 / math.hypot(1.0, CORNER_HZ / hz)
    low = 1.0 / math.sqrt(1.0 + (hz / LOWPASS_HZ) ** 4)
    return 10.0 ** (GAINS_DB[channel] / 20.0) * high * low * ohm / (ohm + BEHIND_OHM[channel])


@cache
def night() -> NightOnWire:
    stages: list[dict[str, Any]] = [
        {"name": "crosstalk", "measurement": "crosstalk", "frequencies_hz": (1000.0, 10000.0)},
        {"name": "response", "measurement": "frequency_response",
         "frequencies_hz": (20.0, 31.5, 40.0, 50.0, 1000.0, 8000.0, 10000.0, 12500.0)},
        {"name": "balance", "measurement": "channel_balance", "frequencies_hz": (100.0, 1000.0)},
        {"name": "behind", "measurement": "output_impedance", "frequencies_hz": (100.0, 1000.0)},
        {"name": "band", "measurement": "power_bandwidth", "frequencies_hz": (100.0, 1000.0, 5000.0)},
    ]  # fmt: skip
    made = tuple({**one, "loads": ("8R",)} for one in stages)
    plan = Plan.model_validate({"format": 1, "name": "response", "rest": "quick", "stage": made})
    unit = declared_unit(RAIL_V, coupling_hz=5.0, channels="AB").model_copy(
        update={"rating": (Rating(load_ohm=8.0, supply_v=24.0, power_w=40.0, thd_pct=1.0),)}
    )
    return run_plan(Wired(bench()), unit, truth(), plan)


def row(measurement: str) -> dict[str, Any]:
    (found,) = [row for row, _ in night().values if row["measurement"] == measurement]
    assert found["outcome"] == "measured", found["reason"]
    return found


def values(measurement: str) -> list[Value]:
    (found,) = [values for row, values in night().values if row["measurement"] == measurement]
    return list(found.values)


@pytest.mark.parametrize("channel", ["A", "B"])
def test_every_tone_of_the_response(channel: str) -> None:
    for one in row("frequency_response")["response"]["channels"][channel]:
        due = gain(channel, one["frequency_hz"], "8R") / gain(channel, 1000.0, "8R")
        assert one["db"] == pytest.approx(20.0 * math.log10(due), abs=0.01)


def test_the_3_db_points() -> None:
    """Of the closed form re 1 kHz: 40 Hz x sqrt(1/(10^0.3 - 1)) = 40.1 Hz, and 12 kHz; both within 1 %."""
    found = {(v.name, v.channel): v.value for v in values("frequency_response")}
    for channel in "AB":
        assert found["-3 dB re 1 kHz, lower", channel] == pytest.approx(40.1, rel=0.01)
        assert found["-3 dB re 1 kHz, upper", channel] == pytest.approx(LOWPASS_HZ, rel=0.01)


def test_the_channels_balance() -> None:
    """0.3 dB planted, and 0.4 ohm against 0.05 ohm behind the outputs."""
    for one in row("channel_balance")["balance"]["channels"]["B"]:
        hz = one["frequency_hz"]
        due = gain("B", hz, "8R") / gain("A", hz, "8R")
        assert one["db"] == pytest.approx(20.0 * math.log10(due), abs=0.01)


def test_crosstalk_comes_over_as_planted() -> None:
    """0.002 (1 + jf/3 kHz) of B's output; from A to B nothing was planted."""
    for v in values("crosstalk"):
        assert v.frequency_hz is not None
        if v.channel == "A":
            due_db = 20.0 * math.log10(abs(over(v.frequency_hz)))
            assert v.value == pytest.approx(due_db, abs=0.05)
        else:
            assert (v.value, v.judgement) == (None, "below floor")
        assert "shorted" in str(v.reason)


def test_after_crosstalk_both_inputs_are_driven_again() -> None:
    """The response came after it, and saw both channels."""
    assert set(row("frequency_response")["response"]["channels"]) == {"A", "B"}
    assert all(report.confirmed for report in night().safe)


@pytest.mark.parametrize("channel", ["A", "B"])
def test_the_resistance_behind_an_output(channel: str) -> None:
    """Rs = (q - 1) R1 R2/(R1 - q R2), q of the planted outputs: A's also has what comes over from B, 0.7 milliohm's
    worth. Within its uncertainty (once and a half: 95 % of many, and there are four)."""
    seen = [v for v in values("output_impedance") if v.unit == "ohm" and v.channel == channel]
    assert len(seen) == 2
    for v in seen:
        assert v.value is not None
        assert v.expanded_uncertainty is not None
        assert v.frequency_hz is not None
        ratio = gain(channel, v.frequency_hz, "8R") / gain(channel, v.frequency_hz, "4R")
        one, two = OHM["8R"][channel], OHM["4R"][channel]
        due_ohm = (ratio - 1.0) * one * two / (one - ratio * two)
        assert due_ohm == pytest.approx(BEHIND_OHM[channel], abs=0.001)
        assert abs(v.value - due_ohm) <= 1.5 * v.expanded_uncertainty
        assert v.expanded_uncertainty < 0.1 * BEHIND_OHM["A"] + 0.01 * BEHIND_OHM[channel]


def test_half_the_rated_power_is_there_over_the_tones() -> None:
    """20 W into 8 ohm are 17.9 V peak of a 30 V rail: a hard clip is far off, so all tones are within."""
    band = row("power_bandwidth")["power_bandwidth"]
    assert [one["misses"] for one in band["tones"]] == [None] * 6
    assert min(one["power_w"] for one in band["tones"]) >= 20.0
    edges = {v.name: v.value for v in values("power_bandwidth")}
    assert edges["power bandwidth, lower edge"] == 100.0
    assert edges["power bandwidth, upper edge"] == 5000.0
