"""`noise`, `turn_on` and `load_check` against a bench on paper: what is read is what was planted."""

from __future__ import annotations

import asyncio
import math
from dataclasses import dataclass, field, replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy import integrate

from sequencer.measurements.load_check import load_check
from sequencer.measurements.noise import noise
from sequencer.measurements.requests import Connect, Fire, Inputs, Outputs, Remote, SetSupply
from sequencer.measurements.turn_on import turn_on
from sequencer.measurements.values import ValueJob, Values
from sequencer.night.wiring import Trip, Wiring
from sequencer.plan.models import Bench, Load
from tests.sequencer.paper_checks import (
    PaperBenchOfChecks,
    PaperUnit,
    bench_model,
    drive,
    job_of,
    kinds,
    number,
    unit_model,
    value,
)
from tests.sequencer.test_silence import by_poles

HALF_HZ = 50_000.0  # of the paper bench's 100 kS/s
BAND, WEIGHTED = "noise and hum, 20 Hz to 20 kHz", "noise and hum, A-weighted"
BAND_SHARE = (20_000.0 - 20.0) / HALF_HZ
A_SHARE = float(integrate.quad(by_poles, 20.0, 20_000.0, limit=200)[0]) / HALF_HZ


def asked(measurement: str, paper: PaperBenchOfChecks, unit: dict[str, Any] | None = None, **point: Any) -> ValueJob:
    made = job_of(measurement, unit_model(**(unit or {})), paper.bench)
    return replace(made, point=replace(made.point, **point))


def heard(unit: PaperUnit, **declared: Any) -> Values:
    paper = PaperBenchOfChecks(unit)
    return drive(noise(asked("noise", paper, declared)), paper.answer)


def without_gain_errors(bench: Bench) -> Bench:
    """Declared as such: what is left of an uncertainty is the noise's own."""
    exact = {"gain_uncertainty_pct": 0.0}
    inputs = {name: one.model_copy(update=exact) for name, one in bench.input.items()}
    return bench.model_copy(
        update={"input": inputs, "range": tuple(one.model_copy(update=exact) for one in bench.range)}
    )


# --- noise


def test_noise_in_the_band_and_weighted() -> None:
    """1 mV of white noise up to 50 kHz: its density times 19,980 Hz, and times the weighting's own width. The range's
    1 % and the probe's 0.5 % are within the uncertainty; the bench on paper has no such errors."""
    found = heard(PaperUnit(noise_v=0.001))
    for channel in "AB":
        assert number(found, BAND, channel) == pytest.approx(0.001 * math.sqrt(BAND_SHARE), rel=0.012)
        assert number(found, WEIGHTED, channel) == pytest.approx(0.001 * math.sqrt(A_SHARE), rel=0.016)


def test_hum_by_its_lines() -> None:
    """2 mV peak at 50.2 Hz on A alone: rms is the peak over the root of two, and the band holds both."""
    found = heard(PaperUnit(noise_v=0.001, hum_v={"A": (50.2, 0.002)}))
    assert number(found, "hum 50 Hz", "A") == pytest.approx(0.002 / 2**0.5, rel=0.01)
    for name, channel in (("hum 50 Hz", "B"), ("hum 100 Hz", "A")):
        none = value(found, name, channel)
        assert (none.value, none.judgement) == (None, None)
        assert "no more than the noise" in (none.reason or "")
    both = math.hypot(0.001 * math.sqrt(BAND_SHARE), 0.002 / 2**0.5)
    assert number(found, BAND, "A") == pytest.approx(both, rel=0.01)
    alone = number(found, "noise without hum, 20 Hz to 20 kHz", "A")
    assert alone == pytest.approx(0.001 * math.sqrt(BAND_SHARE), rel=0.012)


def test_signal_to_noise() -> None:
    """10 lg(P R / V^2), the load 7.98 ohm by the bench's file; 60 W by the unit's rating into 8 ohm. The rated power
    lies 10 lg 60 = 17.78 dB above 1 W."""
    found = heard(PaperUnit(noise_v=0.001))
    one_w = number(found, "signal to noise re 1 W, A-weighted", "A")
    ohm = bench_model().load["8R"].ohm["A"]
    assert one_w == pytest.approx(10.0 * math.log10(ohm / (1e-6 * A_SHARE)), abs=0.15)
    rated = {r.load_ohm: r.power_w for r in unit_model().rating if r.supply_v == 24.0}[8.0]
    above = number(found, "signal to noise re rated power, A-weighted", "A") - one_w
    assert above == pytest.approx(10.0 * math.log10(rated), abs=1e-9)


