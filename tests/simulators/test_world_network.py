"""Input filters, and what lies on the wires beside the signal."""

from __future__ import annotations

import cmath
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lsim

from simulators.world.bench_truth import BenchTruth, DigitiserTruth, InputTruth, SupplyTruth
from simulators.world.channel_truth import NetworkTruth, ResidueTruth
from simulators.world.digitise import Digitiser, InputSetting, Record
from simulators.world.unit_truth import FeedTruth, RailTruth
from tests.simulators.world_bench import ON_NS, S, channel, one_cycle, powered, unit, volts

STIFF = RailTruth(1000.0)
FULL = NetworkTruth(boost_hz=45.0, boost_db=9.0, boost_q=1.2, subsonic_hz=25.0, subsonic_q=0.5, lowpass_hz=120.0)


def response(network: NetworkTruth, coupling_hz: float, hz: float) -> complex:
    """Textbook transfer functions, one after another."""
    s, found = 1j * hz, 1.0 + 0.0j
    if coupling_hz:
        found *= s / (s + coupling_hz)
    if network.subsonic_hz:
        f, q = network.subsonic_hz, network.subsonic_q
        found *= s**2 / (s**2 + s * f / q + f**2)
    if network.boost_hz:
        f, q, g = network.boost_hz, network.boost_q, 10.0 ** (network.boost_db / 20.0)
        found *= (s**2 + g * s * f / q + f**2) / (s**2 + s * f / q + f**2)
    if network.lowpass_hz:
        f, q = network.lowpass_hz, network.lowpass_q
        found *= f**2 / (s**2 + s * f / q + f**2)
    return found


@pytest.mark.parametrize("hz", [20.0, 45.0, 100.0, 1000.0])
def test_filters_at_rest(hz: float) -> None:
    """Size and phase from the transfer functions; at the boost's centre its gain is the declared one."""
    world = powered(unit(channel(network=FULL, coupling_hz=3.0), rail=STIFF))
    world.fire(ON_NS, 0.1, hz, None)
    cycle = math.ceil(5.0 * hz)
    t_s = one_cycle(hz, cycle, 2000)
    wave = volts(world, "output A", ON_NS, t_s)
    phasor = 2.0 * np.mean(wave * np.exp(-2j * np.pi * hz * t_s)) * 1j
    expected = math.sqrt(2.0) * response(FULL, 3.0, hz)
    assert abs(phasor) == pytest.approx(abs(expected), rel=2e-5)
    assert cmath.phase(phasor / expected) == pytest.approx(0.0, abs=2e-5)


def test_boost_at_its_centre() -> None:
    """+9 dB there, 0 dB a hundred times higher (definition of a peaking filter)."""
    for hz, db in ((45.0, 9.0), (4500.0, 0.0)):
        assert 20.0 * math.log10(abs(response(NetworkTruth(45.0, 9.0, 1.2), 0.0, hz))) == pytest.approx(db, abs=0.01)
        world = powered(unit(channel(network=NetworkTruth(45.0, 9.0, 1.2)), rail=STIFF))
        world.fire(ON_NS, 0.1, hz, None)
        wave = volts(world, "output A", ON_NS, one_cycle(hz, math.ceil(2.0 * hz), 2000))
        assert 20.0 * math.log10(float(np.std(wave))) == pytest.approx(db, abs=0.01)


def test_filters_from_rest_and_over_two_bursts() -> None:
    """The same transfer functions in time by matrix exponentials (scipy.signal.lsim), bursts, pause and tail."""
    world = powered(unit(channel(network=FULL), rail=STIFF))
    world.fire(ON_NS, 1.0, 50.0, 2)
    world.fire(ON_NS + 60_000_000, 1.0, 50.0, 1)
    t_s = np.linspace(0.0, 0.15, 150_001)
    x = np.where(
        (t_s <= 0.04) | ((t_s >= 0.06) & (t_s <= 0.08)), math.sqrt(2.0) * np.sin(2.0 * np.pi * 50.0 * t_s), 0.0
    )
    for hz, q, kind in ((25.0, 0.5, "high"), (45.0, 1.2, "boost"), (120.0, math.sqrt(0.5), "low")):
        w = 2.0 * math.pi * hz
        top = {
            "high": [1.0, 0.0, 0.0],
            "boost": [1.0, 10.0**0.45 * w / q, w**2],
            "low": [w**2],
        }[kind]
        _, x, _ = lsim((top, [1.0, w / q, w**2]), x, t_s)
    got = volts(world, "output A", ON_NS, t_s)
    assert np.max(np.abs(got / 10.0 - x)) < 3e-5


