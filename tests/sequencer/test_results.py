"""Rows of results and their text: round trip, order, what is refused. Truths: RFC 8259, the format itself."""

from __future__ import annotations

import json
import math
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.errors import InputRefused
from sequencer.ledger.plain import RowRefused, from_json, plain, row_to_json, row_to_line
from sequencer.ledger.results import (
    RESULTS_NAME,
    read_results,
    results_schema,
    results_text,
    write_results,
    write_whole,
)
from sequencer.ledger.rows import ChannelRow, PointRow, Results, RunRow, checked
from sequencer.ledger.store import Ledger
from sequencer.publish.messages import point_kept
from tests.sequencer.ledger_rows import LATER, channel, head, point, refused_point

GOLDEN = Path(__file__).parent / "golden" / "results_format_1.json"
GOLDEN_LEDGER = GOLDEN.with_name("ledger_format_1.sqlite")
POWER = ("power_w", "power_at_limit_w", "fundamental_power_w", "peak_reading_power_w")


# Keys that people and scripts rely on: written out here once, apart from the models.
def words(text: str) -> set[str]:
    return set(text.split())


POINT_KEYS = words("""
    id measurement outcome reason load frequency_hz cycles steady supply_nominal_v channels_driven
    stopped_by stopped_by_channel stop_limit level_vrms level_measured_vrms channels rails efficiency_pct
    heatsink_c start_heatsink_c shots energy_unit_j energy_load_j traces harmonics band_hz record_s
    sample_rate_hz lowest_thd_pct lowest_thd_power_w floor_note shot_table values resumed
""")
CHANNEL_KEYS = words(
    "channel bridged load_ohm output_vrms crest_pos_v crest_neg_v offset_v power_w power_at_limit_w "
    "power_expanded_uncertainty_w power_at_limit_expanded_uncertainty_w beyond_limit_power_w coverage_factor "
    "coverage_pct fundamental_power_w peak_reading_power_w channel_equivalent_ohm channel_equivalent_power_w thd_pct "
    "thd_floor_pct burst_residual_pct burst_residual_floor_pct first_to_last_cycle_pct cycle_rows"
)
RUN_KEYS = words(
    "id plan plan_sha256 unit label bench bench_sha256 bay seed version begun ended outcome points trips findings "
    "resumed"
)

texts = st.text(max_size=20)
finite = st.floats(allow_nan=False, allow_infinity=False)
values = st.recursive(
    st.none() | st.booleans() | st.integers() | finite | texts,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(texts, inner, max_size=4),
    max_leaves=20,
)
numbers = st.dictionaries(st.sampled_from(sorted(POWER)), finite, max_size=4)


@given(st.dictionaries(texts, values, max_size=6))
def test_any_row_comes_back_exactly(row: dict[str, Any]) -> None:
    """RFC 8259 text of finite values reads back equal; Python's own parser is the second opinion."""
    assert from_json(row_to_json(row)) == row == json.loads(row_to_line(row))


@given(numbers, texts, values)
def test_point_rows_come_back_exactly_with_keys_of_later(watts: dict[str, float], serial: str, later: Any) -> None:
    """What goes in is what a reader gets, unknown keys included."""
    row = point(channels=[channel(channel=serial, a_key_of_later=later) | watts], reason=serial)
    kept = from_json(row_to_line(checked(PointRow, row).model_dump()))
    assert checked(PointRow, kept).model_dump() == kept
    assert {key: kept[key] for key in row if key != "channels"} == {k: v for k, v in row.items() if k != "channels"}
    assert {key: kept["channels"][0][key] for key in row["channels"][0]} == row["channels"][0]


@pytest.mark.parametrize(
    ("model", "keys"),
    [(PointRow, POINT_KEYS), (ChannelRow, CHANNEL_KEYS), (RunRow, RUN_KEYS)],
    ids=["point", "channel", "run"],
)
def test_every_row_has_every_stable_key(model: type[Any], keys: set[str]) -> None:
    """The stable keys as README and scripts know them."""
    assert set(model.model_fields) == keys