def test_without_a_rating_into_this_load() -> None:
    found = heard(PaperUnit(noise_v=0.001), rating=(), output_rail_v=30.0)
    one = value(found, "signal to noise re rated power, A-weighted", "A")
    assert (one.value, one.judgement) == (None, "not measured")
    assert "rates no power" in (one.reason or "")


def test_the_digitiser_s_own_noise_is_taken_away() -> None:
    """Half a step of noise and an even error of a step on the least range, 0.8 V at the unit of 12 bit: 0.195 mV and
    0.113 mV (step over root 12), of which the band holds its share: the unit's 0.3 mV are read without it."""
    found = heard(PaperUnit(noise_v=0.0003))
    step = 2.0 * 0.8 / 4096.0
    own = number(found, "digitiser's own noise, 20 Hz to 20 kHz", "A")
    assert own == pytest.approx(step * math.sqrt((0.25 + 1.0 / 12.0) * BAND_SHARE), rel=0.02)
    assert number(found, BAND, "A") == pytest.approx(0.0003 * math.sqrt(BAND_SHARE), rel=0.03)


def test_a_quieter_unit_is_below_the_floor() -> None:
    """A hundredth of the digitiser's own: no number, and what it lies below."""
    found = heard(PaperUnit(noise_v=2e-6))
    one = value(found, BAND, "A")
    assert (one.value, one.judgement) == (None, "below floor")
    assert "below" in (one.reason or "")
    ratio = value(found, "signal to noise re 1 W, A-weighted", "B")
    assert (ratio.value, ratio.judgement) == (None, "below floor")
    assert "at least" in (ratio.reason or "")


def test_the_true_noise_lies_within_its_interval() -> None:
    """60 readings, of which at least 51 (95 % is claimed; binomial, 99.9 %)."""
    rng = np.random.default_rng(5)
    inside = 0
    for seed, noise_v in enumerate(rng.uniform(0.0002, 0.002, 30)):
        paper = PaperBenchOfChecks(PaperUnit(noise_v=float(noise_v)), seed=seed)
        paper.bench = without_gain_errors(paper.bench)
        found = drive(noise(asked("noise", paper)), paper.answer)
        for channel in "AB":
            one = value(found, WEIGHTED, channel)
            assert one.value is not None
            assert one.expanded_uncertainty is not None
            inside += abs(one.value - noise_v * math.sqrt(A_SHARE)) <= one.expanded_uncertainty
    assert inside >= 51


def test_it_is_switched_off_by_its_remote_line_and_on_again() -> None:
    paper = PaperBenchOfChecks()
    drive(noise(asked("noise", paper)), paper.answer)
    assert [r.on for r in paper.asked if isinstance(r, Remote)] == [False, True]
    assert not [r for r in paper.asked if isinstance(r, Fire | SetSupply)]


def test_the_output_contacts_open_only_while_it_is_off() -> None:
    """A contact that opens under a signal welds (common practice): off, open, close, on."""
    paper = PaperBenchOfChecks()
    drive(noise(asked("noise", paper)), paper.answer)
    order = [one for one in paper.asked if isinstance(one, Remote | Outputs)]
    assert order == [Remote(False), Outputs(False), Outputs(True), Remote(True)]


@dataclass
class Contacts:
    """A load switch that only remembers."""

    closed: set[str] = field(default_factory=set)

    async def close(self, names: list[str]) -> None:
        self.closed |= set(names)

    async def open(self, names: list[str]) -> None:
        self.closed -= set(names)


def test_the_night_opens_no_output_contact_of_a_unit_that_is_on() -> None:
    """Whoever asks."""
    bench, unit = bench_model(), unit_model()
    hands: Any = SimpleNamespace(load_switch=Contacts(set(bench.bay[0].output_contacts)), interlock=None, cut_off=None)
    clock: Any = SimpleNamespace(now_ns=lambda: 0)
    wiring = Wiring(hands, clock, bench, unit, bench.bay[0])
    wiring.supply_v = 24.0
    asyncio.run(wiring.remote(True))
    with pytest.raises(Trip, match="while the unit is on"):
        asyncio.run(wiring.outputs(False))
    assert set(bench.bay[0].output_contacts) <= hands.load_switch.closed
    asyncio.run(wiring.remote(False))
    asyncio.run(wiring.outputs(False))
    assert not set(bench.bay[0].output_contacts) & hands.load_switch.closed
    asyncio.run(wiring.outputs(True))
    assert set(bench.bay[0].output_contacts) <= hands.load_switch.closed


