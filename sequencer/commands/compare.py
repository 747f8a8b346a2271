"""`compare`: before and after, a unit against its model, a bench over the years, a batch."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from sequencer.commands.shared import Subparsers
from sequencer.errors import EXIT_DONE, InputRefused, Problem
from sequencer.view.out import say

if TYPE_CHECKING:
    from sequencer.comparing.rows_of import Rows
    from sequencer.report.blocks import Page

WAYS = ("runs", "model", "history", "batch")  # as in comparing/rows_of.py, which is slow to come in
MODEL_RUNS_AT_MOST = 200


def add(commands: Subparsers) -> None:
    """Its command, with what it takes."""
    compare = commands.add_parser(
        "compare",
        help="runs of one unit, a unit against its model, a unit over the years, a batch: what differs, and how surely",
        epilog='Example: nightramp compare "./nights:MV-0132@as received" "./nights:MV-0132@repaired" --out ./paper',
    )
    compare.add_argument(
        "places",
        nargs="+",
        metavar="RUN",
        help="LEDGER_OR_DIR[:SERIAL][@LABEL, @DATE or @RUN_ID]; a folder of folders counts as one place",
    )
    compare.add_argument(
        "--by",
        choices=WAYS,
        default="runs",
        help="runs: the first against each other one (of one RUN: its unit's first run and its last; default); model: "
        "a unit against the healthy ones of its model; history: one unit over all its runs, by default the reference "
        "unit; batch: all units of a place",
    )
    compare.add_argument("--last", metavar="N", type=int, default=100, help="of a batch: so many units (default 100)")
    told = compare.add_mutually_exclusive_group()
    told.add_argument("--json", action="store_true", help="all of it as JSON")
    told.add_argument("--csv", action="store_true", help="all of it as CSV")
    compare.add_argument("--out", metavar="DIR", type=Path, help="also writes compare.html, compare.json, compare.csv")
    compare.set_defaults(run=_compare)


def _compare(arguments: argparse.Namespace) -> int:
    from sequencer.comparing.plain_text import page_text
    from sequencer.comparing.rows_of import json_text, table_text

    page, rows = _asked(arguments)
    written = []
    if arguments.out:
        from sequencer.comparing.files import write_comparison  # templates are slow to come in

        written = write_comparison(arguments.out, arguments.by, page, rows)
    if arguments.json:
        sys.stdout.write(json_text(arguments.by, rows))
    elif arguments.csv:
        sys.stdout.write(table_text(rows))
    else:
        sys.stdout.write(page_text(page))
    for path in written[:1]:
        say(sys.stderr if arguments.json or arguments.csv else sys.stdout, f"page: {path}")
    return EXIT_DONE


def _asked(arguments: argparse.Namespace) -> tuple[Page, Rows]:
    words: Sequence[str] = arguments.places
    if arguments.by != "runs" and len(words) > 1:
        remedy = f"one RUN with --by {arguments.by}; several are compared by runs"
        raise InputRefused([Problem("command line", "RUN", " ".join(words[1:]), remedy)])
    if not 1 <= arguments.last <= 100_000:
        raise InputRefused([Problem("command line", "--last", str(arguments.last), "units, 1 to 100000")])
    return {"runs": _runs, "model": _model, "history": _history, "batch": _batch}[arguments.by](words, arguments.last)


def _runs(words: Sequence[str], last: int) -> tuple[Page, Rows]:
    from sequencer.comparing.choose import pairs_asked
    from sequencer.comparing.differences import pair
    from sequencer.comparing.rows_of import rows_of_pairs
    from sequencer.comparing.told import page_of_pairs

    pairs = [pair(first, second) for first, second in pairs_asked(words)]
    return page_of_pairs(pairs), rows_of_pairs(pairs)


def _model(words: Sequence[str], last: int) -> tuple[Page, Rows]:
    from sequencer.comparing.choose import model_asked
    from sequencer.comparing.differences import against_model
    from sequencer.comparing.rows_of import rows_of_model
    from sequencer.comparing.told import page_of_model

    unit, others = model_asked(words[0], MODEL_RUNS_AT_MOST)
    found = against_model(unit, others)
    return page_of_model(unit, found, len(others)), rows_of_model(unit, found)


def _history(words: Sequence[str], last: int) -> tuple[Page, Rows]:
    from sequencer.comparing.choose import reference_asked
    from sequencer.comparing.history import histories
    from sequencer.comparing.rows_of import rows_of_history
    from sequencer.comparing.told import page_of_history

    runs = reference_asked(words[0])
    found = histories(runs)
    return page_of_history(runs, found), rows_of_history(found)


def _batch(words: Sequence[str], last: int) -> tuple[Page, Rows]:
    from sequencer.comparing.batches import usual
    from sequencer.comparing.choose import batch_asked
    from sequencer.comparing.rows_of import rows_of_batch
    from sequencer.comparing.told import page_of_batch

    runs = batch_asked(words[0], last)
    found = usual(runs)
    return page_of_batch(runs, found), rows_of_batch(found)
