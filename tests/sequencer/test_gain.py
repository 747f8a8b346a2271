"""Gain from tones through known networks: closed forms of first- and second-order sections."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from sequencer.measurements.gain import gain
from sequencer.measurements.values import Value, Values
from tests.sequencer.paper_values import PaperBench, drive, job

TONES_HZ = (20.0, 40.0, 63.0, 100.0, 1000.0, 10000.0, 20000.0)
Gain = Callable[[float], float]


def flat(db: float) -> Gain:
    return lambda hz: 10.0 ** (db / 20.0)


def high_passed(db: float, corner_hz: float) -> Gain:
    """|H| of a first-order high-pass: 1 / sqrt(1 + (fc/f)^2), textbook."""
    return lambda hz: 10.0 ** (db / 20.0) / math.hypot(1.0, corner_hz / hz)


def peaked(db: float, boost_db: float, at_hz: float, q: float) -> Gain:
    """A second-order peak: |(s^2 + A s/Q + 1) / (s^2 + s/Q + 1)|, A = 10^(boost/20), textbook: boost_db at at_hz."""

    def response(hz: float) -> float:
        s, a = 1j * hz / at_hz, 10.0 ** (boost_db / 20.0)
        return abs((s * s + a * s / q + 1.0) / (s * s + s / q + 1.0)) * 10.0 ** (db / 20.0)

    return response


def measured(*gains: Gain, tones_hz: tuple[float, ...] = TONES_HZ) -> tuple[Values, PaperBench]:
    bench = PaperBench(gain={f"ch{n}": one for n, one in enumerate(gains, start=1)})
    return drive(gain(job("gain", "ABCD"[: len(gains)], frequencies_hz=tones_hz)), bench), bench


def values(found: Values, channel: str = "A") -> dict[float, Value]:
    return {float(v.frequency_hz or 0.0): v for v in found.values if v.channel == channel}


def test_gain_and_response_of_a_coupling() -> None:
    """Against the first-order high-pass at 8 Hz: -0.64 dB at 20 Hz, -0.17 at 40 Hz."""
    network = high_passed(25.94, 8.0)
    found, _ = measured(network)
    seen = values(found)
    assert seen[1000.0].unit == "dB"
    assert seen[1000.0].value == pytest.approx(20.0 * math.log10(network(1000.0)), abs=0.002)
    for hz in TONES_HZ:
        if hz != 1000.0:
            assert seen[hz].unit == "dB re 1 kHz"
            assert seen[hz].value == pytest.approx(20.0 * math.log10(network(hz) / network(1000.0)), abs=0.004)
    assert found.findings == ()


def test_boost_is_told_with_where_it_is() -> None:
    """A second-order peak of 9.1 dB at 40 Hz: told at the tone where it stands highest, once a channel."""
    boosted = peaked(26.0, 9.1, 40.0, 1.0)
    found, _ = measured(flat(26.0), boosted)
    expected_db = 20.0 * math.log10(boosted(40.0) / boosted(1000.0))
    assert values(found, "B")[40.0].value == pytest.approx(expected_db, abs=0.01)
    (boost,) = [f for f in found.findings if f.kind == "boost"]
    assert (boost.channel, boost.sentence) == ("B", "+9.1 dB at 40 Hz: boost is on")


@pytest.mark.parametrize(("boost_db", "told"), [(2.8, False), (3.2, True)])
def test_boost_from_3_db(boost_db: float, told: bool) -> None:
    """Common practice, no source."""
    found, _ = measured(peaked(26.0, boost_db, 63.0, 1.0))
    assert bool(found.findings) == told


# Two ranges of +-1 %, rectangular and independent: their difference is triangular, of half-width 2 %, and 95 % of it
# lie within 2 (1 - sqrt 0.05) = 1.553 % (area of a triangle), which is 0.134 dB.
DIFFERENCE_DB = 20.0 * math.log10(1.0 + 0.02 * (1.0 - math.sqrt(0.05)))


@pytest.mark.parametrize(
    ("less_db", "told"),
    [(0.45, False), (0.55, False), (0.5 + 0.9 * DIFFERENCE_DB, False), (0.5 + 1.1 * DIFFERENCE_DB, True), (6.0, True)],
)
def test_channels_that_do_not_match(less_db: float, told: bool) -> None:
    """More than 0.5 dB at 1 kHz (common practice, no source) by more than the uncertainty of the difference; told at
    the weaker one."""
    found, _ = measured(flat(26.2 - less_db), flat(26.2))
    assert [(f.kind, f.channel) for f in found.findings] == ([("channel mismatch", "A")] if told else [])
    if told:
        assert f"{less_db:.2f} dB below" in found.findings[0].sentence


@pytest.mark.parametrize(
    ("less_db", "words"),
    [
        (0.30, None),
        (0.42, "0.42 dB below channel B: at most 0.5 dB, nearer to it than the uncertainty; "),
        (0.60, "0.60 dB below channel B: above 0.5 dB, nearer to it than the uncertainty; "),
        (0.70, None),
    ],
)
def test_a_mismatch_nearer_to_its_bound_than_its_uncertainty_is_said(less_db: float, words: str | None) -> None:
    """0.134 dB to either side of 0.5 dB, in the row of the weaker channel only."""
    found, _ = measured(flat(26.2 - less_db), flat(26.2))
    reasons = [str(values(found, name)[1000.0].reason) for name in "AB"]
    assert reasons[0].startswith(words or "level and flatness")
    assert reasons[1].startswith("level and flatness")


def test_three_channels_are_each_held_against_the_one_of_most_gain() -> None:
    """A list of gains, by hand: B has most; A is 0.3 dB below it, C 2 dB."""
    found, _ = measured(flat(25.9), flat(26.2), flat(24.2))
    assert [(f.kind, f.channel) for f in found.findings] == [("channel mismatch", "C")]


def test_never_more_than_0_4_v_at_the_output_up_to_12_db_above_the_file() -> None:
    """0.4 Vrms is harmless (common practice, no source)."""
    boosted = peaked(26.0206, 12.0, 40.0, 1.0)
    _, bench = measured(boosted)
    assert max(f.level_vrms * boosted(f.frequency_hz) for f in bench.fired) <= 0.4


def test_a_gain_far_above_the_file_is_read_on_a_wider_range() -> None:
    """26 dB by the file, 40 in truth: the first record is overloaded, the second is not."""
    found, bench = measured(flat(40.0))
    assert values(found)[1000.0].value == pytest.approx(40.0, abs=0.02)
    assert found.shots == len(bench.fired) == 2 * len(TONES_HZ)


def test_a_silent_channel_is_told_and_gives_no_number() -> None:
    """Noise has no gain, and its tones no boost."""
    found, _ = measured(flat(26.0), flat(-300.0))
    assert [(f.kind, f.channel) for f in found.findings] == [("no output", "B")]
    assert {v.value for v in values(found, "B").values()} == {None}
    assert {v.judgement for v in values(found, "B").values()} == {"not measured"}


def test_without_1_khz_the_tone_nearest_to_it_is_the_reference() -> None:
    """A unit that passes bass only: 100 Hz."""
    found, _ = measured(high_passed(26.0, 8.0), tones_hz=(20.0, 40.0, 100.0))
    seen = values(found)
    assert (seen[100.0].unit, seen[20.0].unit) == ("dB", "dB re 100 Hz")


def test_what_range_and_probe_share_is_gone_from_the_difference() -> None:
    """JCGM 100, 5.2: a common factor leaves a ratio alone. 1 % rectangular is 0.082 dB expanded in the gain: 0.95 x
    20 log10(1.01); in the difference only noise is left."""
    seen = values(measured(flat(26.0))[0])
    assert seen[1000.0].expanded_uncertainty == pytest.approx(0.95 * 20.0 * math.log10(1.01), rel=0.02)
    others = [v.expanded_uncertainty for hz, v in seen.items() if hz != 1000.0]
    assert all(u is not None and 0.0 < u < 0.01 for u in others)
