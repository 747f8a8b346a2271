"""What a proof makes of records: bursts by closed forms of a sine, ratios of levels, bits and bytes of codes."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sequencer.analysis.records import Record
from sequencer.proving.burst_seen import BurstSeen, burst_seen, least_vrms
from sequencer.proving.codes_seen import bytes_swapped, still_bits
from sequencer.proving.level_named import LevelSeen, cause_of, frequency_fault, level_fault, read_back_cause

RATE_HZ, BEFORE_S, RECORD_S = 5e5, 0.002, 0.030
STEP_V = 0.001
HALF_UP = 1e-6  # of a time, s: half a sample


def record(
    vrms: float = 1.0, hz: float = 1000.0, cycles: float = 20, start_s: float = 0.0, rest_v: float = 0.0
) -> Record:
    """A burst of a sine on a rest, quantised, with half a step of noise from a seed of its own."""
    times = -BEFORE_S + np.arange(round(RECORD_S * RATE_HZ)) / RATE_HZ
    on = (times >= start_s) & (times < start_s + cycles / hz)
    volts = np.where(on, math.sqrt(2.0) * vrms * np.sin(2.0 * np.pi * hz * (times - start_s)), 0.0) + rest_v
    noisy = volts + 0.5 * STEP_V * np.random.default_rng(7).standard_normal(times.size)
    return Record(np.rint(noisy / STEP_V) * STEP_V, 1.0 / RATE_HZ, -BEFORE_S, STEP_V, 2.048, False, 12)


def seen(one: Record, cycles: int = 20) -> BurstSeen:
    found = burst_seen(one, cycles)
    assert found is not None
    return found


@pytest.mark.parametrize(("vrms", "hz", "cycles"), [(1.0, 1000.0, 20), (0.1, 730.0, 8), (0.5, 5000.0, 20)])
def test_a_burst_is_seen_as_it_was_made(vrms: float, hz: float, cycles: int) -> None:
    found = seen(record(vrms, hz, cycles), cycles)
    assert found.rms_v == pytest.approx(vrms, rel=2e-3)
    assert found.frequency_hz == pytest.approx(hz, rel=5e-5)
    assert found.cycles == pytest.approx(cycles, abs=0.05)
    assert found.start_s == pytest.approx(0.0, abs=HALF_UP)
    assert found.after_vrms < 2.0 * STEP_V
    assert not found.inverted


@pytest.mark.parametrize("start_s", [-0.0002, 0.00005, 0.0013])
def test_its_begin_is_told_from_the_trigger(start_s: float) -> None:
    assert seen(record(start_s=start_s)).start_s == pytest.approx(start_s, abs=HALF_UP)


def test_one_that_begins_downwards_is_inverted() -> None:
    assert seen(record(vrms=-1.0)).inverted


@pytest.mark.parametrize(("made", "asked"), [(2, 1), (1, 1), (7, 8), (21, 20)])
def test_cycles_are_counted_whatever_was_asked(made: int, asked: int) -> None:
    assert seen(record(cycles=made), asked).cycles == pytest.approx(made, abs=0.06)


def test_one_that_goes_on_is_heard_at_the_end() -> None:
    assert seen(record(vrms=0.5, cycles=1000)).after_vrms == pytest.approx(0.5, rel=0.02)


def test_the_rest_is_its_mean_before() -> None:
    assert seen(record(rest_v=0.25)).rest_v == pytest.approx(0.25, abs=STEP_V)


def test_noise_alone_is_no_burst() -> None:
    assert burst_seen(record(vrms=0.0), 20) is None


def levels(law: object) -> list[LevelSeen]:
    assert callable(law)
    return [LevelSeen(v, law(v)) for v in (0.2, 0.5, 1.0)]


def test_levels_within_what_is_allowed_are_no_fault() -> None:
    assert level_fault(levels(lambda v: 1.019 * v), 0.02) is None
    assert level_fault(levels(lambda v: 1.021 * v), 0.02) is not None


# A sine: peak = sqrt(2) rms, peak to peak = 2 sqrt(2) rms; 50 ohm into high impedance: twice (circuit of a divider).
@pytest.mark.parametrize(
    ("ratio", "words"),
    [
        (2.0, "load setting 50 ohm"),
        (0.5, "input of 50 ohm"),
        (2.0 * math.sqrt(2.0), "V rms taken for V peak to peak"),
        (1.0 / (2.0 * math.sqrt(2.0)), "taken as V peak to peak"),
        (math.sqrt(2.0), "V peak were sent"),
        (1.0 / math.sqrt(2.0), "taken as V peak"),
        (10.0, "ten times less"),
        (0.1, "ten times more"),
        (100.0, "hundred times less"),
        (0.01, "hundred times more"),
        (1000.0, "mV for V"),
        (20.0, "load setting 50 ohm"),
        (0.05, "ten times more"),
        (1.1, "hold each against a meter"),
    ],
)
def test_a_ratio_is_named(ratio: float, words: str) -> None:
    assert words in cause_of(ratio)
    assert words in (level_fault(levels(lambda v: ratio * v), 0.03) or "")


def test_a_thousandth_is_named_where_it_hardly_stands_out() -> None:
    """A level in mV: 4 mV in steps of 1 mV are no measure, and still no other unit's."""
    assert "V for mV" in cause_of(seen(record(vrms=0.004), 20).rms_v / 4.0, 0.25)
    least = least_vrms(record(vrms=0.0))
    assert burst_seen(record(vrms=1.2 * least), 20) is not None
    assert burst_seen(record(vrms=0.2 * least), 20) is None


