"""Drawings of the single measurements: every one that has a curve shows it, with what must be told beside it; names in
them do not stand on each other.

What a section must name is our own choice; heights and places of letters are read from the finished drawing.
"""

from __future__ import annotations

import re
from typing import Any

import pytest

from sequencer.report import distortion_sections, quiet_sections, response_sections
from sequencer.report.frequency_plot import Marked, by_frequency, lines_of
from sequencer.report.plots import Line, distortion, temperatures

PLACED = re.compile(r"<text ([^>]*)>([^<]*)</text>")


def value(name: str, number: float | None, channel: str = "A", **more: Any) -> dict[str, Any]:
    return {"name": name, "value": number, "channel": channel, "unit": "", "frequency_hz": None} | more


def point(measurement: str, **more: Any) -> dict[str, Any]:
    return {"id": "p001", "measurement": measurement, "load": "8R", "outcome": "measured", "values": []} | more


def texts(svg: str) -> list[str]:
    return [text for _, text in PLACED.findall(svg)]


def tones(key: str) -> list[dict[str, Any]]:
    return [
        {"channel": name, "frequency_hz": hz, key: n * 0.1 + 0.01, "expanded_ohm": 0.005, "misses": None}
        for name in "AB"
        for n, hz in enumerate((100.0, 1000.0, 10000.0))
    ]


def test_a_power_bandwidth_shows_its_limit() -> None:
    found = {"quantity": "thd", "limit_pct": 1.0, "half_power_w": 30.0, "tones": tones("ratio_pct"), "missed": {}}
    (drawn,) = response_sections.drawings({"points": [point("power_bandwidth", power_bandwidth=found)]})
    assert {"1 %", "A", "B", "THD %"} <= set(texts(drawn.svg))
    assert "30 W" in drawn.note


def test_an_output_impedance_shows_milliohms_from_nought() -> None:
    found = {"loads": ["8R", "4R"], "tones": tones("ohm")}
    (drawn,) = response_sections.drawings({"points": [point("output_impedance", output_impedance=found)]})
    assert {"milliohm", "0", "A", "B"} <= set(texts(drawn.svg))
    assert "8R and 4R" in drawn.note


def test_a_spectrum_of_noise_names_its_hum() -> None:
    """Lines that were told apart from the noise, and no other."""
    hz = [20.0, 50.0, 100.0, 150.0, 1000.0, 20000.0]
    bands = {"middle_hz": hz, "on_vrms": {"A": [1e-5] * 6}, "off_vrms": {"A": [1e-6] * 6}}
    spectrum = {"A": {"hz": hz, "vrms": [1e-6, 4e-4, 1e-6, 2e-4, 1e-6, 1e-6]}}
    hum = [value(f"hum {n * 50} Hz", v, frequency_hz=50.0 * n) for n, v in ((1, 4e-4), (2, None), (3, 2e-4))]
    told = {"termination": "x", "records": 4, "record_s": 0.2, "own_noise": "y", "unit_settings": "z"}
    made = point("noise", noise_bands=bands, noise_spectrum=spectrum, **told) | {"values": hum}
    _, lines = quiet_sections.noise_drawings({"points": [made]})
    assert "50, 150 Hz by name" in lines.note
    assert texts(lines.svg).count("150") == 1  # no tick of the axis has this name


def test_headroom_two_tones_thump_rest_and_loads_have_a_drawing() -> None:
    one = {
        "channel": "A",
        "burst_power_w": 66.0,
        "rated_power_w": 60.0,
        "rated_thd_pct": 1.0,
        "thd_pct": 0.9,
        "gap_s": 0.1,
    }
    db = [value("dynamic headroom", 0.41, expanded_uncertainty=0.1)]
    product = {
        "channel": "A", "tones_hz": [19000.0, 20000.0], "ratio": 1.0, "part": 0.5, "crest_power_w": 30.0, "name": "d2",
        "lines_hz": [1000.0], "denominator": "sum", "pct": 0.2, "floor_pct": 0.01, "below_floor": False,
    }  # fmt: skip
    shown = {"channel": "A", "tones_hz": [19000.0, 20000.0], "ratio": 1.0, "part": 0.5}
    shown |= {"hz": [100.0, 1000.0, 19000.0, 20000.0, 24000.0], "db": [-95.0, -50.0, 0.0, 0.0, -95.0]}
    run = {
        "points": [
            point("dynamic_headroom", headroom=[one]) | {"values": db},
            point("intermodulation", intermodulation=[product], intermodulation_spectra=[shown]),
            point("turn_on", thumps={"A": {"at_s": [-0.01, 0.0, 0.01], "volts": [0.0, 0.4, 0.2]}}),
            point("stability", rest_spectrum={"A": {"hz": [1e3, 1e5], "vrms": [1e-6, 1e-5]}}),
            point("load_check", values=[value("load, cold", 8.0), value("load, warm", 8.01)]),
        ]
    }
    headroom, pair = distortion_sections.further(run)
    assert [len(one.drawings) for one in (headroom, pair)] == [1, 1]
    assert "rated 60 W" in texts(headroom.drawings[0].svg)
    assert {"1", "19", "20"} <= set(texts(pair.drawings[0].svg))
    assert len(list(quiet_sections.thump_drawings(run))) == 1
    assert len(list(quiet_sections.rest_drawings(run))) == 1
    assert len(list(quiet_sections.load_drawings(run))) == 1


