"""`bench_check` against a bench on paper: each check by a closed form, each fault named once, a sound bench silent."""

from __future__ import annotations

import math
from typing import Any

import pytest

from sequencer.measurements.bench_check import bench_check
from sequencer.measurements.bench_check_wiring import sense
from sequencer.measurements.bench_inputs import second_half
from sequencer.measurements.requests import Connect, Fire
from sequencer.measurements.values import Values
from sequencer.plan.models import Fingerprint, Unit
from tests.sequencer.paper_checks import (
    PaperBenchOfChecks,
    PaperUnit,
    bench_model,
    job_of,
    kinds,
    number,
    unit_model,
    value,
)
from tests.sequencer.paper_checks import drive as drive_talk


def checked(paper: PaperBenchOfChecks, unit: Unit | None = None, **more: Any) -> Values:
    return drive_talk(bench_check(job_of("bench_check", unit or unit_model(), paper.bench, **more)), paper.answer)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_sound_bench_raises_nothing(seed: int) -> None:
    """Gain +-0.5 dB, ohms +-0.5 %, ranges within what is declared, clock 60 ppm: healthy spread, common practice."""
    unit = PaperUnit(gain={"A": 20.0 * 10 ** (0.45 / 20), "B": 20.0 * 10 ** (-0.45 / 20)}, idle_a=1.1)
    ohm = {("8R", "A"): 7.98 * 1.005, ("8R", "B"): 8.03 * 0.995, ("4R", "A"): 4.02 * 0.995, ("4R", "B"): 3.99 * 1.005}
    paper = PaperBenchOfChecks(unit, ohm=ohm, range_error={4.0: 0.009, 8.0: -0.009}, clock=1.0 + 60e-6, seed=seed)
    found = checked(paper)
    assert kinds(found) == []
    assert found.no_drive is None


def test_levels_stay_harmless_and_the_point_s_load_is_back() -> None:
    """Never above 0.4 Vrms at an output (common practice), though one channel has 0.4 dB more than its file."""
    paper = PaperBenchOfChecks(PaperUnit(gain={"A": 20.0 * 10 ** (0.4 / 20), "B": 19.0}))
    checked(paper)
    assert paper.highest_v <= 0.4 * math.sqrt(2.0) * 1.003  # what the load takes off is not seen in a gain
    connected = [r for r in paper.asked if isinstance(r, Connect)]
    assert {(c.load, c.channels) for c in connected[:-1]} == {(n, (c,)) for n in ("8R", "4R") for c in "AB"}
    assert (connected[-1].load, connected[-1].channels) == ("8R", ("A", "B"))


def test_gain_of_each_channel() -> None:
    """20 log10 of what is planted, less the divider of 15 mohm into the load."""
    found = checked(PaperBenchOfChecks(PaperUnit(gain={"A": 21.0, "B": 19.5})))
    for channel, gain, ohm in (("A", 21.0, 7.99), ("B", 19.5, 8.02)):
        expected_db = 20.0 * math.log10(gain * ohm / (ohm + 0.015))
        assert number(found, "gain, wiring tone", channel) == pytest.approx(expected_db, abs=0.002)
        assert number(found, "live terminal, plus", channel) == pytest.approx(0.05 * gain / 20.0, rel=0.003)


@pytest.mark.parametrize("delay_s", [0.0, 0.0005, 0.0013])
def test_sense_is_told_whatever_the_delay(delay_s: float) -> None:
    """A delay of half a cycle turns a phase round, not the first half cycle of a burst."""
    found = checked(PaperBenchOfChecks(PaperUnit(gain={"A": 20.0, "B": -20.0}, delay_s=delay_s)))
    assert kinds(found) == [("polarity", "B")]
    turned = unit_model()
    turned = turned.model_copy(
        update={"channel": (turned.channel[0], turned.channel[1].model_copy(update={"inverted": True}))}
    )
    assert kinds(checked(PaperBenchOfChecks(PaperUnit(gain={"A": 20.0, "B": -20.0}, delay_s=delay_s)), turned)) == []


@pytest.mark.parametrize("ppm", [-150.0, 18.0, 95.0, 130.0])
def test_clock_ratio(ppm: float) -> None:
    """A clock that counts its seconds too long by so many ppm shows a frequency too low by as many."""
    found = checked(PaperBenchOfChecks(clock=1.0 + 1e-6 * ppm))
    assert number(found, "clock ratio") == pytest.approx(-ppm, abs=1.0)
    assert kinds(found) == ([("clock", None)] if abs(ppm) > 100.0 else [])


