"""The index of figures: many ledgers and results in one place, only what is new taken in, cost that does not grow."""

from __future__ import annotations

import json
import shutil
import sqlite3
import time
from pathlib import Path
from typing import Any

import pytest

from sequencer.comparing.index import INDEX_NAME, Index, sources
from sequencer.errors import InputRefused
from sequencer.ledger.opening import LEDGER_NAME
from sequencer.ledger.plain import row_to_line
from sequencer.ledger.store import Ledger
from tests.sequencer.compare_runs import one_run
from tests.sequencer.report_nights import write

DAY = "2026-{:02}-{:02}T20:00:00+00:00"
HEAD = ("points", "trips", "findings", "ended", "outcome")


def begin(ledger: Ledger, row: dict[str, Any]) -> None:
    ledger.begin_run({key: value for key, value in row.items() if key not in HEAD})
    for point in row["points"]:
        ledger.keep_point(row["id"], point)


def keep(folder: Path, *rows: dict[str, Any]) -> Path:
    """A ledger as a night leaves it."""
    folder.mkdir(parents=True, exist_ok=True)
    with Ledger(folder / LEDGER_NAME) as ledger:
        for row in rows:
            begin(ledger, row)
            ledger.end_run(row["id"], row["begun"], "finished")
    return folder


def day(number: int) -> str:
    return DAY.format(1 + number // 28, 1 + number % 28)


def test_ledgers_and_results_some_levels_deep_are_one_place(tmp_path: Path) -> None:
    keep(tmp_path / "a" / "june", one_run(120.0, begun=day(1)))
    write(tmp_path / "b" / "c" / "old", one_run(118.0, run_id="r0", begun=day(0)))
    with Index(tmp_path) as index:
        assert [(run.id, run.figures[0].value) for run in index.of_unit("MV-0117")] == [("r0", 118.0), ("r1", 120.0)]
        assert index.of_unit("MV-0117")[1].place.endswith("june/ledger.sqlite")
    assert (tmp_path / INDEX_NAME).exists()


def test_a_ledger_goes_before_the_results_written_from_it(tmp_path: Path) -> None:
    keep(tmp_path, one_run(120.0))
    write(tmp_path, one_run(1.0))
    assert [source.path.name for source in sources(tmp_path)] == [LEDGER_NAME]
    with Index(tmp_path / "results.json") as index:
        assert index.of_unit("MV-0117")[0].figures[0].value == 120.0


def test_a_copy_counts_once(tmp_path: Path) -> None:
    keep(tmp_path / "tonight", one_run(120.0))
    shutil.copytree(tmp_path / "tonight", tmp_path / "copy")
    with Index(tmp_path) as index:
        assert index.count() == 1
    shutil.rmtree(tmp_path / "copy")  # the one that was read first: what was passed over stands now
    with Index(tmp_path) as index:
        assert index.count() == 1


def test_only_what_is_new_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a ledger that grew, the new run and the last ones before it; of one that did not, nothing."""
    keep(tmp_path, *(one_run(120.0, run_id=f"r{i}", begun=day(i)) for i in range(6)))
    with Index(tmp_path) as index:
        assert index.count() == 6
    read: list[tuple[int, ...]] = []
    whole = Ledger.whole_after

    def heard(self: Ledger, number: int, also: Any = ()) -> Any:
        found = list(whole(self, number, also))
        read.append(tuple(one for one, _, _ in found))
        return iter(found)

    monkeypatch.setattr(Ledger, "whole_after", heard)
    with Index(tmp_path):
        assert read == []
    keep(tmp_path, one_run(119.0, run_id="r6", begun=day(6)))
    with Index(tmp_path) as index:
        assert index.count() == 7
    assert read == [(5, 6, 7)]


def test_a_run_without_an_end_is_read_again_until_it_has_one(tmp_path: Path) -> None:
    row, later = one_run(120.0, begun=day(0)), one_run(120.0, run_id="r9", begun=day(1))
    with Ledger(tmp_path / LEDGER_NAME) as ledger:
        begin(ledger, row | {"points": []})
        for i in range(2, 7):
            begin(ledger, one_run(run_id=f"r{i}", begun=day(i)))
            ledger.end_run(f"r{i}", day(i), "finished")
    with Index(tmp_path) as index:
        assert index.of_unit("MV-0117")[0].figures == ()
    with Ledger(tmp_path / LEDGER_NAME) as ledger:
        ledger.keep_point("r1", row["points"][0])
        ledger.end_run("r1", later["begun"], "finished")
    with Index(tmp_path) as index:
        found = index.of_unit("MV-0117")[0]
        assert (found.id, found.healthy, len(found.figures)) == ("r1", True, 1)


def test_a_trip_after_the_end_and_a_doubt_are_taken_in(tmp_path: Path) -> None:
    keep(tmp_path, one_run(120.0), one_run(120.0, run_id="r2", serial="MV-2", begun=day(40)))
    with Index(tmp_path) as index:
        assert len(index.of_model("Ferry PA 2x60", 10)) == 2
    with Ledger(tmp_path / LEDGER_NAME) as ledger:
        ledger.keep_trip("r2", {"time": day(40), "sentence": "the rail did not fall"})
    with Index(tmp_path) as index:
        assert [run.serial for run in index.of_model("Ferry PA 2x60", 10)] == ["MV-0117"]
    with Ledger(tmp_path / LEDGER_NAME) as ledger:
        ledger.mark_suspect("the reference moved")
    with Index(tmp_path) as index:
        assert index.of_model("Ferry PA 2x60", 10) == []
        assert index.count() == 2


def test_one_of_each_unit(tmp_path: Path) -> None:
    """The newest run of each; the last two units are those measured last."""
    rows = [
        one_run(120.0 + i, run_id=f"r{i}", serial=serial, begun=day(i), reference=serial == "REF")
        for i, serial in enumerate(("REF", "MV-1", "MV-2", "MV-1", "REF"))
    ]
    keep(tmp_path, *rows)
    with Index(tmp_path) as index:
        assert [(run.serial, run.id) for run in index.last_units(2)] == [("MV-1", "r3"), ("REF", "r4")]
        assert [run.id for run in index.of_model("Ferry PA 2x60", 10)] == ["r2", "r3", "r4"]
        assert index.references() == ["REF"]
        assert (index.units(), index.serials(2)) == (3, ["MV-1", "MV-2"])


def test_it_may_be_thrown_away_and_is_made_anew_for_another_version(tmp_path: Path) -> None:
    keep(tmp_path, one_run(120.0))
    with Index(tmp_path):
        pass
    with sqlite3.connect(tmp_path / INDEX_NAME) as database:
        database.execute("PRAGMA user_version = 99")
    database.close()
    with Index(tmp_path) as index:
        assert index.count() == 1
    (tmp_path / INDEX_NAME).unlink()
    with Index(tmp_path) as index:
        assert index.count() == 1


def test_a_folder_that_cannot_be_written_costs_only_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As root every folder can be written: so SQLite itself refuses, with the error that it has for it."""
    write(tmp_path, one_run(120.0))

    def refused(path: object) -> sqlite3.Connection:
        raise sqlite3.OperationalError("attempt to write a readonly database")

    monkeypatch.setattr("sequencer.comparing.index._ours", refused)
    with Index(tmp_path) as index:
        assert index.count() == 1
    assert not (tmp_path / INDEX_NAME).exists()


@pytest.mark.parametrize("what", ["foreign", "broken"])
def test_a_file_that_is_not_ours_stays_and_is_named(tmp_path: Path, what: str) -> None:
    write(tmp_path, one_run(120.0))
    place = tmp_path / INDEX_NAME
    if what == "foreign":
        with sqlite3.connect(place) as database:
            database.execute("CREATE TABLE theirs (x)")
        database.close()
    else:
        place.write_bytes(b"no database at all" * 100)
    before = place.read_bytes()
    with pytest.raises(InputRefused, match="index"):
        Index(tmp_path)
    assert place.read_bytes() == before


def test_a_place_with_nothing_in_it_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputRefused, match=r"ledger\.sqlite"):
        Index(tmp_path)