def test_the_digitiser_s_own_noise_with_the_outputs_open() -> None:
    """As with the unit off: half a step of noise and an even error of a step, of which the band holds its share."""
    found = heard(PaperUnit(noise_v=0.0003))
    step = 2.0 * 0.8 / 4096.0
    own = number(found, "digitiser's own noise, outputs open, 20 Hz to 20 kHz", "A")
    assert own == pytest.approx(step * math.sqrt((0.25 + 1.0 / 12.0) * BAND_SHARE), rel=0.02)


@dataclass
class Quieter(PaperBenchOfChecks):
    """A unit whose input amplifies what stands on it: 0.4 mV at the output, and 1 mV while the generator is on it."""

    apart: list[tuple[str, ...] | None] = field(default_factory=list)

    def answer(self, request: Any) -> Any:
        if isinstance(request, Inputs):
            self.apart.append(request.channels)
            self.unit.noise_v = 0.001 if request.channels is None else 0.0004
        return super().answer(request)


def test_noise_with_the_input_off_the_generator_is_told_beside_it() -> None:
    """Where each input has a contact of its own; what it hangs on then is the bench's word for it."""
    paper = Quieter(PaperUnit(noise_v=0.001))
    bay = paper.bench.bay[0].model_copy(
        update={"input_contacts": {"A": "205", "B": "206"}, "undriven_input": "600 ohm to its own ground"}
    )
    paper.bench = paper.bench.model_copy(update={"bay": (bay,)})
    found = drive(noise(asked("noise", paper)), paper.answer)
    assert paper.apart == [(), None]
    for channel in "AB":
        assert number(found, BAND, channel) == pytest.approx(0.001 * math.sqrt(BAND_SHARE), rel=0.015)
        off = value(found, "noise and hum, input off, 20 Hz to 20 kHz", channel)
        assert off.value == pytest.approx(0.0004 * math.sqrt(BAND_SHARE), rel=0.03)
        assert off.reason == "input off the generator: 600 ohm to its own ground"


def test_without_a_contact_for_each_input_it_says_so() -> None:
    found = heard(PaperUnit(noise_v=0.001))
    assert not [v for v in found.values if "input off" in v.name]
    assert "not read with the input off it" in found.extra["termination"]


def test_without_a_remote_line_its_supply_is_switched() -> None:
    paper = PaperBenchOfChecks(bench=bench_model(remote=False))
    drive(noise(asked("noise", paper)), paper.answer)
    assert [(r.volts, r.on) for r in paper.asked if isinstance(r, SetSupply)] == [(24.0, False), (24.0, True)]


def test_loud_hum_and_noise_are_told() -> None:
    """Above 5 mV (common practice, no source): a line of 100 Hz is the reservoir's."""
    found = heard(PaperUnit(noise_v=0.02, hum_v={"B": (100.0, 0.009)}))
    assert kinds(found) == [("noise", "A"), ("noise", "B"), ("hum", "B")]
    assert "reservoir" in next(f.next_action for f in found.findings if f.kind == "hum")


# --- turn_on


@pytest.mark.parametrize("mute_s", [0.31, 0.8, 2.37])
def test_mute_and_thump_of_three_times(mute_s: float) -> None:
    """Both planted: the longest mute within its interval; a thump that falls with 40 ms, as its mean over one cycle."""
    paper = PaperBenchOfChecks(PaperUnit(mute_s=mute_s, thump_v=0.6))
    found = drive(turn_on(asked("turn_on", paper, power_cycles=3)), paper.answer)
    mute = value(found, "mute time")
    assert mute.judgement == "within"
    assert number(found, "mute time") == pytest.approx(mute_s, abs=(mute.expanded_uncertainty or 0.0) + 0.01)
    for channel in "AB":
        thump = value(found, "thump", channel)
        assert thump.value is not None
        assert thump.value > 0.9 * 0.6 * math.exp(-0.001 / 0.04) - (thump.expanded_uncertainty or 0.0)
        assert thump.value < 0.6 + (thump.expanded_uncertainty or 0.0)
    assert [r.on for r in paper.asked if isinstance(r, Remote)] == 3 * [False, True]
    assert kinds(found) == []


def test_the_remote_threshold_is_never_guessed() -> None:
    paper = PaperBenchOfChecks()
    one = value(drive(turn_on(asked("turn_on", paper, power_cycles=1)), paper.answer), "remote threshold")
    assert (one.value, one.judgement) == (None, "not measured")
    assert one.reason == "the bench switches the remote line, it has no adjustable volts"


