"""How a bench was proved, as results, sheet and batch page tell it. The truth is what the start was told."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from sequencer.cli import main
from sequencer.compose import DryRun, dry_run
from sequencer.ledger.results import read_results
from sequencer.report.pages import write_pages
from tests.sequencer.ledger_rows import point
from tests.sequencer.report_html import read
from tests.sequencer.report_nights import HOSTILE, run, write

PROVED = {
    "proved": True,
    "by": "the day shift",
    "on": "2026-03-10T18:00:00+00:00",
    "held": 21,
    "not_seen": ["current limit, supply", "response, thermometer"],
    "record": "deck.proof.json",
}
UNPROVED = {"proved": False, "by": "the mate", "reason": "proved 431 days ago, and a proof holds for 400 days"}
HOW = "How it was measured"


def on_paper(folder: Path, *proofs: dict[str, Any] | None) -> dict[str, str]:
    """Text of each page that is written, by its name."""
    more = [{"proof": one} if one else {} for one in proofs]
    runs = [run(point(), serial=f"FPA-{n}", run_id=f"r{n}", seed=7, **one) for n, one in enumerate(more)]
    page = write_pages(write(folder / "night", *runs))
    return {path.name: path.read_text() for path in [page, *(page.parent / "sheets").glob("*.html")]}


@pytest.mark.parametrize(
    ("proof", "words"),
    [
        (PROVED, "2026-03-10 by the day shift, 21 held, 2 not seen: current limit, supply; response, thermometer."),
        (UNPROVED, "NO: proved 431 days ago, and a proof holds for 400 days; answered for by the mate."),
    ],
)
def test_the_sheet_says_it_where_it_says_how_it_was_measured(tmp_path: Path, proof: dict[str, Any], words: str) -> None:
    (page,) = on_paper(tmp_path, proof).values()
    text = " ".join(read(page).text.split())
    section = text.split(HOW)[1].split("Serial, calibrated")[0]  # the next section
    assert f"Bench proved{words}" in section, "a term and what is said of it"
    assert "A dry run" not in page, "a start on real instruments is no rehearsal"


def test_the_batch_page_says_it_once_for_all_that_are_alike(tmp_path: Path) -> None:
    page = on_paper(tmp_path, PROVED, PROVED, UNPROVED)["batch.html"]
    assert page.count("Bench proved: 2026-03-10 by the day shift") == 1
    assert page.count("Bench proved: NO: proved 431 days ago") == 1


def test_a_rehearsal_keeps_and_says_nothing_of_it(tmp_path: Path) -> None:
    done = dry_run(DryRun(plan="first", units=("ferry_pa_60",), out=tmp_path / "night"), say=lambda line: None)
    assert done.exit_code == 0
    assert "proof" not in done.results["runs"][0]
    assert "proof" not in json.loads((tmp_path / "night" / "declared.json").read_text())["night"]
    assert "Bench proved" not in write_pages(tmp_path / "night").read_text()
    assert main(["report", str(tmp_path / "night")]) == 0


def test_a_hostile_name_is_text(tmp_path: Path) -> None:
    for number, name in enumerate(HOSTILE):
        pages = on_paper(tmp_path / str(number), PROVED | {"by": name, "not_seen": [name]}, UNPROVED | {"reason": name})
        for page in pages.values():
            assert "<script>alert" not in page
            assert "onerror=alert(1)>" not in page
            assert "\x1b" not in page


def test_results_of_format_1_keep_it_as_it_is(tmp_path: Path) -> None:
    night = write(tmp_path / "night", run(point(), proof=PROVED), run(point(), run_id="r02"))
    first, second = read_results(night)["runs"]
    assert first["proof"] == PROVED
    assert "proof" not in second