def test_results_under_another_name_are_read_without_a_trace(tmp_path: Path) -> None:
    (tmp_path / "old.json").write_text(json.dumps({"format": 1, "runs": [one_run(120.0)], "suspect": None}))
    with Index(tmp_path / "old.json") as index:
        assert index.count() == 1
    assert [path.name for path in tmp_path.iterdir()] == ["old.json"]


def many_runs(folder: Path, count: int, units: int) -> Path:
    """A ledger of so many runs, written straight into its tables: opened once by ours, so that they are all there."""
    folder.mkdir(parents=True)
    Ledger(folder / LEDGER_NAME).close()
    row = one_run(120.0)
    head, points = {key: value for key, value in row.items() if key not in HEAD}, row["points"]
    with sqlite3.connect(folder / LEDGER_NAME) as database:
        for i in range(count):
            unit = {"serial": f"MV-{i % units:05}", "model": row["unit"]["model"]}
            begun = f"20{10 + i // 1000:02}-{1 + i % 1000 // 84:02}-{1 + i % 84 // 3:02}T{20 + i % 3}:00:00+00:00"
            own = head | {"id": f"r{i}", "unit": unit, "begun": begun, "reference": i % units == 0}
            database.execute(
                "INSERT INTO run (id, head, ended, outcome) VALUES (?, ?, ?, 'finished')",
                (f"r{i}", row_to_line(own), begun),
            )
            database.executemany(
                "INSERT INTO point (run_id, id, row) VALUES (?, ?, ?)",
                [(f"r{i}", f"{point['id']}-{n}", row_to_line(point)) for n, point in enumerate(points * 3)],
            )
    database.close()
    return folder


def quickest_s(act: Any, rounds: int = 5) -> float:
    times = []
    for _ in range(rounds):
        begun = time.perf_counter()
        act()
        times.append(time.perf_counter() - begun)
    return min(times)


def test_the_cost_does_not_grow_with_the_ledger(tmp_path: Path) -> None:
    """Ten times the runs, the same unit's history and the same last hundred units: at most three times the time, a
    ratio within this run. Budgets at 10,000 runs (0.5 s, 2 s) are printed by tests/benchmarks/compare_growth.py."""
    small, large = (many_runs(tmp_path / name, count, count // 5) for name, count in (("s", 200), ("l", 2000)))

    def history(place: Path) -> None:
        with Index(place) as index:
            assert len(index.of_unit("MV-00007")) == 5

    def batch(place: Path) -> None:
        with Index(place) as index:
            assert len(index.last_units(40)) == 40

    for act in (history, batch):
        act(small), act(large)  # the first time all is taken in
        before, after = quickest_s(lambda act=act: act(small)), quickest_s(lambda act=act: act(large))  # type: ignore[misc]
        print(f"{act.__name__}: {1e3 * before:.1f} ms at 200 runs, {1e3 * after:.1f} ms at 2,000")
        assert after < 3.0 * before + 0.01
