"""One unit over the years, and batches: drift, who stands apart, how the ratings are kept."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from scipy import stats

from sequencer.comparing.batches import usual
from sequencer.comparing.figures import Measured, measured
from sequencer.comparing.history import History, changed_things, histories
from sequencer.comparing.rows_of import rows_of_batch
from sequencer.comparing.told import page_of_batch, page_of_history
from tests.sequencer.compare_runs import MARKS, one_run

BEGUN = datetime(2020, 1, 1, tzinfo=UTC)
YEAR = timedelta(days=365.25)


def over_years(watts: list[float], years: list[float], **more: Any) -> list[Measured]:
    return [
        measured(one_run(w, run_id=f"r{i}", begun=(BEGUN + year * YEAR).isoformat(), **more))
        for i, (w, year) in enumerate(zip(watts, years, strict=True))
    ]


def of(watts: list[float], years: list[float]) -> History:
    (found,) = histories(over_years(watts, years))
    return found


def test_the_line_is_that_of_least_squares() -> None:
    """Against SciPy's linregress (a reference library), slope and its interval by Student's t at n - 2."""
    years = [0.0, 0.5, 1.1, 2.0, 2.9, 4.2]
    watts = [120.0, 120.4, 120.3, 121.2, 121.4, 122.1]
    drift = of(watts, years).drift
    assert drift is not None
    line = stats.linregress(years, watts)
    assert drift.slope == pytest.approx(line.slope)
    assert drift.expanded == pytest.approx(stats.t.ppf(0.975, 4) * line.stderr)
    assert drift.at_first[0] == pytest.approx(line.intercept)
    assert drift.at_last[0] == pytest.approx(line.intercept + 4.2 * line.slope)
    assert drift.drifts


def test_a_bench_that_stays_is_said_to_drift_once_in_twenty() -> None:
    """By simulation: 500 histories of eight readings with scatter alone; 5 % pass, within three sigma 2.1 to 7.9."""
    chance, passed = np.random.default_rng(4), 0
    years = [0.0, 0.4, 1.0, 1.3, 2.0, 2.8, 3.1, 4.0]
    for _ in range(500):
        found = of([float(x) for x in chance.normal(120.0, 0.2, 8)], years)
        assert found.drift is not None
        passed += found.drift.drifts
    assert 0.021 < passed / 500 < 0.079


def test_a_drift_is_found() -> None:
    """0.1 W a year over eight years with a scatter of 0.1 W: seen in nearly every history."""
    chance, years = np.random.default_rng(8), [float(x) for x in range(9)]
    found = [of([120.0 + 0.1 * x + float(chance.normal(0.0, 0.1)) for x in years], years) for _ in range(100)]
    assert sum(one.drift is not None and one.drift.drifts for one in found) >= 95
    assert np.mean([one.drift.slope for one in found if one.drift]) == pytest.approx(0.1, abs=0.01)


def test_neighbours_that_go_together_are_said() -> None:
    """A slow wave about the line: lag-1 autocorrelation beyond 1.96 / sqrt(n) (e-Handbook 1.3.3.1)."""
    years = [0.25 * i for i in range(32)]
    wave = of([120.0 + float(np.sin(2.0 * np.pi * year / 4.0)) for year in years], years).drift
    chance = np.random.default_rng(2)
    noise = of([120.0 + float(chance.normal()) for _ in years], years).drift
    assert wave is not None
    assert noise is not None
    assert (wave.chained, noise.chained) == (True, False)
    assert wave.lag_one > 0.8


def test_four_runs_and_runs_of_one_moment_have_no_line() -> None:
    assert of([120.0, 121.0, 122.0, 123.0], [0.0, 1.0, 2.0, 3.0]).drift is None
    assert of([120.0] * 6, [1.0] * 6).drift is None


def test_last_against_first_shares_what_stayed() -> None:
    last = of([120.0, 120.0, 123.0], [0.0, 1.0, 2.0]).last
    assert (last.value, last.means) == (3.0, "differs")
    assert last.shared
    assert last.expanded is not None
    assert last.second.expanded is not None
    assert last.expanded < last.second.expanded


def test_runs_are_in_order_of_time_whatever_zone_they_are_told_in() -> None:
    """22:30+02:00 is 20:30Z, before 21:00Z."""
    runs = [
        measured(one_run(121.0, run_id="later", begun="2026-03-01T21:00:00+00:00")),
        measured(one_run(120.0, run_id="first", begun="2026-03-01T22:30:00+02:00")),
    ]
    (found,) = histories(runs)
    assert [one.run.id for one in found.readings] == ["first", "later"]


def test_the_page_says_whose_drift_it_is() -> None:
    runs = over_years([120.0, 121.0, 122.0, 123.1, 124.0], [0.0, 1.0, 2.0, 3.0, 4.0], reference=True)
    page = page_of_history(runs, histories(runs))
    (first, *_) = page.sections
    assert first.answer.startswith("1 of 1 figures drift")
    assert "what drifts here is the bench" in first.says[0]
    assert "<circle" in first.drawings[0].svg


def test_a_thing_that_became_another_is_named_with_its_date() -> None:
    """The digitiser was calibrated before the third run: a jump there is no drift."""
    anew = MARKS | {"range:ch1:50": "digitiser DS-1, calibrated 2022-01-02, 50 V"}
    runs = over_years([120.0, 120.1], [0.0, 1.0], bench_sha256="a")
    runs += over_years([121.0, 121.1], [2.0, 3.0], marks=anew, bench_sha256="b")
    assert changed_things(runs) == (("2021-12-31", ("range:ch1:50",)),)
    page = page_of_history(runs, histories(runs))
    assert "From 2021-12-31 on another thing: gain of ch1 on its 50 V range." in page.sections[0].says


def batch_of(watts: list[float], **more: Any) -> list[Measured]:
    return [measured(one_run(w, serial=f"MV-{i:03}", run_id=f"r{i}", **more)) for i, w in enumerate(watts)]


def test_who_stands_apart_and_how_the_rating_is_kept() -> None:
    """Rated 100 W, U about 3.2 % of each: 120 surely within, 101 within but near, 99 outside but near, 60 outside."""
    found = usual(batch_of([120.0, 119.0, 121.0, 120.5, 119.5, 101.0, 99.0, 60.0]))
    (one,) = found
    assert dict(one.kept) == {"within": 5, "within, near": 1, "outside, near": 1, "outside": 1}
    assert [each.run.serial for each in one.apart] == ["MV-007", "MV-006", "MV-005"]
    assert one.capable is None
    assert one.low == 100.0


def test_a_batch_of_thirty_has_its_cpk() -> None:
    chance = np.random.default_rng(6)
    watts = [float(x) for x in chance.normal(112.0, 3.0, 30)]
    (one,) = usual(batch_of(watts))
    assert one.capable is not None
    assert one.capable.cp is None  # a rating has one side
    assert one.capable.cpk.value == pytest.approx((np.mean(watts) - 100.0) / (3.0 * np.std(watts, ddof=1)))
    assert usual(batch_of(watts[:29]))[0].capable is None
    page = page_of_batch(batch_of(watts), usual(batch_of(watts)))
    kept = next(section for section in page.sections if section.title == "How surely ratings and limits are kept")
    assert "(" in kept.tables[0].rows[0][-1]


def with_window(amps: list[float], limits: dict[str, float]) -> list[Measured]:
    """One idle current of each unit, U 0.02 A, held against the window of its file."""
    found = []
    for number, value in enumerate(amps):
        one = {"name": "idle current, cold", "value": value, "unit": "A", "expanded_uncertainty": 0.02} | limits
        rows = [{"id": "p001", "measurement": "idle_current", "outcome": "measured", "values": [one]}]
        found.append(measured(one_run(points=rows, serial=f"MV-{number:03}", run_id=f"r{number}")))
    return found


def test_windows_have_guard_bands_and_cp_too() -> None:
    """0.8 to 1.45 A, U 0.02: 0.79 and 0.81 are near, 0.7 outside. Of 30 units Cp = (1.45 - 0.8)/6 s, e-Handbook 6.1.6.
    A limit on one side alone has no Cp."""
    window = {"low": 0.8, "high": 1.45}
    few = with_window([1.1, 1.44, 0.81, 0.79, 0.7], window)
    assert dict(usual(few)[0].kept) == {"within": 1, "within, near": 2, "outside, near": 1, "outside": 1}
    amps = [float(x) for x in np.random.default_rng(8).normal(1.1, 0.05, 30)]
    (one,) = usual(with_window(amps, window))
    assert one.capable is not None
    assert one.capable.cp is not None
    assert one.capable.cp.value == pytest.approx(0.65 / 6.0 / np.std(amps, ddof=1))
    (table,) = page_of_batch(few, usual(few)).sections[1].tables
    assert table.rows[0][:3] == ("idle current, cold", "0.8 to 1.45 A", "1")
    assert rows_of_batch((one,))[0]["lowest_allowed"] == 0.8
    (above,) = usual(with_window(amps, {"high": 1.2}))
    assert above.capable is not None
    assert above.capable.cp is None
    assert above.capable.cpk.value == pytest.approx((1.2 - np.mean(amps)) / 3.0 / np.std(amps, ddof=1))


def test_models_are_not_mixed() -> None:
    runs = [*batch_of([120.0, 121.0]), *batch_of([60.0, 61.0], unit={"serial": "x", "model": "Another 30"})]
    assert [(one.model, one.among.count) for one in usual(runs)] == [
        ("Ferry PA 2x60", 2),
        ("Another 30", 2),
    ]


def test_an_empty_batch_has_a_page() -> None:
    assert page_of_batch([], ()).sections[0].empty
