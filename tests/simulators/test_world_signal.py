"""The unit's signal path against closed forms and solutions of its equations by another method."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.signal import lsim

from simulators.world.unit_truth import RailTruth
from tests.simulators.world_bench import ON_NS, channel, one_cycle, powered, thd, unit, volts

HZ = 1000.0


def driven_to(r: float, **changes: object) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """One cycle at the output of a unit with a rigid 30 V rail whose wanted peak is 30 V / r."""
    world = powered(unit(channel(**changes)))
    world.fire(ON_NS, 30.0 / r / 10.0 / math.sqrt(2.0), HZ, 20)
    return volts(world, "output A", ON_NS, one_cycle(HZ, 5))


@pytest.mark.parametrize(
    ("r", "thd_percent", "power_ratio"),
    [
        (0.99, 0.286177, 1.017868),
        (0.971486940, 1.0, 1.0475059),
        (0.95, 1.924014, 1.079111),
        (0.9, 4.219933, 1.146019),
        (0.778651164, 10.0, 1.2877619),
        (0.5, 23.293814, 1.564009),
    ],
)
def test_symmetrical_hard_clip(r: float, thd_percent: float, power_ratio: float) -> None:
    """Fourier series of a sine cut at +-r: closed form, THD(F) = sqrt(2m/b1^2 - 1), P/P0 = 2m/r^2."""
    wave = driven_to(r)
    assert 100.0 * thd(wave) == pytest.approx(thd_percent, abs=1e-6)
    assert float(np.mean(wave**2)) * 2.0 / 30.0**2 == pytest.approx(power_ratio, abs=6e-7)


@pytest.mark.parametrize(
    ("r", "dc", "a1", "thd_percent"),
    [(0.95, -0.003364, 0.993340, 1.4305), (0.9, -0.009538, 0.981307, 3.2105), (0.5, -0.108998, 0.804499, 19.4648)],
)
def test_one_sided_clip(r: float, dc: float, a1: float, thd_percent: float) -> None:
    """Positive peaks of a unit sine cut at r: dc = -(sin phi - r phi)/pi, phi = arccos r, and so on (closed form)."""
    wave = driven_to(r, clip_negative=100.0) * r / 30.0
    assert float(np.mean(wave)) == pytest.approx(dc, abs=6e-7)
    assert 2.0 * abs(np.fft.rfft(wave)[1]) / len(wave) == pytest.approx(a1, abs=6e-7)
    assert 100.0 * thd(wave) == pytest.approx(thd_percent, abs=6e-5)


@pytest.mark.parametrize("p", [2.0, 8.0, 24.0])
def test_soft_knee(p: float) -> None:
    """x / (1 + |x|^p)^(1/p): where the wanted volts equal the rail it gives rail / 2^(1/p); far below, x itself."""
    world = powered(unit(channel(clip="soft", knee_exponent=p)))
    world.fire(ON_NS, 3.0 / math.sqrt(2.0), HZ, 20)
    peak, small = volts(world, "output A", ON_NS, np.array([1e-7, 0.25e-3]))[::-1]
    assert peak == pytest.approx(30.0 / 2.0 ** (1.0 / p), rel=1e-10)
    assert small == pytest.approx(30.0 * math.sin(2.0 * math.pi * HZ * 1e-7), rel=1e-6)


def test_gain_offset_and_inversion() -> None:
    """Hand arithmetic: 26 dB is x 10^(26/20) = 19.952623; -0.1 V of offset adds to it."""
    world = powered(unit(channel(gain_db=26.0, inverted=True, offset_v=-0.1)))
    world.fire(ON_NS, 0.5, HZ, 20)
    assert volts(world, "output A", ON_NS, np.array([0.25e-3]))[0] == pytest.approx(
        -0.1 - 0.5 * math.sqrt(2.0) * 19.952623, rel=1e-7
    )
    assert volts(world, "output A", ON_NS, np.array([0.05]))[0] == pytest.approx(-0.1, abs=1e-12)


def test_input_divider() -> None:
    """50 ohm into two inputs of 20 kohm in parallel: x 10000/10050."""
    world = powered(unit(channel("A", input_ohm=20e3), channel("B", input_ohm=20e3)))
    world.fire(ON_NS, 1.0, HZ, 20)
    assert volts(world, "input", ON_NS, np.array([0.25e-3]))[0] == pytest.approx(math.sqrt(2.0) * 10000.0 / 10050.0)


@pytest.mark.parametrize(("corner_hz", "frequency_hz", "cycles"), [(10.0, 50.0, 8), (3.0, 1000.0, 20), (30.0, 20.0, 1)])
def test_coupling_from_rest(corner_hz: float, frequency_hz: float, cycles: int) -> None:
    """First-order high-pass y' = x' - wc y, by matrix exponentials (scipy.signal.lsim), burst and tail."""
    world = powered(unit(channel(coupling_hz=corner_hz), rail=RailTruth(1000.0)))
    world.fire(ON_NS, 1.0, frequency_hz, cycles)
    wc, length_s = 2.0 * math.pi * corner_hz, cycles / frequency_hz
    t_s = np.linspace(0.0, 2.0 * length_s, 200_001)
    x = np.where(t_s <= length_s, math.sqrt(2.0) * np.sin(2.0 * math.pi * frequency_hz * t_s), 0.0)
    _, expected, _ = lsim(([1.0, 0.0], [1.0, wc]), x, t_s)
    got = volts(world, "output A", ON_NS, t_s)[::100]
    assert np.max(np.abs(got / 10.0 - expected[::100])) < 2e-7


def test_second_burst_carries_what_the_first_left_in_the_coupling() -> None:
    """The same equation over two bursts 10 ms apart, again by lsim."""
    world = powered(unit(channel(coupling_hz=5.0), rail=RailTruth(1000.0)))
    world.fire(ON_NS, 1.0, 100.0, 1)
    world.fire(ON_NS + 20_000_000, 1.0, 100.0, 2)
    t_s = np.linspace(0.0, 0.06, 120_001)
    sine = math.sqrt(2.0) * np.sin(2.0 * math.pi * 100.0 * t_s)
    x = np.where((t_s <= 0.01) | ((t_s >= 0.02) & (t_s <= 0.04)), sine, 0.0)
    _, expected, _ = lsim(([1.0, 0.0], [1.0, 2.0 * math.pi * 5.0]), x, t_s)
    got = volts(world, "output A", ON_NS, t_s)
    assert np.max(np.abs(got / 10.0 - expected)) < 2e-6


@pytest.mark.parametrize(
    ("source_ohm", "tau_s", "ohm", "frequency_hz", "cycles"),
    [
        (0.5, 0.008, 4.0, 1000.0, 20),
        (1.5, 0.020, 4.0, 50.0, 8),
        (0.8, 0.002, 8.0, 1000.0, 8),
        (2.5, 0.005, 2.0, 1000.0, 8),
    ],
)
def test_sagging_rail(source_ohm: float, tau_s: float, ohm: float, frequency_hz: float, cycles: int) -> None:
    """tau dV/dt = V0 - Rs sum |v|/R - V with both channels clipping against V: scipy.integrate.solve_ivp, tight."""
    truth = unit(channel("A"), channel("B"), rail=RailTruth(30.0, source_ohm, tau_s))
    world = powered(truth, ohm)
    world.fire(ON_NS, 2.4, frequency_hz, cycles)
    peak_v = 24.0 * math.sqrt(2.0)

    def wanted(t: float) -> float:
        return peak_v * math.sin(2.0 * math.pi * frequency_hz * t)

    def slope(t: float, v: list[float]) -> list[float]:
        out = min(max(wanted(t), -v[0]), v[0])
        return [(30.0 - source_ohm * 2.0 * abs(out) / ohm - v[0]) / tau_s]

    end_s = cycles / frequency_hz
    t_s = np.linspace(0.0, end_s, 2001)
    solved = solve_ivp(slope, (0.0, end_s), [30.0], "RK45", t_s, rtol=1e-9, atol=1e-9, max_step=0.01 / frequency_hz)
    rail_v = solved.y[0]
    x = np.array([wanted(t) for t in t_s])
    got = volts(world, "output A", ON_NS, t_s)
    assert rail_v.min() < 28.0
    assert np.max(np.abs(got - np.clip(x, -rail_v, rail_v))) < 6e-4  # of 30 V: 20 ppm, at sags of up to 70 %


def test_long_burst_is_taken_as_periodic_only_once_it_is() -> None:
    """After 40 time constants the same equation has come to rest: its cycle, from solve_ivp started near it."""
    truth = unit(channel(), rail=RailTruth(30.0, 1.0, 0.004))
    world = powered(truth, 4.0)
    world.fire(ON_NS, 2.4, HZ, 5000)
    peak_v = 24.0 * math.sqrt(2.0)

    def slope(t: float, v: list[float]) -> list[float]:
        out = min(abs(peak_v * math.sin(2.0 * math.pi * HZ * t)), v[0])
        return [(30.0 - out / 4.0 - v[0]) / 0.004]

    t_s = np.linspace(0.160, 0.161, 201)
    solved = solve_ivp(slope, (0.0, 0.161), [30.0], "RK45", t_s, rtol=1e-9, atol=1e-9, max_step=1e-5)
    x = peak_v * np.sin(2.0 * math.pi * HZ * t_s)
    expected = np.clip(x, -solved.y[0], solved.y[0])
    got = volts(world, "output A", ON_NS + 4_000_000_000, t_s - 0.160)
    assert np.max(np.abs(got - expected)) < 2e-3  # 70 ppm of 30 V: hundreds of cycles have a coarser grid


def test_bridged_legs() -> None:
    """Each leg stands at half the supply and carries half the output, with opposite signs (how bridging works)."""
    truth = unit(channel())
    world = powered(type(truth)(**{**truth.__dict__, "bridged": True}))
    world.fire(ON_NS, 1.0, HZ, 20)
    t_s = np.array([0.25e-3])
    plus, minus = (volts(world, f"leg A {leg}", ON_NS, t_s)[0] for leg in ("plus", "minus"))
    assert plus - minus == pytest.approx(10.0 * math.sqrt(2.0))
    assert plus + minus == pytest.approx(volts(world, "rail", ON_NS, t_s)[0])
    with pytest.raises(ValueError, match="no such wire"):
        volts(world, "tail", ON_NS, t_s)
