"""Output offset from records of known volts: means by arithmetic, bounds as the method states them."""

from __future__ import annotations

import numpy as np
import pytest

from sequencer.measurements.output_offset import output_offset
from sequencer.measurements.values import Expected, Values
from tests.sequencer.paper_values import PaperBench, Volts, drive, job, steady


def measured(*volts: float, **other: float) -> Values:
    channels = "ABCD"[: len(volts)]
    bench = PaperBench(idle={f"ch{n}": steady(v) for n, v in enumerate(volts, start=1)})
    return drive(output_offset(job("output_offset", channels, **other)), bench)


def test_mean_of_each_channel() -> None:
    """The mean of a constant is the constant; 12 bit of +-0.5 V are 0.24 mV a step."""
    found = measured(0.0042, -0.0067)
    assert [(v.channel, v.unit) for v in found.values] == [("A", "V"), ("B", "V")]
    assert [v.value for v in found.values] == pytest.approx([0.0042, -0.0067], abs=0.00003)
    assert (found.findings, found.no_drive, found.reason) == ((), None, None)


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_leaves_the_mean_alone(mains_hz: float) -> None:
    """A sine has no mean over whole cycles; 0.2 s are 10 of 50 Hz and 12 of 60 Hz. Over 0.15 s of 50 Hz, 7.5 cycles,
    0.2 V of it would have left up to 0.2 / (7.5 pi) = 8.5 mV."""

    def hum(times_s: Volts) -> Volts:
        return 0.012 + 0.2 * np.sin(2 * np.pi * mains_hz * times_s + 1.1)

    found = drive(output_offset(job("output_offset")), PaperBench(idle={"ch1": hum}))
    assert found.values[0].value == pytest.approx(0.012, abs=0.0002)


def test_at_least_150_ms_without_the_trigger_s_burst_are_asked() -> None:
    """At least 150 ms: how long a mean must be before a DC protection would act on it (common practice, no source)."""
    bench = PaperBench()
    drive(output_offset(job("output_offset")), bench)
    assert bench.fired == []
    assert [q.seconds >= 0.15 for q in bench.quiet] == [True]


# A rectangle of half-width 10 mV is 9.5 mV of expanded uncertainty (JCGM 100, 4.3.7), and the gain of 1 % next to it
# less than 0.1 mV up to 70 mV. So 20 to 29.5 mV prove nothing, nor do 50 to 59.5; not driven is what reads above 100.
@pytest.mark.parametrize(
    ("volts", "judgement", "kinds", "driven"),
    [
        (0.019, "within", [], True),
        (-0.019, "within", [], True),
        (0.021, None, [], True),
        (-0.029, None, [], True),
        (0.030, None, ["offset doubtful"], True),
        (-0.049, None, ["offset doubtful"], True),
        (0.059, None, ["offset doubtful"], True),
        (0.0602, "outside", ["offset outside"], True),
        (-0.098, "outside", ["offset outside"], True),
        (-0.103, "outside", ["no drive"], False),
        (3.0, "outside", ["no drive"], False),
    ],
)
def test_bounds(volts: float, judgement: str | None, kinds: list[str], driven: bool) -> None:
    """20 mV within, 20 to 50 doubtful, above 50 outside, above 100 no drive (common practice, no source); told beyond
    the bound by more than the uncertainty (guarded rejection: JCGM 106, 8.3, from memory)."""
    found = measured(0.001, volts, offset_half_v=0.01)
    assert [v.judgement for v in found.values] == ["within", judgement]
    assert [(f.kind, f.channel) for f in found.findings] == [(kind, "B") for kind in kinds]
    assert (found.no_drive is None) == driven
    assert all(f.next_action for f in found.findings)
    if not driven:
        assert found.no_drive is not None
        assert "channel B" in found.no_drive


@pytest.mark.parametrize(
    ("volts", "words"),
    [
        (0.012, "at most 20 mV, nearer to it than the uncertainty"),
        (0.025, "above 20 mV, nearer to it than the uncertainty"),
        (0.035, "doubtful: above 20 mV, not above 50 mV"),
        (0.045, "doubtful: above 20 mV, not above 50 mV, nearer to it than the uncertainty"),
        (0.055, "doubtful: above 20 mV, above 50 mV, nearer to it than the uncertainty"),
        (0.070, "at most 50 mV"),
    ],
)
def test_what_is_nearer_than_the_uncertainty_is_said(volts: float, words: str) -> None:
    """9.5 mV of expanded uncertainty, bounds 20 and 50 mV: by subtraction."""
    assert measured(volts, offset_half_v=0.01).values[0].reason == words


