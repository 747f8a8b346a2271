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


@pytest.mark.parametrize(
    ("volts", "judgement", "kinds", "driven"),
    [
        (0.019, "within", [], True),
        (-0.019, "within", [], True),
        (0.021, None, ["offset doubtful"], True),
        (-0.049, None, ["offset doubtful"], True),
        (0.052, "outside", ["offset outside"], True),
        (0.098, "outside", ["offset outside"], True),
        (-0.103, "outside", ["no drive"], False),
        (3.0, "outside", ["no drive"], False),
    ],
)
def test_bounds(volts: float, judgement: str | None, kinds: list[str], driven: bool) -> None:
    """20 mV within, 20 to 50 doubtful, above 50 outside, above 100 no drive (common practice, no source)."""
    found = measured(0.001, volts)
    assert [v.judgement for v in found.values] == ["within", judgement]
    assert [(f.kind, f.channel) for f in found.findings] == [(kind, "B") for kind in kinds]
    assert (found.no_drive is None) == driven
    assert all(f.next_action for f in found.findings)
    if not driven:
        assert found.no_drive is not None
        assert "channel B" in found.no_drive


def test_the_unit_s_own_bound_holds() -> None:
    """A file that allows 80 mV: 60 mV are within, 90 mV outside."""
    for volts, judgement in ((0.06, "within"), (0.09, "outside")):
        talk = output_offset(job("output_offset", expected=Expected(offset_within_v=0.08)))
        found = drive(talk, PaperBench(idle={"ch1": steady(volts)}))
        assert found.values[0].judgement == judgement


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


def test_nearer_than_the_uncertainty_is_said_in_words() -> None:
    near, far = measured(0.018, offset_half_v=0.005), measured(0.010, offset_half_v=0.005)
    assert "nearer to it than the uncertainty" in str(near.values[0].reason)
    assert "nearer" not in str(far.values[0].reason)
