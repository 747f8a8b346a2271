"""The table is kept and held against the last one."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.benchmarks.table import Row, as_text, keep, last_of

FIRST = [Row("start", "--help", 60.0, "ms", "a bare interpreter", 8.0), Row("memory", "kept", 100.0, "MB")]


def test_a_second_run_shows_the_ratios_of_the_first(tmp_path: Path) -> None:
    """60 / 8 = 7.5; a part that is not measured again stays."""
    path = tmp_path / "results" / "latest.json"
    assert last_of(path) == {}
    keep(path, FIRST, last_of(path), {"cores": 2})
    again = [Row("start", "--help", 40.0, "ms", "a bare interpreter", 10.0)]
    before = last_of(path)
    (line,) = as_text(again, before).splitlines()[1:]
    assert line.split()[-5:-3] == ["4", "7.5"]
    keep(path, again, before, {"cores": 2})
    kept = last_of(path)
    assert kept["start: --help"]["ratio"] == pytest.approx(4.0)
    assert kept["memory: kept"]["value"] == pytest.approx(100.0)


def test_a_broken_file_is_no_last_table(tmp_path: Path) -> None:
    path = tmp_path / "latest.json"
    path.write_text("{not json")
    assert last_of(path) == {}