def test_a_boosted_tone_meets_the_rail_earlier() -> None:
    """At +9 dB a level 8 dB below clipping clips (arithmetic)."""
    for network, clips in ((None, False), (NetworkTruth(45.0, 9.0, 1.2), True)):
        world = powered(unit(channel(network=network)))
        world.fire(ON_NS, 3.0 / math.sqrt(2.0) * 10.0 ** (-8.0 / 20.0), 45.0, 40)
        wave = volts(world, "output A", ON_NS, one_cycle(45.0, 39, 2000))
        assert bool(np.max(wave) >= 30.0 - 1e-9) is clips


def line_vrms(wave: np.ndarray[tuple[int], np.dtype[np.float64]], t_s: object, hz: float) -> float:
    return float(abs(np.mean(wave * np.exp(-2j * np.pi * hz * np.asarray(t_s)))) * math.sqrt(2.0))


def test_hum_and_carrier() -> None:
    """Each line has its own volts (its Fourier coefficient), runs on through bursts, and keeps its phase."""
    residue = ResidueTruth(((50.0, 0.004), (150.0, 0.001)), carrier_v=0.5, carrier_hz=262_000.0)
    world = powered(unit(channel(residue=residue)))
    t_s = np.arange(200_000) * 1e-6
    wave = volts(world, "output A", ON_NS, t_s)
    for hz, peak_v in ((50.0, 0.004), (150.0, 0.001), (262_000.0, 0.5), (100.0, 0.0)):
        assert line_vrms(wave, t_s, hz) * math.sqrt(2.0) == pytest.approx(peak_v, abs=1e-6)
    later = volts(world, "output A", ON_NS + 20_000_000_000, t_s)
    assert np.max(np.abs(later - wave)) < 1e-6  # 20 s are whole cycles of all three
    world.fire(ON_NS + 30 * S, 1.0, 1000.0, 20)
    assert volts(world, "output A", ON_NS + 30 * S, t_s)[100_000:].std() > 0.3


def test_oscillation_on_the_crests_only() -> None:
    """0.4 V above 20 V of output, nothing below, and nothing at a level that never gets there."""
    residue = ResidueTruth(oscillation_v=0.4, oscillation_hz=700_000.0, oscillates_above_v=20.0)
    t_s = np.arange(0.0, 1e-3, 1e-8)
    found = {}
    for crest_v in (25.0, 18.0):
        noisy, clean = powered(unit(channel(residue=residue))), powered(unit())
        for world in (noisy, clean):
            world.fire(ON_NS, crest_v / 10.0 / math.sqrt(2.0), 1000.0, 20)
        found[crest_v] = volts(noisy, "output A", ON_NS, t_s) - volts(clean, "output A", ON_NS, t_s)
    out_v = 25.0 * np.sin(2.0 * np.pi * 1000.0 * t_s)
    assert float(np.max(np.abs(found[25.0][np.abs(out_v) > 21.0]))) == pytest.approx(0.4, rel=1e-3)
    assert float(np.max(np.abs(found[25.0][np.abs(out_v) < 19.9]))) == 0.0
    assert float(np.max(np.abs(found[18.0]))) == 0.0


def test_open_input_ground_hums() -> None:
    """1 mV at the input is 10 mV at the output of a gain of 10."""
    world = powered(unit(), bench=BenchTruth(input_hum_v=((50.0, 0.001),)))
    t_s = np.arange(100_000) * 1e-6
    assert line_vrms(volts(world, "output A", ON_NS, t_s), t_s, 50.0) * math.sqrt(2.0) == pytest.approx(0.01, rel=1e-6)
    assert line_vrms(volts(world, "input", ON_NS, t_s), t_s, 50.0) * math.sqrt(2.0) == pytest.approx(0.001, rel=1e-6)