def test_a_row_that_was_not_measured_has_the_keys_too() -> None:
    """Scripts index keys without asking first; absent numbers are null, never zero."""
    row = checked(PointRow, {"id": "p1", "measurement": "output_power", "outcome": "not_measured"}).model_dump()
    assert set(row) == POINT_KEYS
    assert row["level_vrms"] is None
    assert row["channels"] == []


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf, np.float64("nan"), np.float32("inf")])
def test_numbers_that_are_none_are_refused_with_their_place(number: float) -> None:
    """RFC 8259, section 6: Infinity and NaN are not permitted."""
    row = point(channels=[channel(), channel("B", power_w=number)])
    with pytest.raises(RowRefused, match=r"channels\[1\]\.power_w"):
        row_to_json(row)
    with pytest.raises(RowRefused, match=r"channels\[1\]\.power_w"):
        checked(PointRow, row)


@pytest.mark.parametrize("word", ["NaN", "Infinity", "-Infinity"])
def test_reading_refuses_them_too(word: str, tmp_path: Path) -> None:
    """RFC 8259, section 6."""
    (tmp_path / RESULTS_NAME).write_text(f'{{"format": 1, "runs": [], "x": {word}}}')
    with pytest.raises(InputRefused, match=word.lstrip("-")):
        read_results(tmp_path)


def test_numpy_numbers_become_plain_ones() -> None:
    """Equal values, equal bytes: whether a number came from numpy must not show."""
    ours = {"a": np.float64(0.1), "b": np.int32(3), "c": np.bool_(True), "d": [np.float64(1.0)], "e": (1, 2)}
    assert row_to_json(ours) == row_to_json({"a": 0.1, "b": 3, "c": True, "d": [1.0], "e": [1, 2]})


@pytest.mark.parametrize(
    "value", [b"x", {1: 2}, object(), np.zeros(2), 1j, {1, 2}], ids=lambda value: type(value).__name__
)
def test_what_has_no_form_in_json_is_refused(value: Any) -> None:
    """RFC 8259, section 3 names the seven kinds of value."""
    with pytest.raises(RowRefused):
        plain({"x": value})


def test_text_is_sorted_one_key_a_line_and_ascii() -> None:
    """Sorted at every depth; each line holds at most one key; bytes do not depend on a locale."""
    text = results_text(_results())

    def ordered(value: Any) -> bool:
        if isinstance(value, dict):
            return list(value) == sorted(value) and all(map(ordered, value.values()))
        return not isinstance(value, list) or all(map(ordered, value))

    assert ordered(json.loads(text))
    assert all(line.count('": ') <= 1 for line in text.splitlines())
    assert text.isascii()
    assert text.endswith("}\n")


def test_floats_are_shortest_and_exact() -> None:
    """0.1 is 0.1, and 2/3 to 16 digits (IEEE 754 double; the shortest repr that Python documents)."""
    assert '"x": 0.1\n' in row_to_json({"x": 0.1})
    assert '"x": 0.6666666666666666\n' in row_to_json({"x": 2 / 3})


def test_integers_where_watts_are_expected_do_not_change_the_bytes() -> None:
    """4 ohm and 4.0 ohm are one load."""
    assert results_text(_results(load_ohm=4)) == results_text(_results(load_ohm=4.0))


def test_same_input_same_bytes(tmp_path: Path) -> None:
    """Two nights alike leave files alike."""
    files = []
    for name, order in (("one", 1), ("two", -1)):
        folder = tmp_path / name
        folder.mkdir()
        row = dict(list(point().items())[::order])
        with Ledger(folder / "ledger.sqlite") as ledger:
            ledger.begin_run(head())
            ledger.keep_point("r01", row, [point_kept(head(), row, LATER)])
            ledger.end_run("r01", LATER, "finished")
            write_results(folder, ledger)
        files.append([(folder / n).read_bytes() for n in (RESULTS_NAME, "messages.jsonl")])
    assert files[0] == files[1]
    assert all(files[0])


def test_the_golden_file_keeps_loading(tmp_path: Path) -> None:
    """The file itself is the truth: every value in it, keys of later included, is there after reading."""

    def holds(read: Any, written: Any) -> bool:
        if isinstance(written, dict):
            return all(key in read and holds(read[key], value) for key, value in written.items())
        if isinstance(written, list):
            return len(read) == len(written) and all(map(holds, read, written))
        return bool(read == written)

    read = read_results(GOLDEN)
    assert holds(read, json.loads(GOLDEN.read_text()))
    (tmp_path / RESULTS_NAME).write_text(results_text(read))
    assert read_results(tmp_path) == read


