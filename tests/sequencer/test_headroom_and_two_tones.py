"""`dynamic_headroom` and `intermodulation` on paper: clips and curves whose powers and products have closed forms."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from sequencer.measurements.dynamic_headroom import dynamic_headroom
from sequencer.measurements.intermodulation import intermodulation
from sequencer.measurements.values import Values
from tests.sequencer.paper_curve import GAIN, OHM, RATING, CurveBench, Volts, drive, hard, job, limit_row

CLIP_V = 30.0
BANDED = (
    1.0476998  # of the just unclipped power, at 1 % THD with harmonics to the 19th (closed form of the clipped sine)
)
AT_LIMIT_VRMS = math.sqrt(BANDED / 2.0) * CLIP_V
LEVEL_AT_LIMIT = CLIP_V / 0.971360054 / math.sqrt(2.0) / GAIN  # clip ratio at 1 % in that band


def headroom(tmp_path: Path, bench: CurveBench, rating: str, *rows: dict[str, object]) -> Values:
    return drive(dynamic_headroom(job(tmp_path, "dynamic_headroom", rows, rating)), bench)


def found_row(**other: object) -> dict[str, object]:
    """A hair below the limit, as a search accepts it."""
    level = LEVEL_AT_LIMIT * 10 ** (-0.02 / 20)
    return limit_row(AT_LIMIT_VRMS, level_vrms=level, **other)


def test_headroom_over_a_continuous_rating(tmp_path: Path) -> None:
    """10 log10(P burst / P rated): a hard clip at 30 V gives 1.0477 x 56.25 W = 58.93 W at 1 %, over 40 W 1.683 dB. The
    level comes from the point before: three times a tone of 480 cycles 20 dB down, then 20 cycles (IHF-A-202, from
    memory: 20 ms, twice a second, 20 dB), and the silence between them is told as it is (50 ms here)."""
    bench = CurveBench(hard(CLIP_V))
    found = headroom(tmp_path, bench, RATING.format(power_w=40.0, cycles=0), found_row())
    value, silence = found.values
    assert value.value == pytest.approx(10 * math.log10(BANDED * CLIP_V**2 / 2 / OHM / 40.0), abs=0.02)
    assert (value.name, value.channel, value.unit) == ("dynamic headroom", "A", "dB")
    # 1 % of volts, rectangular, twice in a power: u = 2 x 1 % / sqrt(3), k = 0.95 sqrt(3), in dB x 4.343
    assert value.expanded_uncertainty == pytest.approx(4.343 * 0.02 * 0.95, rel=0.01)
    assert [fire.cycles for fire in bench.fired] == [480, 20] * 3
    low, loud = bench.fired[-2:]
    assert 20 * math.log10(low.level_vrms / loud.level_vrms) == pytest.approx(-20.0)
    assert silence.value == pytest.approx(0.05, abs=1e-6)
    assert "point p001" in (value.reason or "")


def test_without_a_fitting_point_the_search_of_output_power_finds_the_level(tmp_path: Path) -> None:
    """Another limit and another frequency do not fit. The search's own bursts are there, and the figure is the same."""
    bench = CurveBench(hard(CLIP_V))
    rating = RATING.format(power_w=40.0, cycles=0)
    found = headroom(tmp_path, bench, rating, found_row(stop_limit=10.0), found_row(frequency_hz=50.0))
    assert found.reason is None
    assert {"ramp", "confirm", "twin"} <= {fire.purpose for fire in bench.fired}
    assert found.values[0].value == pytest.approx(10 * math.log10(BANDED * CLIP_V**2 / 2 / OHM / 40.0), abs=0.08)
    assert "searched here" in (found.values[0].reason or "")


def test_what_headroom_needs_and_lacks(tmp_path: Path) -> None:
    """No rating; a protection that cut in on this load: nothing is fired. A burst that distorts more than the search
    said even 0.5 dB lower, five steps of 0.1 dB: not measured."""
    for rating, row, words in (
        ("", found_row(), "no rating"),
        (RATING.format(power_w=40.0, cycles=0), found_row(stopped_by="protection", cycles=8), "protection cut in"),
    ):
        bench = CurveBench(hard(CLIP_V))
        found = headroom(tmp_path, bench, rating, row)
        assert words in (found.reason or "")
        assert bench.fired == []
    bench = CurveBench(hard(0.8 * CLIP_V))
    found = headroom(tmp_path, bench, RATING.format(power_w=40.0, cycles=0), found_row())
    assert "0.5 dB less" in (found.reason or "")
    assert len(bench.fired) == 6 * 6


def curve(a2: float, a3: float, crest_v: float) -> CurveBench:
    """y = x + a2 x^2 + a3 x^3 with x in units of the crest."""

    def bent(wanted: Volts) -> Volts:
        x = wanted / crest_v
        return crest_v * (x + a2 * x**2 + a3 * x**3)

    return CurveBench(bent)


def two_tones(tmp_path: Path, bench: CurveBench, *pairs: str, can: bool = True, rows: bool = True) -> Values:
    known = (limit_row(20.0),) if rows else ()
    one = job(tmp_path, "intermodulation", known, tone_pairs=pairs, power_parts=(0.5,), two_tones=can)
    return drive(intermodulation(one), bench)


def test_products_of_two_tones(tmp_path: Path) -> None:
    """0.8 and 0.2 of the crest: 1.175368, 1.592119, 0.477636 %; 0.5 and 0.5: 0.249299, 0.093487 % (closed forms of a2 =
    0.01, a3 = 0.005; trigonometric identities). The crest of the sum is that of a sine of half the 50 W found: 20 V."""
    crest_v = math.sqrt(2.0) * 20.0 * math.sqrt(0.5)
    bench = curve(0.01, 0.005, crest_v)
    found = two_tones(tmp_path, bench, "modulation", "difference")
    assert found.reason is None
    expected = {
        "modulation distortion": 1.175368, "d2 of modulation": 1.592119, "d3 of modulation": 0.477636,
        "d2 of difference tones": 0.249299, "d3 of difference tones": 0.093487,
    }  # fmt: skip
    for value in found.values:
        assert value.value is not None
        assert value.expanded_uncertainty is not None
        assert value.value == pytest.approx(expected[value.name], abs=2.0 * value.expanded_uncertainty + 0.0005)
        assert "over the " in (value.reason or "")
    assert {v.name for v in found.values} == set(expected)
    for fire in bench.loud():
        assert fire.second is not None
        assert GAIN * math.sqrt(2.0) * fire.level_vrms == pytest.approx(crest_v, rel=0.02)  # the curve adds 1 % of gain
        assert (fire.cycles * fire.second.frequency_hz / fire.frequency_hz) % 1.0 == pytest.approx(0.0, abs=1e-9)


def test_a_straight_unit_is_below_the_floor(tmp_path: Path) -> None:
    found = two_tones(tmp_path, CurveBench(), "modulation", "difference")
    assert [v.value for v in found.values] == [None] * 5
    assert all("below floor" in (v.reason or "") for v in found.values)


def test_what_two_tones_need_and_lack(tmp_path: Path) -> None:
    """A generator of one tone; no power found before: nothing is fired. An output that goes away ends it."""
    for can, rows, words in ((False, True, "one tone only"), (True, False, "nothing says what is full")):
        bench = CurveBench()
        found = two_tones(tmp_path, bench, "modulation", can=can, rows=rows)
        assert words in (found.reason or "")
        assert bench.fired == []
    bench = CurveBench(gone_above_vrms=0.3)
    found = two_tones(tmp_path, bench, "modulation", "difference")
    assert "went away" in (found.reason or "")
    assert len(bench.loud()) == 1
