"""Noise, coming on and loads over real sockets, against truths planted here: what is read is what stands there."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import pytest
from scipy import integrate

from sequencer.measurements.values import Values
from sequencer.plan.models import Input
from simulators.world.bench_truth import BenchTruth, DigitiserTruth, InputTruth, LoadTruth
from simulators.world.channel_truth import ChannelTruth, ResidueTruth
from simulators.world.unit_truth import FeedTruth, RailTruth, UnitTruth
from tests.sequencer.paper_checks import number, value
from tests.sequencer.test_silence import by_poles
from tests.wire.unit_nights import night, plan, stage, with_remote
from tests.wire.wire_bench import Wired

MUTE_S, THUMP_V, THUMP_TAU_S = 1.37, 0.5, 0.05
NOISE_V, HUM_V = 0.0009, 0.003
OSCILLATION_V, OSCILLATION_HZ = 0.4, 300_000.0
TEMPCO, K_PER_W, J_PER_K = 0.004, 2.0, 15.0  # a bad load, and a quick one: 30 s
OHM, SHUNT_OHM = {"A": 7.98, "B": 8.03}, 0.01
SHUNT = {"ohm": SHUNT_OHM, "factor": 1.0, "gain_uncertainty_pct": 0.5}


def unit() -> UnitTruth:
    calm = ResidueTruth(hum_v=((50.0, HUM_V),))
    nervous = replace(calm, oscillation_v=OSCILLATION_V, oscillation_hz=OSCILLATION_HZ, oscillates_above_v=12.0)
    sound = {"input_ohm": 1e9, "noise_vrms": NOISE_V, "thump_v": THUMP_V, "thump_tau_s": THUMP_TAU_S}
    channels = tuple(ChannelTruth(name, residue=one, **sound) for name, one in (("A", calm), ("B", nervous)))
    return UnitTruth("MV-0117", channels, RailTruth(33.0), FeedTruth(mute_s=MUTE_S))


@cache
def found() -> dict[str, Values]:
    """One night: on a bench with a shunt, a contact for the remote line, and no error but the loads' heat."""
    wired, declared = with_remote()
    model = wired.declared.model
    model = model.model_copy(
        update={
            "wiring": dict(model.wiring) | {"ch4": "shunt in the load return"},
            "input": dict(model.input) | {"ch4": Input.model_validate(SHUNT)},
        }
    )
    inputs = {n: InputTruth(10.0) for n in (1, 2, 3)} | {4: InputTruth(1.0)}
    truth = BenchTruth(
        digitiser=DigitiserTruth(noise_steps=0.5, inputs=inputs),
        load_shunt_ohm=SHUNT_OHM,
        load={"8R": LoadTruth(TEMPCO, K_PER_W, J_PER_K)},
    )
    asked = plan(
        stage("turn_on", ("8R",), options={"power_cycles": 2}),
        stage("noise", ("8R",)),
        stage("stability", ("8R",)),
        stage("load_check", ("8R",), options={"minutes": 1.0}),
    )
    done = night(unit(), asked, Wired(replace(wired.declared, model=model), truth, OHM), declared)
    return {row["measurement"]: values for row, values in done.values}


def test_mute_and_thump() -> None:
    """Silent for 1.37 s, which lies within the interval; 0.5 V that falls with 50 ms: its mean over the tone's first
    millisecond is 0.495 V."""
    on = found()["turn_on"]
    mute = value(on, "mute time")
    assert number(on, "mute time") == pytest.approx(MUTE_S, abs=(mute.expanded_uncertainty or 0.0) + 0.02)
    first_v = THUMP_V * THUMP_TAU_S / 0.001 * (1.0 - math.exp(-0.001 / THUMP_TAU_S))
    for channel in "AB":
        thump = value(on, "thump", channel)
        assert number(on, "thump", channel) == pytest.approx(first_v, abs=(thump.expanded_uncertainty or 0.0))


