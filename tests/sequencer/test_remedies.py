"""What a person does at 3 a.m.: every rule, error of a link and end has a line of its own, and it is shown."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from drivers import errors
from sequencer.errors import Fault
from sequencer.ledger.faults import LedgerFull
from sequencer.ledger.rows import TripRow
from sequencer.night.measuring import UnitTrip
from sequencer.night.wiring import Trip
from sequencer.report.other_sections import trips
from sequencer.report.tables import points_table
from sequencer.safety import remedies
from sequencer.safety.remedies import REMEDIES, remedy, remedy_of, remedy_of_trip
from sequencer.safety.table import TABLE
from simulators.faults import LinkFault, LinkFaults
from tests.wire.joined import night

ROOT = Path(__file__).resolve().parents[2]
LONGEST = 160
AVOIDED = """
    sequence step sweep recipe procedure profile verdict pass fail failed passed station fixture plug dut uut
    experiment engine dashboard monitor operator parameter skipped abort teardown sink adapter dataset project
"""
ENDS = (
    "not confirmed safe", "guardian gone", "guardian acted", "internal fault", "ledger full", "stopped by a person",
    "trip test", "unit in doubt", "bench in doubt",
)  # fmt: skip
OF_INSTRUMENTS = sorted(
    name
    for name, kind in vars(errors).items()
    if isinstance(kind, type) and issubclass(kind, errors.InstrumentError) and kind is not errors.InstrumentError
)
SENTENCE = "heat sink of channel A at 86.0 degC"


def trip(**more: Any) -> dict[str, Any]:
    return TripRow.model_validate({"time": "2026-03-01T20:10:00+00:00", "sentence": SENTENCE} | more).model_dump()


@pytest.mark.parametrize("name", [*(rule.name for rule in TABLE), *OF_INSTRUMENTS, *ENDS])
def test_each_has_one_line(name: str) -> None:
    line = remedy(name)
    assert 20 < len(line) <= LONGEST
    assert line.endswith(".")
    assert "\n" not in line
    assert "|" not in line, "it stands in a table"


def test_none_is_shared_by_copy() -> None:
    assert len({line.lower() for line in REMEDIES.values()}) == len(REMEDIES)


def test_no_line_is_of_a_name_that_nothing_has() -> None:
    assert set(REMEDIES) <= {rule.name for rule in TABLE} | set(OF_INSTRUMENTS) | set(ENDS)


@pytest.mark.parametrize("name", REMEDIES)
def test_words_of_our_own(name: str) -> None:
    said = REMEDIES[name].lower().replace("heat sink", "")  # the trade's own word
    assert not set(re.findall(r"[a-z]+", said)) & set(AVOIDED.split())


def test_an_unknown_name_is_refused() -> None:
    with pytest.raises(KeyError):
        remedy("full moon")


@pytest.mark.parametrize(
    ("error", "name"),
    [
        (errors.LinkTimeout("supply", "no reply"), "LinkTimeout"),
        (errors.LinkRefused("supply", "no connection"), "LinkRefused"),
        (errors.WrongIdentity("supply", "another"), "identity changed"),
        (errors.NotANumber("thermometer", "open"), "no number"),
        (errors.InstrumentError("supply", "what else"), "instrument does not answer"),
        (Trip("contacts opened", "instrument restarted"), "instrument restarted"),
        (Trip("supply shows 3 V where 24 V is set"), "bench in doubt"),
        (UnitTrip(SENTENCE, {"rule": "heat sink"}), "heat sink"),
        (UnitTrip("the outputs did not come back"), "unit in doubt"),
        (LedgerFull("no room"), "ledger full"),
        (Fault("time stood still"), "internal fault"),
        (ZeroDivisionError("ours"), "internal fault"),
    ],
    ids=lambda one: one if isinstance(one, str) else type(one).__name__,
)
def test_what_ended_the_night_has_its_line(error: Exception, name: str) -> None:
    """By its rule where it names one, else by its class: a silent instrument wants another look than an absent one."""
    assert remedy_of(error) == REMEDIES[name]


@pytest.mark.parametrize(
    ("row", "name"),
    [
        (trip(rule="heat sink", cause="unit", confirmed_safe=True), "heat sink"),
        (trip(rule="heat sink", cause="unit", confirmed_safe=False), "not confirmed safe"),
        (trip(cause="unit"), "unit in doubt"),
        (trip(cause="bench"), "bench in doubt"),
        (trip(cause="link"), "instrument does not answer"),
        (trip(rule="of a later version", cause="bench"), "bench in doubt"),
    ],
)
def test_a_trip_as_results_keep_it(row: dict[str, Any], name: str) -> None:
    """A bench that is not confirmed safe comes before whatever tripped."""
    assert remedy_of_trip(row) == (name, REMEDIES[name])


def test_a_trip_of_which_nothing_is_known_gets_no_advice() -> None:
    assert remedy_of_trip(trip()) is None


def test_the_sheet_shows_it_once_below_the_trips() -> None:
    hot = trip(rule="heat sink", cause="unit", confirmed_safe=True)
    section = trips({"trips": [hot, hot, trip(rule="offset", confirmed_safe=True), trip()]})
    assert section.terms == (("Next: heat sink", REMEDIES["heat sink"]), ("Next: offset", REMEDIES["offset"]))
    assert len(section.tables[0].rows) == 4


def test_the_terminal_shows_it_beside_the_trip() -> None:
    hot = trip(rule="heat sink", cause="unit", confirmed_safe=True)
    run = {
        "id": "r1", "unit": {"serial": "MV-0117", "model": "x"}, "plan": "evening", "bench": "workshop", "bay": "1",
        "label": "", "begun": hot["time"], "ended": hot["time"], "outcome": "tripped", "points": [], "trips": [hot],
        "seed": 1, "dialect_substitutes": {}, "findings": [], "version": "1",
    }  # fmt: skip
    shown = " ".join(points_table({"format": 1, "runs": [run], "suspect": None}).split())
    assert f"{SENTENCE}; next: {REMEDIES['heat sink']}" in shown


@pytest.mark.parametrize(("role", "name"), [("supply", "not confirmed safe"), ("thermometer", "LinkTimeout")])
def test_the_closing_lines_end_with_it(role: str, name: str, tmp_path: Path) -> None:
    """A night over the wire in which one instrument falls silent for good: without the supply nothing can be confirmed
    safe, and only that is said; without the thermometer the bench is safe, and that instrument is looked for."""
    told = night(tmp_path / "night", {role: LinkFaults((LinkFault("silent", at_s=8.0, times=None),))}).told_at_the_end
    assert re.findall(r"^next: (.*)$", told, re.MULTILINE) == [REMEDIES[name]]


def test_the_developers_page_shows_the_table() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    shown = page.split("<!-- at 3 a.m.: begin -->\n")[1].split("<!-- at 3 a.m.: end -->")[0]
    assert shown == remedies.markdown()