@pytest.mark.parametrize(
    ("name", "ratio", "words"),
    [
        ("level", 1000.0, "V or mV"),
        ("limit", 0.001, "A or mA"),
        ("frequency", 0.001, "Hz or kHz"),
        ("level", 2.0 * math.sqrt(2.0), "peak to peak"),
        ("level", 2.0, "load setting 50 ohm"),
    ],
)
def test_a_setting_that_reads_back_otherwise_is_named_by_its_ratio(name: str, ratio: float, words: str) -> None:
    assert words in (read_back_cause(name, ratio) or "")


@pytest.mark.parametrize(("name", "ratio"), [("cycles", 1000.0), ("level", 1.3), ("volts", 2.0), ("limit", -1.0)])
def test_a_setting_without_a_likely_cause_is_told_as_it_is(name: str, ratio: float) -> None:
    assert read_back_cause(name, ratio) is None


# dBV: decibels of volts, V = 10^(L/20); dBm into 50 ohm: 1 mW there are sqrt(0.05) V.
@pytest.mark.parametrize(("reference_v", "name"), [(1.0, "dBV"), (math.sqrt(0.05), "dBm into 50 ohm")])
def test_decibels_are_named(reference_v: float, name: str) -> None:
    assert name in (level_fault(levels(lambda v: reference_v * 10.0 ** (v / 20.0)), 0.03) or "")


@pytest.mark.parametrize(
    ("seen_hz", "words"),
    [
        (1_000_000.0, "kHz for Hz"),
        (1.0, "Hz for kHz"),
        (2000.0, "half of what the digitiser tells"),
        (500.0, "twice what the digitiser tells"),
        (1000.6, "+600 ppm"),
        (2000.0 * math.pi, "radians"),
    ],
)
def test_a_frequency_is_named(seen_hz: float, words: str) -> None:
    assert words in (frequency_fault(1000.0, seen_hz, 100.0) or "")


def test_a_frequency_within_the_clocks_is_no_fault() -> None:
    assert frequency_fault(1000.0, 1000.099, 100.0) is None
    assert frequency_fault(1000.0, 1000.101, 100.0) is not None


def sine_codes(fill: float = 0.9) -> np.ndarray:
    """16-bit words of a 12-bit converter, a sine of whole cycles."""
    angle = 2.0 * np.pi * np.arange(5000) / 500.0
    return (np.rint(2047.0 * fill * np.sin(angle)) * 16 + 32768).astype(np.int64)


def test_every_bit_of_a_full_sine_moves() -> None:
    assert still_bits(sine_codes(), 16, 12) == ()


@pytest.mark.parametrize("bit", [0, 3, 6, 11])
@pytest.mark.parametrize("value", [0, 1])
def test_a_bit_that_stands_still_is_named(bit: int, value: int) -> None:
    mask = 16 << bit
    stuck = sine_codes() | mask if value else sine_codes() & ~mask
    assert still_bits(stuck, 16, 12) == (bit,)


@pytest.mark.parametrize("fill", [0.9, 0.01])
def test_bytes_the_other_way_round_are_told(fill: float) -> None:
    words = sine_codes(fill).astype("<u2")
    assert not bytes_swapped(words.tobytes(), "u16", "little")
    assert bytes_swapped(words.tobytes(), "u16", "big")
    assert bytes_swapped(words.astype(">u2").tobytes(), "u16", "little")
    assert not bytes_swapped(words.tobytes(), "u8", "little")
