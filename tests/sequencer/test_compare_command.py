"""The command `compare`, and what `report` writes beside the sheets: from words of a command line to files."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from sequencer.cli import main
from sequencer.comparing.choose import wanted
from sequencer.comparing.customer import FAULTS_AT_MOST, PLAINLY, customer_page
from sequencer.comparing.differences import pair
from sequencer.comparing.figures import measured
from sequencer.comparing.files import earlier_of, page_html
from sequencer.comparing.told import page_of_pairs
from sequencer.errors import InputRefused
from sequencer.measurements.gravity import OF_KIND
from sequencer.on_paper import schemas
from tests.sequencer.compare_runs import MARKS, one_run
from tests.sequencer.report_html import read
from tests.sequencer.report_nights import rehearsed, write

AFTER = "2026-03-08T20:00:00+00:00"


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A unit before and after its repair, and eight others of its model."""
    before = one_run(82.0, findings=[{"kind": "weak rail", "sentence": "the inner rail falls by 23 %"}])
    after = one_run(121.0, run_id="r2", label="after repair", begun=AFTER)
    others = [one_run(118.0 + i, serial=f"MV-020{i}", run_id=f"o{i}", begun=f"2026-03-0{i + 1}") for i in range(8)]
    return write(tmp_path / "nights", before, after, *others)


