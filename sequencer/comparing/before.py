"""What each run of a night is held against on its customer's page: the state before."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from sequencer.comparing.choose import one_unit, wanted
from sequencer.comparing.files import earlier_of
from sequencer.comparing.index import Index
from sequencer.errors import InputRefused, Problem
from sequencer.ledger.opening import LEDGER_NAME, read_as_input
from sequencer.ledger.results import read_results
from sequencer.ledger.store import Ledger

Row = Mapping[str, Any]


def before_each(runs: Sequence[Row], every: Sequence[Row], word: str | None) -> dict[str, Row | None]:
    """By run id: the first earlier run of the same unit among `every`, or the one that word names. Raises
    InputRefused: no such run, or one of another unit."""
    if word is None:
        return {run["id"]: earlier_of(run, every) for run in runs}
    asked = wanted(word)
    with Index(asked.place) as index:
        found = one_unit(index, asked)[0]
    if all(run["unit"]["serial"] != found.serial for run in runs):
        remedy = f"it is unit {found.serial}, of which no page is made here: name a run of the same unit"
        raise InputRefused([Problem("command line", "--before", word, remedy)])
    row = _whole(Path(found.place), found.id)
    return {run["id"]: row if run["unit"]["serial"] == found.serial else None for run in runs}


def _whole(place: Path, run_id: str) -> Row:
    if place.suffix == Path(LEDGER_NAME).suffix:
        with read_as_input(place), Ledger(place, read_only=True) as ledger:
            return next(iter(ledger.results((run_id,))["runs"]))
    return next(run for run in read_results(place)["runs"] if run["id"] == run_id)
