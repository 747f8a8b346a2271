"""`report`, `plans` and `schema`: what was kept, what ships, what files and messages look like."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sequencer.commands.shared import Subparsers
from sequencer.errors import EXIT_DONE, EXIT_REFUSED, InputRefused, Problem
from sequencer.view.out import say


def add(commands: Subparsers) -> None:
    """Its commands, with what each takes."""
    _add_report(commands)
    _add_plans(commands)
    _add_schema(commands)


def _add_report(commands: Subparsers) -> None:
    report = commands.add_parser(
        "report",
        help="the sheet of a unit, or the batch page and the sheets of several",
        epilog="Example: nightramp report ./rehearsal --out ./paper",
    )
    report.add_argument("night", metavar="LEDGER_OR_DIR", type=Path, help="a ledger, results.json, or their folder")
    report.add_argument("--run", dest="run_id", metavar="ID", help="only this run's sheet")
    report.add_argument("--out", metavar="DIR", type=Path, help="default: beside what was read")
    report.add_argument(
        "--reanalyse",
        action="store_true",
        help="every number again from what was kept, by this version: what changed, and pages in reanalysed/ or --out",
    )
    report.add_argument("--new", action="store_true", help="runs that have ended keep the sheets they have")
    report.add_argument("--csv", action="store_true", help="also results.csv: every power and every value, one a row")
    report.add_argument("--customer", action="store_true", help="also customers/: one A4 in plain words for each unit")
    report.add_argument(
        "--before", metavar="RUN", help="of the customer's page: LEDGER_OR_DIR[:SERIAL][@WHEN] of the state before"
    )
    report.set_defaults(run=_report)


def _add_plans(commands: Subparsers) -> None:
    plans = commands.add_parser("plans", help="what ships", epilog="Example: nightramp plans")
    plans.set_defaults(run=_plans)


def _add_schema(commands: Subparsers) -> None:
    schema = commands.add_parser(
        "schema", help="JSON Schema of every file and message", epilog="Example: nightramp schema plan"
    )
    schema.add_argument("kind", nargs="?", help="one of the kinds; without it all, as one object")
    schema.set_defaults(run=_schema)


def _report(arguments: argparse.Namespace) -> int:
    from sequencer.report.pages import read_night, write_pages

    if arguments.before and not arguments.customer:
        remedy = "it is of the customer's page: give --customer too"
        raise InputRefused([Problem("command line", "--before", arguments.before, remedy)])
    if arguments.reanalyse:
        return _reanalyse(arguments, read_night(arguments.night))
    page = write_pages(arguments.night, arguments.run_id, arguments.out, only_new=arguments.new)
    say(sys.stdout, f"pages: {page}")
    if arguments.csv or arguments.customer:
        _more(arguments, read_night(arguments.night))
    return EXIT_DONE


def _more(arguments: argparse.Namespace, results: Mapping[str, Any]) -> None:
    """What stands beside the sheets, for spreadsheets and for the units' owners."""
    from sequencer.comparing.before import before_each
    from sequencer.comparing.files import write_customers, write_results_csv

    runs = [run for run in results["runs"] if arguments.run_id in (None, run["id"])]
    out = arguments.out or (arguments.night if arguments.night.is_dir() else arguments.night.parent)
    if arguments.csv:
        say(sys.stdout, f"table: {write_results_csv(out, {**results, 'runs': runs})}")
    if arguments.customer:
        before = before_each(runs, results["runs"], arguments.before)
        written = write_customers(out, runs, before, results.get("suspect"))
        say(sys.stdout, f"for customers: {len(written)} in {written[0].parent}" if written else "no runs")


def _reanalyse(arguments: argparse.Namespace, results: Mapping[str, object]) -> int:
    from sequencer.ledger.results import RESULTS_NAME, results_text, write_whole
    from sequencer.reanalyse import CHANGES_NAME, REANALYSED, changes_text, reanalyse, results_again, told
    from sequencer.report.pages import write_pages

    folder = arguments.night if arguments.night.is_dir() else arguments.night.parent
    out, found = arguments.out or folder / REANALYSED, reanalyse(folder, results)
    now = results_again(results, found)
    out.mkdir(parents=True, exist_ok=True)
    write_whole(out / RESULTS_NAME, results_text(now).encode())
    write_whole(out / CHANGES_NAME, changes_text(found).encode())
    for line in told(found):
        say(sys.stdout, line)
    say(sys.stdout, f"pages: {write_pages(folder, arguments.run_id, out, now)}")
    return EXIT_DONE


def _plans(arguments: argparse.Namespace) -> int:
    from sequencer.plan.load import shipped

    for kind, names in shipped().items():
        print(f"{kind}:")
        for name, title in names.items():
            print(f"  {name:24} {title}")
    return EXIT_DONE


def _schema(arguments: argparse.Namespace) -> int:
    from sequencer.on_paper import schemas

    every = schemas()
    if arguments.kind is None:
        print(json.dumps(every, indent=1, sort_keys=True))
        return EXIT_DONE
    if arguments.kind not in every:
        print(f"schema: {arguments.kind!r}: one of {', '.join(sorted(every))}", file=sys.stderr)
        return EXIT_REFUSED
    print(json.dumps(every[arguments.kind], indent=1, sort_keys=True))
    return EXIT_DONE