def test_noise_and_hum() -> None:
    """White noise of 0.9 mVrms up to half of 200 kS/s, the highest rate whose 0.2 s fit 100,000 samples: its share of
    the band, and of A-weighting by its network of poles; hum of 3 mV peak."""
    seen = found()["noise"]
    half_hz = 100_000.0
    band_v = NOISE_V * math.sqrt((20_000.0 - 20.0) / half_hz)
    a_v = NOISE_V * math.sqrt(integrate.quad(by_poles, 20.0, 20_000.0, limit=200)[0] / half_hz)
    hum_v = HUM_V / math.sqrt(2.0)
    for channel in "AB":
        assert number(seen, "hum 50 Hz", channel) == pytest.approx(hum_v, rel=0.005)
        assert number(seen, "noise without hum, 20 Hz to 20 kHz", channel) == pytest.approx(band_v, rel=0.03)
        both = math.hypot(a_v, hum_v * math.sqrt(by_poles(50.0)))
        assert number(seen, "noise and hum, A-weighted", channel) == pytest.approx(both, rel=0.04)


def test_the_digitiser_alone_with_the_output_contacts_open() -> None:
    """As with the unit off on the same range: half a step of noise and the even error of a step, to within chance (3
    sigma of the ratio of two rms of 4 x 8,000 freedoms: 2.4 %)."""
    seen = found()["noise"]
    for channel in "AB":
        off = number(seen, "digitiser's own noise, 20 Hz to 20 kHz", channel)
        assert number(seen, "digitiser's own noise, outputs open, 20 Hz to 20 kHz", channel) == pytest.approx(
            off, rel=0.024
        )


def test_an_oscillation_on_the_crests_of_one_channel_and_nobody_to_connect_anything() -> None:
    """Half power is 22 V of crest: B oscillates at 300 kHz from 12 V on, so over all of the crest that is read. Its
    rms, less what a parabola through 11 samples at a million a second follows (Savitzky and Golay, 1964)."""
    seen = found()["stability"]
    weights = [-36, 9, 44, 69, 84, 89, 84, 69, 44, 9, -36]
    followed = sum(w * math.cos(2.0 * math.pi * 0.3 * n) for n, w in enumerate(weights, start=-5)) / 429.0
    expected = OSCILLATION_V / math.sqrt(2.0) * (1.0 - followed)
    assert number(seen, "on the crests", "B") == pytest.approx(expected, rel=0.05)
    assert number(seen, "on the crests", "A") < 0.1 * expected
    assert [(f.kind, f.channel) for f in seen.findings] == [("oscillation on the crest", "B")]
    cap = value(seen, "on the crests, with 10 nF", "A")
    assert (cap.judgement, cap.reason) == ("not measured", "nobody there: a person must connect the capacitor")


def watts_of(values: Values, name: str, channel: str) -> float:
    """As its row tells it."""
    return float((value(values, name, channel).reason or "").removeprefix("at ").split(" W")[0])


def test_loads_cold_and_warm() -> None:
    """One node: P x 2 K/W (1 - exp(-t / 30 s)) above the air and 0.4 %/K higher, driven for 2 s of each burst; the
    first burst, read at its last 0.1 s, is already a part of the way up. The volts stay, so P is the mean of the two
    told. 5 %: the simulated load follows its heat in steps."""
    seen = found()["load_check"]
    bursts, tau_s = seen.shots / 2 - 1, K_PER_W * J_PER_K
    for channel, ohm in OHM.items():
        assert number(seen, "load, cold", channel) == pytest.approx(ohm, rel=0.0015)
        first_w, last_w = (watts_of(seen, f"load, {name}", channel) for name in ("cold, at more power", "warm"))
        rest = TEMPCO * K_PER_W * 0.5 * (first_w + last_w)
        first = rest * -math.expm1(-1.95 / tau_s)
        last = rest * 2.0 * bursts / 60.0 * -math.expm1(-60.0 / tau_s)
        drift_pct = 100.0 * ((1.0 + last) / (1.0 + first) - 1.0)
        assert number(seen, "load, warm against cold", channel) == pytest.approx(drift_pct, rel=0.05)
    assert [f.kind for f in seen.findings if f.kind == "load drift"] == ["load drift"] * 2
