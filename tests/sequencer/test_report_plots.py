"""Drawings: what thinning may not lose, and that no name or state leaks into or out of them."""

from __future__ import annotations

import math
import re
from xml.etree import ElementTree

import matplotlib as mpl
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.report.plots import (
    Line,
    Power,
    Rated,
    ShotPicture,
    Wave,
    distortion,
    fewest,
    last_clean_shot,
    over_cycles,
    power_ladder,
    temperatures,
)
from sequencer.report.words import fixed, measured, stamp

LINES = [Line("A", 0, (0.0, 1.0, 2.0), (3.0, 2.0, 1.0)), Line("B", 1, (0.0, 1.0), (3.0, 2.9))]


@given(st.integers(1, 5000), st.integers(0, 2**32 - 1))
@settings(max_examples=40, deadline=None)
def test_thinning_keeps_order_ends_of_range_and_invents_nothing(n: int, seed: int) -> None:
    """Smallest and largest of the whole survive; every kept sample is one of the record, in its order."""
    volts = np.random.default_rng(seed).normal(size=n)
    times = np.arange(n) / 1e6
    thin = fewest(Wave(times, volts), 200)
    assert thin.volts.size <= max(200, 1)
    assert (thin.volts.min(), thin.volts.max()) == (volts.min(), volts.max())
    assert np.all(np.diff(thin.times_s) >= 0)
    kept = np.searchsorted(times, thin.times_s)
    assert np.array_equal(volts[kept], thin.volts)


def shot() -> ShotPicture:
    times = np.arange(-100, 20_100) / 1e6
    sine = np.where((times >= 0) & (times < 0.02), 30 * np.sin(2 * math.pi * 1000 * times), 0.0)
    return ShotPicture(
        Wave(times, sine), Wave(times, 1.01 * sine), Wave(times, 24.0 + 0 * times), (0.019, 0.02), (30.0, -30.0)
    )


def every() -> dict[str, str]:
    rows = [Power("1 cycle", "A", 0, 70.0, 71.0, 1.5), Power("1 cycle", "B", 1, 69.0, None, None)]
    return {
        "ladder": power_ladder("k1", rows, [Rated("rated 60 W", 60.0)]),
        "distortion": distortion("k2", LINES, LINES[1], 1.0),
        "cycles": over_cycles("k3", LINES),
        "heat": temperatures("k4", LINES, ["p001", "p002", "p003"]),
        "shot": last_clean_shot("k5", shot()),
    }


def test_the_same_drawing_is_the_same_text_and_well_formed() -> None:
    once, again = every(), every()
    assert once == again
    for text in once.values():
        assert ElementTree.fromstring(text).tag == "svg"


def test_the_plotting_librarys_settings_are_left_as_they_were() -> None:
    before = dict(mpl.rcParams)
    every()
    assert dict(mpl.rcParams) == before


def test_only_ink_grey_hairline_and_one_accent() -> None:
    """No colour of a plotting library's own cycle."""
    for name, text in every().items():
        used = set(re.findall(r"#[0-9a-f]{6}\b", text))
        assert used <= {"#23201c", "#a49d91", "#cfc8ba", "#8a3b2a", "#ffffff"}, name


def test_a_trace_is_drawn_with_few_points() -> None:
    """20,200 samples in; no line of more than 1,500 points out."""
    longest = max(len(re.findall(r"[ML] ", path)) for path in re.findall(r'd="([^"]*)"', last_clean_shot("k", shot())))
    assert 500 < longest <= 1500


def test_names_in_drawings_are_text() -> None:
    text = over_cycles("k", [Line('<script>&"$x$', 0, (1.0, 2.0), (1.0, 2.0))])
    assert "<script" not in text
    assert '<script>&"$x$' in "".join(ElementTree.fromstring(text).itertext())


def test_names_at_the_ends_of_equal_lines_stand_apart() -> None:
    """Eight lines that end in one place: no two of their names at one height, by the texts' own places."""
    lines = [Line(f"line {i}", i, (1.0, 2.0), (5.0, 5.0)) for i in range(8)]
    drawn = ElementTree.fromstring(over_cycles("k", lines))
    heights = {
        t.text: t.get("y") or t.get("transform") for t in drawn.iter("text") if (t.text or "").startswith("line")
    }
    assert len(heights) == 8
    assert len(set(heights.values())) == 8


def test_a_single_point_can_be_drawn() -> None:
    drawn = ElementTree.fromstring(over_cycles("k", [Line("A", 0, (1.0,), (5.0,))]))
    assert "A" in [t.text for t in drawn.iter("text")]


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("2026-01-05T22:01:15.829+00:00", "2026-01-05 22:01 UTC"),
        ("2026-01-05T22:01:15+02:00", "2026-01-05 22:01 UTC+02:00"),
        ("tomorrow", "tomorrow"),
        (None, "–"),
    ],
)
def test_stamps_are_read_by_people(text: str | None, shown: str) -> None:
    """RFC 3339 stamps, by eye."""
    assert stamp(text) == shown


def test_numbers_as_on_paper() -> None:
    """By hand after JCGM 100, 7.2.6; a minus before nought is never shown."""
    assert measured(112.34, 2.41) == "112.3 ±2.4"
    assert measured(112.34, None) == "112.3"
    assert (fixed(-0.0004, 2), fixed(-0.556, 2), fixed(None, 2)) == ("0.00", "−0.56", "–")