def test_a_long_mute_a_loud_thump_and_a_silent_output_are_told() -> None:
    paper = PaperBenchOfChecks(PaperUnit(mute_s=4.0, thump_v=3.0))
    found = drive(turn_on(asked("turn_on", paper, power_cycles=1)), paper.answer)
    assert kinds(found) == [("mute time", None), ("thump", "A"), ("thump", "B")]
    paper = PaperBenchOfChecks(PaperUnit(gain={"A": 20.0, "B": 0.0}))
    found = drive(turn_on(asked("turn_on", paper, power_cycles=3)), paper.answer)
    assert kinds(found) == [("no output", "B")]
    assert value(found, "mute time").judgement == "not measured"
    assert found.extra["times"] == 1


def test_a_unit_that_is_held_down_gets_no_power_any_more() -> None:
    """40 A wanted, 25 allowed: in current limit for more than a second after it came on."""
    paper = PaperBenchOfChecks(PaperUnit(idle_a=40.0))
    found = drive(turn_on(asked("turn_on", paper, power_cycles=3)), paper.answer)
    assert found.no_power is not None
    assert kinds(found) == [("do not power", None)]
    assert [r.on for r in paper.asked if isinstance(r, Remote)] == [False, True, False]


# --- load_check


@dataclass
class WarmingLoads(PaperBenchOfChecks):
    """rise: part by which the ohms of one channel have risen at the end of its heating, in proportion to time."""

    rise: dict[str, float] = field(default_factory=dict)
    over_s: float = 12.0
    begun_s: dict[str, float] = field(default_factory=dict)

    def _load_ohm(self, channel: str) -> float:
        cold = super()._load_ohm(channel)
        if self.loaded != (channel,) or not self.fired or self.fired[-1].cycles < 1000:
            return cold
        begun_s = self.begun_s.setdefault(channel, self.now_s)
        return cold * (1.0 + self.rise.get(channel, 0.0) * (self.now_s - begun_s) / self.over_s)


def checked(paper: PaperBenchOfChecks, minutes: float = 0.2) -> Values:
    return drive(load_check(asked("load_check", paper, minutes=minutes, power_parts=(0.125,))), paper.answer)


def test_ohms_by_volts_and_amps_cold_and_warm() -> None:
    """The true ohms, 7.99 and 8.02, within what probe, ranges and shunt declare (1 % and 0.5 % of each, rectangular);
    what the bench on paper adds is noise alone, so they are read to 0.1 %. A's rise by 2 %, as planted."""
    paper = WarmingLoads(rise={"A": 0.02})
    found = checked(paper)
    assert number(found, "load, cold", "A") == pytest.approx(7.99, rel=0.001)
    assert number(found, "load, cold", "B") == pytest.approx(8.02, rel=0.001)
    assert number(found, "load, cold, at more power", "B") == pytest.approx(8.02, rel=0.001)
    assert number(found, "load, warm against cold", "A") == pytest.approx(2.0, abs=0.35)
    assert number(found, "load, warm against cold", "B") == pytest.approx(0.0, abs=0.05)
    assert kinds(found) == [("load drift", "A")]


def test_each_channel_alone_and_all_of_them_at_the_end() -> None:
    paper = WarmingLoads()
    checked(paper)
    connected = [r.channels for r in paper.asked if isinstance(r, Connect)]
    assert connected == [("A",), ("B",), ("A", "B")]
    assert max(fire.cycles / fire.frequency_hz for fire in paper.fired) <= 10.0


def test_another_resistor_is_told() -> None:
    """7.98 ohm by the file, 8.8 in truth: beyond what is declared and 5 % more."""
    paper = WarmingLoads(ohm={("8R", "A"): 8.8, ("8R", "B"): 8.02})
    assert kinds(checked(paper)) == [("wrong load", "A")]


@pytest.mark.parametrize("why", ["no shunt", "together"])
def test_without_what_it_needs_nothing_is_guessed(why: str) -> None:
    bench = bench_model(shunt=why != "no shunt")
    if why == "together":
        one: Load = bench.load["8R"].model_copy(update={"close": ("101", "102")})
        bench = bench.model_copy(update={"load": dict(bench.load) | {"8R": one}})
    paper = WarmingLoads(bench=bench)
    found = checked(paper)
    assert [v.judgement for v in found.values] == ["not measured", "not measured"]
    assert found.reason == found.values[0].reason
    assert ("nothing reads the load's current" in (found.reason or "")) == (why == "no shunt")
    assert paper.asked == []