def test_clock_s_uncertainty_is_that_of_a_sine_s_frequency() -> None:
    """Cramer and Rao for amplitude, phase, offset and frequency: var f = 6 s^2 / (pi^2 T^2 A^2 N) with A peak, from
    memory; the scatter of twenty seeds agrees within three times the 16 % that twenty give."""
    read = [checked(PaperBenchOfChecks(seed=seed)) for seed in range(20)]
    ppm = [number(found, "clock ratio") for found in read]
    mean = sum(ppm) / len(ppm)
    spread = math.sqrt(sum((x - mean) ** 2 for x in ppm) / (len(ppm) - 1))
    stated = value(read[0], "clock ratio").expanded_uncertainty
    assert stated is not None
    assert stated / 2.0 == pytest.approx(spread, rel=0.48)


def test_a_range_that_is_off_is_named() -> None:
    """4 % on the 8 V range (at the unit; 0.8 V at the connector), where 1 % each is declared: 20 log10(1.04)."""
    found = checked(PaperBenchOfChecks(range_error={8.0: 0.04}))
    assert kinds(found) == [("digitiser range", "A")]
    assert "range 0.8 V of ch1" in found.findings[0].sentence
    name = "range of ch1, 0.4 V against 0.8 V"
    assert number(found, name, "A") == pytest.approx(-20.0 * math.log10(1.04), abs=0.01)


def test_ranges_that_differ_as_much_as_is_declared_are_no_finding() -> None:
    """1 % each way on neighbours: 2 % apart is what two such ranges may be."""
    found = checked(PaperBenchOfChecks(range_error={4.0: 0.01, 8.0: -0.01}))
    assert kinds(found) == []


@pytest.mark.parametrize(("factor", "set_to"), [(0.1, "x1"), (10.0, "x100")])
def test_a_probe_s_switch(factor: float, set_to: str) -> None:
    """A probe at x1 for x10 shows ten times the volts: 20 dB."""
    found = checked(PaperBenchOfChecks(probe={"ch2": factor}))
    assert kinds(found) == [("probe", "B")]
    assert f"ch2 is set {set_to}," in found.findings[0].sentence
    assert "probe of ch2" in (found.no_drive or "")


@pytest.mark.parametrize("factor", [0.1, 10.0])
def test_the_rail_s_probe(factor: float) -> None:
    """24 V that reads as 240 V (beyond every range) or 2.4 V."""
    found = checked(PaperBenchOfChecks(probe={"ch3": factor}))
    assert kinds(found) == [("probe", None)]
    assert "ch3" in found.findings[0].sentence


def test_hum_of_one_line() -> None:
    """A sine of 12 mV peak is 8.49 mV rms; the other lines and the noise do not see it."""
    found = checked(PaperBenchOfChecks(PaperUnit(hum_v={"B": (100.0, 0.012)})))
    assert number(found, "hum 100 Hz", "B") == pytest.approx(0.012 / math.sqrt(2.0), rel=0.01)
    assert number(found, "hum 50 Hz", "B") < 1e-4
    assert number(found, "noise 20 Hz to 20 kHz", "B") < 1e-3
    assert kinds(found) == [("hum", "B")]


def test_hum_on_all_channels_alike_is_the_input_s_ground() -> None:
    found = checked(PaperBenchOfChecks(PaperUnit(hum_v={"A": (50.0, 0.02), "B": (50.0, 0.018)})))
    assert kinds(found) == [("input ground", None)]
    alone = checked(PaperBenchOfChecks(PaperUnit(hum_v={"A": (50.0, 0.02)})))
    assert kinds(alone) == [("hum", "A")]


def test_noise_in_the_audio_band() -> None:
    """White noise of s in half the sample rate of 50 kHz: s sqrt(19980/50000) within 20 Hz to 20 kHz, and the
    converter's own (0.58 steps of 0.39 mV) likewise."""
    found = checked(PaperBenchOfChecks(PaperUnit(noise_v=0.012)))
    own_v = 0.39e-3 * math.hypot(0.5, 1.0 / math.sqrt(12.0))
    expected_v = math.hypot(0.012, own_v) * math.sqrt(19_980.0 / 50_000.0)
    assert number(found, "noise 20 Hz to 20 kHz", "A") == pytest.approx(expected_v, rel=0.03)
    assert kinds(found) == [("noise", "A"), ("noise", "B")]


