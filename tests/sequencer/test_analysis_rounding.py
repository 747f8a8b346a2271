"""Digits: JCGM 100, 7.2.6 (uncertainty to two digits, the value to the same place), and its printed examples."""

from __future__ import annotations

import pytest

from sequencer.analysis.rounding import (
    below_floor_text,
    level_text,
    percent_text,
    place,
    plain,
    watts_text,
    with_uncertainty,
)


@pytest.mark.parametrize(
    ("value", "uncertainty", "texts"),
    [
        (100.021_472, 0.000_35, ("100.02147", "0.00035")),  # the mass m_s of JCGM 100, 7.2.2
        (127.732170, 0.071071, ("127.732", "0.071")),  # H.2
        (50_000_838.0, 31.7106, ("50000838", "32")),  # H.1
        (112.34, 2.41, ("112.3", "2.4")),
        (1234.5, 230.0, ("1230", "230")),
        (0.5, 0.0996, ("0.50", "0.10")),
        (0.25, 0.99501, ("0.3", "1.0")),
        (-0.004, 0.16, ("0.00", "0.16")),
        (-2.345, 0.011, ("\N{MINUS SIGN}2.345", "0.011")),
        (2.5e-7, 1.2e-8, ("0.000000250", "0.000000012")),
    ],
)
def test_value_and_uncertainty(value: float, uncertainty: float, texts: tuple[str, str]) -> None:
    """Two digits of uncertainty, the value to the same place, never in powers of ten."""
    assert with_uncertainty(value, uncertainty) == texts


@pytest.mark.parametrize("bad", [0.0, -1.0, float("nan"), float("inf")])
def test_no_place_without_an_uncertainty(bad: float) -> None:
    """A place is told by a number above zero."""
    with pytest.raises(ValueError, match="above zero"):
        place(bad)


def test_texts() -> None:
    """By hand."""
    assert watts_text(112.34, 2.41) == "112.3 ± 2.4 W"
    assert watts_text(112.345) == "112.3 W"
    assert watts_text(0.0) == "0 W"
    assert percent_text(0.009_73) == "0.97 %"
    assert percent_text(0.009_73, 0.000_07) == "0.973 %"
    assert percent_text(0.123_4, 0.02) == "12 %"
    assert plain(3.0) == "3.000"
    assert below_floor_text(0.000_19, 2.5) == "< 0.05 %"
    assert level_text(0.2513) == "+0.25 dB"
    assert level_text(-1.118) == "\N{MINUS SIGN}1.12 dB"
    assert level_text(-0.001) == "+0.00 dB"