def told(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> str:
    assert main(["compare", *arguments]) == code
    captured = capsys.readouterr()
    return captured.out if code == 0 else captured.err


def test_before_and_after_by_label(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """82 to 121 W: +47.6 %, by hand."""
    said = told(capsys, f"{place}:MV-0117@as received", f"{place}:MV-0117@After Repair")
    assert "It gives more power: 1 of 1 powers differ, at most by +47.6 %" in said
    assert "ohms of load 4R, channel A; probe of ch1; gain of ch1 on its 50 V range" in " ".join(said.split())


@pytest.mark.parametrize(
    "words", [("MV-0117",), ("MV-0117@r1", "MV-0117@r2"), ("MV-0117@2026-03-01", "MV-0117@2026-03-08")]
)
def test_one_unit_s_first_run_and_last_or_runs_by_id_and_date(
    words: tuple[str, ...], place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = json.loads(told(capsys, *(f"{place}:{word}" for word in words), "--json"))
    (row,) = found["rows"]
    assert (row["first_run"], row["second_run"], row["means"]) == ("r1", "r2", "differs")
    assert row["difference"] == pytest.approx(39.0)


def test_two_places_are_compared_unit_by_unit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Bench against bench: the same two units on each; nothing of the two benches is the same thing."""
    there = {name: f"bench quay, {mark}" for name, mark in MARKS.items()}
    first = write(tmp_path / "a", *(one_run(120.0, serial=s, run_id=s) for s in ("MV-1", "MV-2", "MV-3")))
    second = write(
        tmp_path / "b",
        *(
            one_run(120.5, serial=s, run_id=s + "b", bench="quay", bench_sha256="q", marks=there)
            for s in ("MV-2", "MV-1")
        ),
    )
    said = told(capsys, str(first), str(second))
    assert said.startswith("Compared: MV-1 and MV-2")
    assert said.count("No difference of power was seen that is larger than its uncertainty.") == 2
    assert said.count("No source of uncertainty is the same thing in both runs") == 2
    assert "bench quay" in said


def test_csv_and_json_say_the_same(place: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    for way, word in (("runs", "MV-0117"), ("model", "MV-0117"), ("history", "MV-0117"), ("batch", "")):
        asked = (f"{place}:{word}" if word else str(place), "--by", way)
        whole = json.loads(told(capsys, *asked, "--json"))
        jsonschema.validate(whole, schemas()["comparison"])
        rows = whole["rows"]
        cells = list(csv.DictReader(io.StringIO(told(capsys, *asked, "--csv"), newline="")))
        assert len(cells) == len(rows) > 0
        for row, line in zip(rows, cells, strict=True):
            for name, value in row.items():
                if isinstance(value, float):
                    assert float(line[name]) == value
        assert main(["compare", *asked, "--out", str(tmp_path / way)]) == 0
        capsys.readouterr()
        written = {path.suffix for path in (tmp_path / way).iterdir()}
        assert written == {".html", ".json", ".csv"}
        assert json.loads((tmp_path / way / "compare.json").read_text())["rows"] == rows


def test_against_its_model(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "unlike its model" in told(capsys, f"{place}:MV-0117@as received", "--by", "model")
    assert "unlike its model" not in told(capsys, f"{place}:MV-0117@as received", "--by", "history")


@pytest.mark.parametrize(
    ("words", "key", "value"),
    [
        (("{place}",), "RUN {place}", "9 units"),
        (("{place}:MV-0117@next year",), "RUN {place}:MV-0117@next year", "no such run of this unit"),
        (("{place}:MV-9999",), "RUN {place}:MV-9999", "no such unit"),
        (("{place}:MV-0200",), "RUN {place}:MV-0200", "one run"),
        (("{place}x",), "RUN {place}x", "not found"),
        (("{place}:MV-0117", "{place}:MV-0117", "--by", "model"), "RUN", "{place}:MV-0117"),
        (("{place}:MV-0117", "--by", "batch"), "RUN {place}:MV-0117", "one unit"),
        (("{place}", "--by", "batch", "--last", "0"), "--last", "0"),
        (("{place}:MV-0117", "--out", "{place}/results.json"), "--out", "{place}/results.json"),
    ],
)
def test_what_cannot_be_compared_is_refused_with_file_key_value_remedy(
    words: tuple[str, ...], key: str, value: str, place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = told(capsys, *(word.format(place=place) for word in words), code=2)
    assert f"command line: {key.format(place=place)} = {value.format(place=place)}: " in said


def test_a_path_may_hold_what_a_word_is_cut_at(tmp_path: Path) -> None:
    """The longest path that exists is the place."""
    odd = tmp_path / "bay@2:left"
    odd.mkdir()
    (tmp_path / "bay").mkdir()
    assert wanted(f"{odd}").place == odd
    found = wanted(f"{odd}:MV:1@as received")
    assert (found.place, found.serial, found.when) == (odd, "MV:1", "as received")
    assert wanted(f"{tmp_path}/bay@2026-03-01").when == "2026-03-01"
    with pytest.raises(InputRefused):
        wanted("no such place")


# --- beside the sheets ----------------------------------------------------------------------------------


def test_report_writes_customers_pages_and_a_table(
    place: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    out = tmp_path / "paper"
    assert main(["report", str(place), "--customer", "--csv", "--out", str(out)]) == 0
    capsys.readouterr()
    rows = list(csv.DictReader(io.StringIO((out / "results.csv").read_text(), newline="")))
    assert [float(row["value"]) for row in rows if row["serial"] == "MV-0117"] == [82.0, 121.0]
    shown = read((out / "customers" / "MV-0117+r2.html").read_text())
    assert "Healthy" in shown.text
    assert "Before: as received, 2026-03-01." in shown.text
    ((_, row),) = shown.tables_of("Before and after")
    assert row[0] == "power into 4.1 ohm, channel A"  # the rows' load is of 4.07 ohm
    assert row[3:] == ["+47.6 %", "more"]
    before = read((out / "customers" / "MV-0117+r1.html").read_text())
    assert "Not healthy: it needs repair." in before.text
    assert PLAINLY["weak rail"] in before.text
    assert "Before and after" not in before.headings


def test_the_state_before_may_lie_elsewhere(place: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    later = write(
        tmp_path / "later", one_run(121.0, run_id="r7", label="a year after", begun="2027-03-08T20:00:00+00:00")
    )
    assert main(["report", str(later), "--customer", "--before", f"{place}:MV-0117@as received"]) == 0
    shown = read((later / "customers" / "MV-0117+r7.html").read_text())
    assert "Before: as received, 2026-03-01." in shown.text
    capsys.readouterr()
    assert main(["report", str(later), "--before", f"{place}:MV-0117"]) == 2
    assert main(["report", str(later), "--customer", "--before", f"{place}:MV-0200"]) == 2
    assert "name a run of the same unit" in capsys.readouterr().err


def test_the_same_state_once_more_is_no_before() -> None:
    first, again, after = one_run(), one_run(run_id="r2", begun=AFTER), one_run(run_id="r3", label="b", begun=AFTER)
    assert earlier_of(again, [first, again]) is None
    assert earlier_of(after, [first, again, after]) == first


@pytest.mark.parametrize(
    ("more", "suspect", "answer"),
    [
        ({}, None, "Healthy: 1 of 1 readings lie within their limits."),
        ({"ratings": []}, None, "Nothing was found wrong. No limits are declared"),
        ({"findings": [{"kind": "hum", "sentence": "s"}]}, None, "In use it works; small things were found."),
        ({"findings": [{"kind": "weak rail", "sentence": "s"}]}, None, "Not healthy: it needs repair."),
        ({"outcome": "unfinished", "ended": None}, None, "The test did not run to its end"),
        ({}, "the reference moved", "Not known: the bench was in doubt that night."),
    ],
)
def test_is_it_healthy(more: dict[str, Any], suspect: str | None, answer: str) -> None:
    assert customer_page(one_run(121.0, **more), None, suspect).answer.startswith(answer)


def test_many_faults_stay_on_one_page() -> None:
    findings = [{"kind": f"k{i}", "sentence": f"sentence {i}"} for i in range(12)]
    page = customer_page(one_run(121.0, findings=findings))
    assert (len(page.faults), page.left_out) == (FAULTS_AT_MOST, 12 - FAULTS_AT_MOST)


def test_plain_words_are_of_kinds_that_exist() -> None:
    assert set(PLAINLY) <= set(OF_KIND)


# --- what a rehearsed night gives ---------------------------------------------------------------------------


def test_a_rehearsed_night_tells_what_its_sources_are() -> None:
    """Two units measured in one night on one bench: all range, probe and load errors are the same things."""
    _, results = rehearsed()
    first, second = (measured(run) for run in results["runs"][:2])
    found = pair(first, second)
    ids = {part.id for one in second.figures for part in one.parts}
    assert set(found.shared) == {id for id in ids if id.partition(":")[0] in ("range", "probe", "load")}
    for one in found.differences:
        assert {part.id for part in one.first.parts} & {part.id for part in one.second.parts} >= set(one.shared)
    assert "DS-20417, calibrated 2026-03-01" in first.marks["range:ch1:8"]
    powers = [one for one in found.differences if one.second.is_power]
    assert len(powers) == 12
    on_one_range = [one for one in powers if any(id.startswith("range:") for id in one.shared)]
    assert len(on_one_range) >= 6
    for one in on_one_range:
        assert one.expanded is not None
        assert one.second.expanded is not None
        assert one.expanded < 0.7 * one.second.expanded
    assert "A dry run on simulated instruments" in page_html(page_of_pairs([found]))


def test_a_trace_loads_in_one_line() -> None:
    """As in README: its highest volts are the highest crest of the row's cycles, but for
    five times the rms that stands on the record before its tone."""
    folder, results = rehearsed()
    point = results["runs"][0]["points"][2]
    name = next(one for one in point["traces"] if "accepted" in one)
    trace = np.load(folder / name)
    volts = trace["ch1_volts_at_zero"] + trace["ch1_codes"] * trace["ch1_volts_per_code"]
    crest = max(cycle["crest_pos_v"] for cycle in point["channels"][0]["cycle_rows"])
    noise_v = float(volts[: volts.size // 100].std())
    assert float(volts.max()) == pytest.approx(crest, abs=5.0 * noise_v)
