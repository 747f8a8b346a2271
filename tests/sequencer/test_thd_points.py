"""`thd_by_level` and `thd_by_frequency` on paper: a cubic curve and a hard clip, whose distortion has closed forms."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq

from sequencer.analysis.tone import read_tone
from sequencer.measurements.requests import Fire, Shot
from sequencer.measurements.thd_by_frequency import thd_by_frequency
from sequencer.measurements.thd_by_level import thd_by_level
from sequencer.measurements.values import Values
from tests.sequencer.paper_curve import GAIN, OHM, RATING, CurveBench, Volts, drive, hard, job, limit_row

A3 = 2e-5  # of y = x + a3 x^3, per volt squared
LEVELS = (-30.0, -20.0, -10.0, -6.0, -3.0, -0.1)
LIMIT_VRMS = 21.0


def cubic(wanted: Volts) -> Volts:
    return wanted + A3 * wanted**3


def cubic_thd(peak_v: float) -> float:
    """sin^3 = (3 sin - sin 3)/4: h3 = a3 A^3/4 over A + 3 a3 A^3/4 (closed form)."""
    return 0.25 * A3 * peak_v**3 / (peak_v + 0.75 * A3 * peak_v**3)


def banded(r: float) -> float:
    """THD(F) of a sine cut at r of its peak, harmonics 3 to 19: b1, bn of the clipped sine's Fourier series."""
    a = math.asin(r)
    b1 = 2 / math.pi * (a + r * math.sqrt(1 - r * r))

    def b(n: int) -> float:
        return (
            4
            / math.pi
            * (math.sin((n - 1) * a) / (2 * (n - 1)) - math.sin((n + 1) * a) / (2 * (n + 1)) + r * math.cos(n * a) / n)
        )

    return math.sqrt(sum(b(n) ** 2 for n in range(3, 20, 2))) / b1


def named(found: Values) -> dict[str, float | None]:
    return {v.name: v.value for v in found.values}


def by_level(tmp_path: Path, bench: CurveBench, rating: str = "", **other: float) -> Values:
    one = job(tmp_path, "thd_by_level", (limit_row(LIMIT_VRMS),), rating, frequencies_hz=(1000.0,), levels_db=LEVELS)
    if other:
        one = replace(one, limits=replace(one.limits, **other))
    return drive(thd_by_level(one), bench)


def test_distortion_follows_the_cubic_from_level_to_level(tmp_path: Path) -> None:
    """Every level as stated (10^(dB/20) of the limit's), and each THD within its own interval of the closed form; what
    lies below the floor is not called distortion. Watts: rms of both lines over 8 ohm."""
    bench = CurveBench(cubic)
    found = by_level(tmp_path, bench)
    assert found.reason is None
    rows = found.extra["distortion_by_level"]
    assert [row["level_db"] for row in rows] == list(LEVELS)
    for row in rows:
        assert row["level_vrms"] == pytest.approx(LIMIT_VRMS / GAIN * 10 ** (row["level_db"] / 20))
        peak = math.sqrt(2.0) * GAIN * row["level_vrms"]
        true = 100.0 * cubic_thd(peak)
        if row["thd_below_floor"]:
            assert true <= 2.5 * row["thd_floor_pct"]
        else:
            assert row["thd_pct"] == pytest.approx(true, abs=3.0 * row["thd_floor_pct"])
            assert row["thd_n_pct"] >= row["thd_pct"] - row["thd_floor_pct"]
        one, three = peak * (1 + 0.75 * A3 * peak**2), 0.25 * A3 * peak**3
        assert row["power_w"] == pytest.approx((one**2 + three**2) / 2 / OHM, rel=1e-3)
        assert (row["harmonics"], row["band_hz"]) == (20, [20.0, 20000.0])
    assert not rows[-1]["thd_below_floor"]
    assert named(found)["THD just below the limit"] == pytest.approx(rows[-1]["thd_pct"])