def test_probe_whose_ground_is_off() -> None:
    """0.2 V of 50 Hz at that input alone."""
    truth = DigitiserTruth(14, 0.0, inputs={1: InputTruth(open_ground_hum_v=0.2)})
    digitiser = Digitiser(powered(unit(), bench=BenchTruth(digitiser=truth)), "d", {1: "output A", 2: "output A"})
    record = Record(ON_NS, 1e5, 10_000, 0)
    codes = digitiser.codes(record, [InputSetting(1, 0.1, 8), InputSetting(2, 0.1, 8)])
    times_s = digitiser.sample_times_s(record)
    hums = [line_vrms(codes[n] * 0.8 / 2**14, times_s, 50.0) * math.sqrt(2.0) for n in (1, 2)]
    assert hums == [pytest.approx(0.2, rel=1e-3), pytest.approx(0.0, abs=1e-5)]


def test_probe_without_its_divider() -> None:
    """A x1 probe where a x10 is believed: ten times the codes (arithmetic)."""
    crests = []
    for factor in (10.0, 1.0):
        bench = BenchTruth(digitiser=DigitiserTruth(14, 0.0, inputs={1: InputTruth(probe_factor=factor)}))
        world = powered(unit(), bench=bench)
        world.fire(ON_NS, 0.1, 1000.0, 20)
        codes = Digitiser(world, "d", {1: "output A"}).codes(Record(ON_NS, 1e6, 20_000, 0), [InputSetting(1, 1.0, 8)])
        crests.append(float(np.max(codes[1])))
    assert crests[1] / crests[0] == pytest.approx(10.0, rel=5e-3)


@pytest.mark.parametrize(("ground_ohm", "part"), [(math.inf, 0.0), (0.45, 0.1), (0.0, 1.0)])
def test_input_ground(ground_ohm: float, part: float) -> None:
    """The minus lead's drop divides between shield (50 milliohm) and input ground: what falls along the shield is
    amplified like a signal (Ohm's law); floating shells keep it out. 2 A x 10 milliohm x 10 = 0.2 V.
    """
    bench = BenchTruth(supply=SupplyTruth(lead_ohm=0.02), shield_ohm=0.05)
    truth = replace(unit(channel(), feed=FeedTruth(idle_a=2.0)), input_ground_ohm=ground_ohm)
    world = powered(truth, bench=bench)
    zero = np.array([0.0])
    assert volts(world, "output A", ON_NS, zero)[0] == pytest.approx(-0.2 * part, abs=1e-12)
    assert volts(world, "input ground", ON_NS, zero)[0] == pytest.approx(0.02 * (1.0 - part), abs=1e-12)


def test_bonded_input_ground_adds_false_distortion() -> None:
    """The current of a class B stage pulses at twice the signal: an even harmonic that no floating input has."""
    bench = BenchTruth(supply=SupplyTruth(lead_ohm=0.006), shield_ohm=0.05)
    second = []
    for ground_ohm in (math.inf, 0.05):
        world = powered(replace(unit(channel(coupling_hz=3.0)), input_ground_ohm=ground_ohm), 4.0, bench)
        world.fire(ON_NS, 1.5, 1000.0, 20)
        spectrum = np.abs(np.fft.rfft(volts(world, "output A", ON_NS, one_cycle(1000.0, 10, 4000))))
        second.append(float(spectrum[2] / spectrum[1]))
    assert second[0] < 2e-5  # what the coupling leaves of the beginning
    # 4/(3 pi) of the peak current (21.2 V / 4 ohm x 30 V / 24 V / 0.88) x 3 milliohm x half x gain 10, of 21.2 V
    peak_a = 15.0 * math.sqrt(2.0) / 4.0 * 30.0 / 24.0 / 0.88
    assert second[1] == pytest.approx(
        4.0 / (3.0 * math.pi) * peak_a * 0.003 * 0.5 * 10.0 / (15.0 * math.sqrt(2.0)), rel=0.05
    )