def test_loads_by_volts_and_amps() -> None:
    """Ohm's law, at the unit's terminals; near the truth by what noise of half a step leaves of 18 steps of shunt."""
    paper = PaperBenchOfChecks()
    found = checked(paper)
    for (load, channel), ohm in paper.ohm.items():
        read = value(found, f"load {load} by volts and amps", channel)
        assert read.value == pytest.approx(ohm, rel=0.005)
        assert read.expanded_uncertainty is not None
        assert 0.01 < read.expanded_uncertainty / ohm < 0.03  # two ranges of 1 %, two probes of 0.5 %, rectangular


def test_output_resistance_by_what_a_load_takes_off() -> None:
    """The textbook divider: 15 mohm planted."""
    found = checked(PaperBenchOfChecks())
    for channel in "AB":
        assert number(found, "output resistance", channel) == pytest.approx(0.015, abs=0.0005)


@pytest.mark.parametrize(
    ("ohm", "kind"),
    [(4.02 + 0.06, "contact or lead resistance"), (4.02 + 0.15, "contact or lead resistance"),
     (4.02 + 0.24, "contact or lead resistance"), (4.02 + 0.30, "wrong load"), (4.7, "wrong load"),
     (3.0, "wrong load")],
)  # fmt: skip
def test_a_load_that_is_off(ohm: float, kind: str) -> None:
    """60 mohm in 4 ohm are 1.5 %: within what volts and amps are worth, but not beside the other load of the same
    channel, where ranges and shunt are the same. Another resistor is what lies 5 % off (common practice, no source)
    by more than the uncertainty: two ranges of 1 % and two probes of 0.5 %, rectangular, are 0.91 % standard and 1.8 %
    expanded (JCGM 100, 4.3.7 and 5.1.2), so 6 % is none yet and 7.5 % is."""
    paper = PaperBenchOfChecks()
    paper.ohm["4R", "A"] = ohm
    found = checked(paper)
    assert kinds(found) == [(kind, "A")]
    assert (found.no_drive is not None) == (kind == "wrong load")
    assert "load 4R" in found.findings[0].sentence


def test_without_a_shunt_loads_are_not_measured_and_it_says_why() -> None:
    found = checked(PaperBenchOfChecks(bench=bench_model(shunt=False)))
    read = value(found, "load 4R by volts and amps", "B")
    assert (read.value, read.judgement) == (None, "not measured")
    assert "shunt" in (read.reason or "")
    assert kinds(found) == []
    assert number(found, "output resistance", "A") == pytest.approx(0.015, abs=0.0005)


def test_a_load_that_both_channels_share_contacts_for_is_not_measured() -> None:
    """Contacts 103 and 104 close together: the shunt would see both currents, and half the ohms."""
    bench = bench_model()
    both = bench.load["4R"].model_copy(update={"close": ("103", "104")})
    paper = PaperBenchOfChecks(bench=bench.model_copy(update={"load": {"8R": bench.load["8R"], "4R": both}}))
    found = checked(paper)
    assert kinds(found) == []
    read = value(found, "load 4R by volts and amps", "A")
    assert (read.judgement, "at once" in (read.reason or "")) == ("not measured", True)
    assert number(found, "load 8R by volts and amps", "A") == pytest.approx(7.99, rel=0.005)
    assert "4R" not in {r.load for r in paper.asked if isinstance(r, Connect)}


def test_crossed_channels() -> None:
    """Each output's volts fall when the load of the other one is connected: the divider, on the wrong terminals."""
    found = checked(PaperBenchOfChecks(PaperUnit(gain={"A": 20.3, "B": 19.8}, crossed=True)))
    assert kinds(found) == [("channels crossed", None)]


def test_a_silent_channel_and_no_number_for_it() -> None:
    found = checked(PaperBenchOfChecks(PaperUnit(gain={"A": 20.0, "B": 0.0})))
    assert kinds(found) == [("no output", "B")]
    assert value(found, "gain, wiring tone", "B").value is None
    assert found.no_drive is None