@pytest.mark.parametrize("r", [0.99, 0.971360054, 0.95])
def test_a_hard_clip_reads_its_banded_closed_form(r: float) -> None:
    """20 kHz at 1 kHz: the 3rd to the 19th (0.971360054: 1 % in this band, level handbook of the clipped sine)."""
    bench = CurveBench(hard(30.0))
    shot = bench.answer(Fire(30.0 / r / math.sqrt(2.0) / GAIN, 1000.0, 20, {"ch1": 35.0}, "distortion"))
    assert isinstance(shot, Shot)
    seen = read_tone(shot.records["ch1"], 1000.0, 20, 20, (20.0, 20000.0))
    assert seen.thd == pytest.approx(banded(r), rel=0.01)
    assert seen.thd_n.ratio == pytest.approx(banded(r), rel=0.01)  # the noise of 16 bit adds nothing


def test_only_noise_where_no_harmonic_lies_within_the_band() -> None:
    """12 kHz: its 2nd lies at 24 kHz. A sine cut at 1/1.2 of its peak has more than 6 % of harmonics (closed form), of
    which not a hundredth is in the band: what 500 kS/s of an ideal clip fold down."""
    bench = CurveBench(hard(30.0))
    shot = bench.answer(Fire(1.2 * 30.0 / math.sqrt(2.0) / GAIN, 12000.0, 240, {"ch1": 40.0}, "distortion"))
    assert isinstance(shot, Shot)
    seen = read_tone(shot.records["ch1"], 12000.0, 240, 20, (20.0, 20000.0))
    assert banded(1.0 / 1.2) > 0.06
    assert (seen.harmonics, seen.thd, seen.thd_floor) == (1, None, None)
    assert seen.thd_n.ratio < 0.001


def test_held_against_the_rating(tmp_path: Path) -> None:
    """From 0.25 W to the rated power (16 CFR 432.2): a cubic of 0.22 % at 55 W is within 1 %; a dead zone of 0.1 V is
    outside by its distortion at low level, and told."""
    sound = by_level(tmp_path, CurveBench(cubic), RATING.format(power_w=50.0, cycles=20))
    (judged,) = [v for v in sound.values if v.judgement]
    assert (judged.name, judged.judgement) == ("highest THD up to the rated power", "within")
    assert sound.findings == ()

    def dead(wanted: Volts) -> Volts:
        return np.sign(wanted) * np.maximum(np.abs(wanted) - 0.1, 0.0)

    found = by_level(tmp_path, CurveBench(dead), RATING.format(power_w=50.0, cycles=20))
    (judged,) = [v for v in found.values if v.judgement]
    assert judged.judgement == "outside"
    (told,) = found.findings
    assert (told.kind, told.channel) == ("distortion at low level", "A")
    assert "idle current" in told.next_action


def test_without_a_known_limit_nothing_is_fired(tmp_path: Path) -> None:
    bench = CurveBench()
    other = (limit_row(20.0, 50.0), limit_row(20.0, load="4R"), limit_row(20.0, outcome="not_measured"))
    one = job(tmp_path, "thd_by_level", other, frequencies_hz=(1000.0,), levels_db=LEVELS)
    found = drive(thd_by_level(one), bench)
    assert found.reason is not None
    assert "nothing says what is full" in found.reason
    assert bench.fired == []


def test_an_output_that_goes_away_ends_it(tmp_path: Path) -> None:
    """Nothing comes out above 0.6 Vrms (-4.9 dB): -6 dB is read, -3 dB is the last that is fired."""
    bench = CurveBench(cubic, gone_above_vrms=0.6)
    found = by_level(tmp_path, bench)
    assert found.reason is None
    assert [row["level_db"] for row in found.extra["distortion_by_level"]] == [-30.0, -20.0, -10.0, -6.0]
    assert max(fire.level_vrms for fire in bench.fired) == pytest.approx(LIMIT_VRMS / GAIN * 10 ** (-3 / 20))
    (ended,) = [v for v in found.values if v.judgement == "not measured"]
    assert "went away" in (ended.reason or "")


@pytest.mark.parametrize(
    ("limits", "most_vrms"),
    [
        ({"generator_vrms": 0.5}, 0.5),
        ({"output_crest_v": 15.0}, 15.0 / math.sqrt(2.0) / GAIN),
        ({"burst_j": 0.25}, math.sqrt(0.25 / 0.02 * OHM) / GAIN),  # 20 cycles are 20 ms
    ],
)
def test_no_level_passes_a_ceiling(tmp_path: Path, limits: dict[str, float], most_vrms: float) -> None:
    """Generator, crest, joules in one burst: W = V^2/R."""
    bench = CurveBench()
    found = by_level(tmp_path, bench, **limits)
    assert max(fire.level_vrms for fire in bench.fired) <= most_vrms * (1 + 1e-9)
    assert any("would pass" in (v.reason or "") for v in found.values)