def test_the_golden_ledger_keeps_opening(tmp_path: Path) -> None:
    """What stood in it when it was put here, read by hand off its rows; and a later version can go on in it."""
    path = tmp_path / "ledger.sqlite"
    shutil.copyfile(GOLDEN_LEDGER, path)
    with Ledger(path, read_only=True) as ledger:
        (run,) = ledger.results()["runs"]
        assert ledger.message_counts() == {"pending": 7, "sent": 0, "confirmed": 0}
    assert (run["id"], run["outcome"], run["unit"]["serial"]) == ("r8faf4e42c5", "finished", "MV-0117")
    assert [row["measurement"] for row in run["points"]] == ["output_offset", "idle_current", "gain", "output_power"]
    assert [len(row["values"]) for row in run["points"]] == [2, 1, 14, 0]
    assert [(c["channel"], round(c["power_w"], 5)) for c in run["points"][3]["channels"]] == [
        ("A", 64.18629),
        ("B", 60.83099),
    ]
    with Ledger(path) as ledger:
        ledger.begin_run(head(), [])
        assert [run["id"] for run in ledger.results()["runs"]] == ["r8faf4e42c5", "r01"]


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("{", "not JSON"),
        ('{"format": 2, "runs": []}', "format"),
        ('{"format": 1}', "runs"),
        ('{"format": 1, "format": 1, "runs": []}', "twice"),
        ('{"format": 1, "runs": [{"id": 5}]}', "runs[0].id = 5: text in quotes"),
        ("[]", "(whole file) = []: a table of keys"),
        ("[" * 100_000, "nested too deeply"),
    ],
)
def test_wrong_files_are_refused_with_file_and_key(text: str, word: str, tmp_path: Path) -> None:
    """Each problem has file and key path, as for every file of ours."""
    (tmp_path / RESULTS_NAME).write_text(text)
    with pytest.raises(InputRefused) as refused:
        read_results(tmp_path)
    assert word in str(refused.value)
    assert all(problem.file.endswith(RESULTS_NAME) for problem in refused.value.problems)


def test_a_missing_file_is_refused_in_words(tmp_path: Path) -> None:
    """No traceback for a wrong path."""
    with pytest.raises(InputRefused, match=r"unreadable \(no such file or directory\): name a ledger"):
        read_results(tmp_path / "nowhere.json")


def test_a_reader_holds_the_old_file_or_the_new(tmp_path: Path) -> None:
    """POSIX rename(2): who opened the old file reads it to its end, whole."""
    path = tmp_path / "results.json"
    write_whole(path, b"old")
    with open(path, "rb") as reader:
        write_whole(path, b"newer")
        assert reader.read() == b"old"
    assert path.read_bytes() == b"newer"


def test_a_failed_write_leaves_the_old_file_and_no_rest(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The disk fails at the last moment: what was there stays, whole."""
    path = tmp_path / "results.json"
    write_whole(path, b"old")

    def fail(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("sequencer.ledger.results.os.fsync", fail)
    with pytest.raises(OSError, match="No space"):
        write_whole(path, b"new")
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["results.json"]


def test_schema_names_the_stable_keys() -> None:
    """JSON Schema (2020-12) of the file, for programs that check before they read."""
    defined = results_schema()["$defs"]
    assert set(defined["PointRow"]["properties"]) == POINT_KEYS
    assert set(defined["ChannelRow"]["properties"]) == CHANNEL_KEYS


def test_words_that_are_not_ours_are_refused() -> None:
    """A closed list: what ends a ramp has one of the known names."""
    with pytest.raises(RowRefused, match="stopped_by"):
        checked(PointRow, point(stopped_by="something else"))
    with pytest.raises(RowRefused, match="outcome"):
        checked(PointRow, refused_point(outcome="done"))


def _results(**of_channel: Any) -> dict[str, Any]:
    run = head() | {
        "outcome": "finished",
        "ended": LATER,
        "points": [point(channels=[channel(**of_channel)]), refused_point()],
    }
    return checked(Results, {"format": 1, "runs": [run]}).model_dump()