def test_a_shorted_output_is_not_driven_further() -> None:
    """5 mohm behind 15 mohm: a quarter of the volts, and 1 A more from the supply under the tone."""
    paper = PaperBenchOfChecks(PaperUnit(short=frozenset("A")))
    found = checked(paper)
    assert kinds(found) == [("shorted output", "A")]
    assert "channel A looks shorted" in (found.no_drive or "")
    assert max(f.level_vrms for f in paper.fired) <= 0.05 / 10 ** (26.0 / 20.0) * 1.001


def test_another_unit_than_its_serial_says() -> None:
    """Both gains 0.6 dB away from this serial's last: told; one alone is a control that was turned."""
    last = unit_model(fingerprint=Fingerprint(gain_db={"A": 26.6, "B": 26.6}, idle_a=1.0))
    found = checked(PaperBenchOfChecks(), last)
    assert kinds(found) == [("not the unit expected", None)]
    assert "gain A 26.0 dB, last measured 26.6" in found.findings[0].sentence
    one = unit_model(fingerprint=Fingerprint(gain_db={"A": 26.6, "B": 26.0}, idle_a=1.0))
    assert kinds(checked(PaperBenchOfChecks(), one)) == []


def test_standby_current_of_an_earlier_point_counts_too() -> None:
    last = unit_model(fingerprint=Fingerprint(gain_db={"A": 26.6}, standby_a=0.1))
    row = {"measurement": "first_power", "values": [{"name": "standby current", "value": 0.01}]}
    found = checked(PaperBenchOfChecks(), last, earlier=(row,))
    assert kinds(found) == [("not the unit expected", None)]


def test_a_gain_that_is_not_the_file_s() -> None:
    """1.4 dB below on one channel: its control is turned back."""
    found = checked(PaperBenchOfChecks(PaperUnit(gain={"A": 20.0, "B": 20.0 * 10 ** (-1.4 / 20)})))
    assert kinds(found) == [("gain not as its file", "B")]


def test_a_dead_zone_is_not_another_unit() -> None:
    """A dead zone of 30 mV takes most of 50 mV and less of 0.4 V: both gains lie far from their last, and so does the
    idle current, but what is told is that the gain depends on the level."""
    last = unit_model(fingerprint=Fingerprint(gain_db={"A": 26.0, "B": 26.0}, idle_a=1.0))
    found = checked(PaperBenchOfChecks(PaperUnit(dead_zone_v=0.03, idle_a=0.4)), last)
    assert kinds(found) == [("gain depends on level", "A"), ("gain depends on level", "B")]


@pytest.mark.parametrize("hz", [63.0, 1000.0, 9000.0])
@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("noise_v", [0.0003, 0.02])
def test_sense_of_a_noisy_tone(sign: float, hz: float, noise_v: float) -> None:
    """By construction; 20 mV of noise on 71 mV, at either end of the band."""
    unit = PaperUnit(gain={"A": sign * 20.0, "B": 20.0}, noise_v=noise_v, delay_s=0.0021)
    paper = PaperBenchOfChecks(unit)
    fire = Fire(0.0025, hz, max(20, round(0.2 * hz)), {"ch1": 0.3}, "check")
    shot = paper._shot(fire, fire.cycles / hz + 0.001)
    assert sense(second_half(shot.records["ch1"], hz, fire.cycles), hz) == sign


def test_a_supply_that_shows_more_than_is_set() -> None:
    """0.7 V too much, as with an open sense lead (common practice)."""
    assert kinds(checked(PaperBenchOfChecks(supply_off_v=0.7))) == [("supply sense", None)]
    assert kinds(checked(PaperBenchOfChecks(sense_more_v=0.9))) == [("supply sense", None)]
    assert kinds(checked(PaperBenchOfChecks(supply_off_v=0.02))) == []


def test_a_lead_that_loses_more_than_3_percent() -> None:
    """0.95 ohm at 1 A: 0.95 V of 24, beyond the 2 % and more that a range and its probe may be off."""
    found = checked(PaperBenchOfChecks(lead_ohm=0.95))
    assert kinds(found) == [("supply lead", None)]
    assert number(found, "lead of the supply") == pytest.approx(0.95, rel=0.02)


def test_no_rail_input_no_figure() -> None:
    found = checked(PaperBenchOfChecks(bench=bench_model(rail=False)))
    assert value(found, "supply at the unit").judgement == "not measured"
    assert kinds(found) == []


def test_instruments_are_named_with_their_dates() -> None:
    found = checked(PaperBenchOfChecks())
    assert found.extra["instruments"]["supply"] == {"serial": "60-1182", "calibrated": "2026-02-12"}