def test_old_results_without_curves_have_no_drawing() -> None:
    """Format 1 as it was: keys may be missing."""
    run = {
        "points": [point("turn_on"), point("stability"), point("load_check"), point("noise"), point("intermodulation")]
    }
    makers = (quiet_sections.thump_drawings, quiet_sections.rest_drawings, quiet_sections.load_drawings)
    assert [one for make in makers for one in make(run)] == []
    assert list(quiet_sections.noise_drawings(run)) == []


# --- names that meet

HIGH_PX, LETTER_PX = 7.5, 4.0  # of a letter of 7.5 points, about: what must stay free


def placed(svg: str, names: set[str]) -> list[tuple[float, float, str, str]]:
    """(x, y, anchor, text) of the names, in points."""
    found = []
    for given, text in PLACED.findall(svg):
        at = re.search(r"translate\(([-\d.]+) ([-\d.]+)\)", given) or re.search(r'x="([-\d.]+)" y="([-\d.]+)"', given)
        anchor = "middle" if "middle" in given else "start"
        if at and text in names:
            found.append((float(at[1]), float(at[2]), anchor, text))
    return found


def overlaps(svg: str, names: set[str]) -> list[tuple[str, str]]:
    boxes = []
    for x, y, anchor, text in placed(svg, names):
        wide = LETTER_PX * len(text)
        left = x - wide / 2.0 if anchor == "middle" else x
        boxes.append((left, left + wide, y - HIGH_PX, y, text))
    assert len(boxes) == len(names)
    return [
        (a[4], b[4])
        for i, a in enumerate(boxes)
        for b in boxes[i + 1 :]
        if a[0] < b[1] and b[0] < a[1] and a[2] < b[3] and b[2] < a[3]
    ]


@pytest.mark.parametrize("apart", [0.0, 0.5, 2.0])
def test_names_at_the_ends_of_lines_do_not_meet(apart: float) -> None:
    """Four bursts that end near each other, at the limit; channels of one temperature; lines of hum side by side."""
    bursts = [
        Line(name, i, (1.0, 60.0 + apart * i), (0.02, 1.0 + 0.01 * i))
        for i, name in enumerate(("n1", "n8", "n20", "n99"))
    ]
    svg = distortion("k", bursts, Line("floor", 0, (1.0, 60.0), (0.01, 0.9)), 1.0)
    assert overlaps(svg, {"n1", "n8", "n20", "n99"}) == []
    heat = [Line(f"side {n}", n, (0.0, 1.0), (20.0, 50.0 + 0.1 * apart * n)) for n in range(3)]
    assert overlaps(temperatures("k", heat, ["p1", "p2"]), {"side 0", "side 1", "side 2"}) == []
    flat = [Line("A", 0, (20.0, 20000.0), (1.0, 1.0))]
    hum = tuple((50.0 * n, f"n{50 * n}") for n in range(1, 5))
    svg = by_frequency("k", flat, "V", "x", log=True, marked=Marked(named=hum))
    assert overlaps(svg, {name for _, name in hum}) == []
    pair = ((19000.0, "n19"), (19000.0 + 500.0 * apart, "n20"))
    svg = lines_of("k", [Line("A", 0, (100.0, 24000.0), (0.0, 0.0))], "dB", "x", Marked(named=pair))
    assert overlaps(svg, {"n19", "n20"}) == []