def test_the_unit_s_own_bound_holds() -> None:
    """A file that allows 80 mV: 60 mV are within, 85 prove nothing with 9.5 mV of uncertainty, 92 mV are outside."""
    for volts, judgement in ((0.06, "within"), (0.085, None), (0.092, "outside")):
        talk = output_offset(job("output_offset", expected=Expected(offset_within_v=0.08), offset_half_v=0.01))
        found = drive(talk, PaperBench(idle={"ch1": steady(volts)}))
        assert found.values[0].judgement == judgement
        assert [f.kind for f in found.findings] == (["offset outside"] if judgement == "outside" else [])


def test_a_sound_offset_is_hardly_ever_told_and_a_large_one_always() -> None:
    """200 benches, the input's offset drawn from its whole rectangle of 10 mV. A unit at its bound of 20 mV reads
    above 29.5 mV in (10 - 9.5) / 20 of them, 2.5 % (a rectangle's tail): at most 13 of 200, by binomial 99.9 %. One
    of 40 mV reads 30 mV or more in each."""
    rng = np.random.default_rng(12)
    told = {0.02: 0, 0.0401: 0}
    for off_v in rng.uniform(-0.01, 0.01, 200):
        for true_v in told:
            told[true_v] += bool(measured(true_v + float(off_v), offset_half_v=0.01).findings)
    assert told[0.02] <= 13
    assert told[0.0401] == 200


@pytest.mark.parametrize("volts", [0.3, 3.0, 30.0, -30.0])
def test_a_large_offset_is_read_on_a_range_that_holds_it(volts: float) -> None:
    """1 % is the declared gain of the range; the record read is not overloaded."""
    bench = PaperBench(idle={"ch1": steady(volts)})
    found = drive(output_offset(job("output_offset")), bench)
    assert found.values[0].value == pytest.approx(volts, rel=0.01)
    assert [kind for kind, _ in found.kept] == ["quiet"]
    assert not found.kept[0][1].records["ch1"].overloaded
    assert found.shots == len(bench.quiet)


def test_beyond_every_range_nothing_is_measured_and_nothing_driven() -> None:
    found = drive(output_offset(job("output_offset")), PaperBench(idle={"ch1": steady(250.0)}))
    assert found.values == ()
    assert found.reason is not None
    assert found.no_drive is not None
    assert [f.kind for f in found.findings] == ["no drive"]


def test_expanded_uncertainty_of_one_rectangular_source() -> None:
    """JCGM 100, 4.3.7 and G: of a rectangle of half-width a alone, 95 % lie within 0.95 a; the rest is small here."""
    value = measured(0.001, offset_half_v=0.02).values[0]
    assert value.expanded_uncertainty == pytest.approx(0.95 * 0.02, rel=0.01)
    assert value.coverage_factor == pytest.approx(0.95 * 3**0.5, rel=0.01)


def test_noise_and_steps_alone() -> None:
    """No offset of the input declared: what is left is a fraction of a step (0.24 mV), never nothing."""
    value = measured(0.001, offset_half_v=0.0).values[0]
    assert value.expanded_uncertainty is not None
    assert 0.0 < value.expanded_uncertainty < 0.000244
    assert value.value == pytest.approx(0.001, abs=value.expanded_uncertainty)


def test_true_offset_lies_within_the_stated_interval() -> None:
    """200 benches, the input's offset drawn from its rectangle: 95 % of them, by binomial 182 to 198 (99.9 %)."""
    rng = np.random.default_rng(11)
    inside = 0
    for true_v, off_v in zip(rng.uniform(-0.04, 0.04, 200), rng.uniform(-0.02, 0.02, 200), strict=True):
        value = measured(float(true_v + off_v), offset_half_v=0.02).values[0]
        assert value.value is not None
        assert value.expanded_uncertainty is not None
        inside += abs(value.value - true_v) <= value.expanded_uncertainty
    assert 180 <= inside <= 198