def test_a_gain_far_below_the_file_ends_it_before_anything_loud(tmp_path: Path) -> None:
    bench = CurveBench(gain_at=lambda hz: GAIN / 3.0)
    found = by_level(tmp_path, bench)
    assert "far below" in (found.reason or "")
    assert bench.loud() == []


TONES = (50.0, 1000.0, 5000.0, 8000.0, 20000.0)


def by_frequency(
    tmp_path: Path, bench: CurveBench, rating: str = "", rows: tuple[dict[str, object], ...] = ()
) -> Values:
    one = job(tmp_path, "thd_by_frequency", rows, rating, frequencies_hz=TONES, powers_w=(1.0,), power_parts=(0.5,))
    return drive(thd_by_frequency(one), bench)


def test_stated_powers_over_frequency(tmp_path: Path) -> None:
    """A gain that falls by 3 dB at 20 kHz: the power is the stated one all the same (within 1 %); THD that of the cubic
    where the 3rd lies within 20 kHz; K = 20, 20, 4, 2, none (20 kHz over the tone)."""

    def falling(hz: float) -> float:
        return GAIN / math.hypot(1.0, hz / 20000.0)

    found = by_frequency(tmp_path, CurveBench(cubic, falling), RATING.format(power_w=60.0, cycles=0))
    rows = found.extra["distortion_by_frequency"]
    assert [(row["frequency_hz"], row["asked"].split(",")[0]) for row in rows] == [
        (hz, asked) for hz in TONES for asked in ("1 W", "30 W")
    ]
    for row in rows:
        watts = float(row["asked"].split(" ")[0])
        assert row["power_w"] == pytest.approx(watts, rel=0.05)  # the cubic adds 2 x 0.75 a3 A^2
        assert row["harmonics"] == {50.0: 20, 1000.0: 20, 5000.0: 4, 8000.0: 2, 20000.0: 1}[row["frequency_hz"]]
        peak = brentq(lambda v, row=row: (v + 0.75 * A3 * v**3) - math.sqrt(2 * row["power_w"] * OHM), 0.1, 40.0)
        if row["frequency_hz"] <= 5000.0 and watts > 1.0:
            assert row["thd_pct"] == pytest.approx(100.0 * cubic_thd(peak), abs=3.0 * row["thd_floor_pct"])
        if row["frequency_hz"] == 8000.0:
            assert row["thd_below_floor"]  # the cubic has no 2nd, the 3rd lies at 24 kHz
        if row["frequency_hz"] == 20000.0:
            assert row["thd_pct"] is None
    (only_second,) = {v.reason for v in found.values if v.frequency_hz == 8000.0 and v.name.startswith("THD+N at 1 W")}
    assert "the others lie outside" in (only_second or "")
    assert any("every harmonic lies outside" in (v.reason or "") for v in found.values if v.frequency_hz == 20000.0)


def test_a_part_of_no_rating_is_not_measured_and_the_watts_are(tmp_path: Path) -> None:
    found = by_frequency(tmp_path, CurveBench())
    assert {row["asked"] for row in found.extra["distortion_by_frequency"]} == {"1 W"}
    (missed,) = [v for v in found.values if v.judgement == "not measured"]
    assert "no rating" in (missed.reason or "")


def test_no_more_than_this_unit_was_found_to_give(tmp_path: Path) -> None:
    """10 Vrms were found at its limit, 12.5 W: 30 W are not asked of it."""
    bench = CurveBench()
    found = by_frequency(tmp_path, bench, RATING.format(power_w=60.0, cycles=0), (limit_row(10.0),))
    assert {row["asked"] for row in found.extra["distortion_by_frequency"]} == {"1 W"}
    assert max(fire.level_vrms for fire in bench.fired) < 1.01 * math.sqrt(OHM) / GAIN
    assert all("12.5 W" in (v.reason or "") for v in found.values if v.judgement == "not measured")
