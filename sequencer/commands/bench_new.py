"""`bench`: a bench file from questions, and what stood in each bay when it was last looked at."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from sequencer.commands.shared import Subparsers
from sequencer.errors import EXIT_DONE
from sequencer.view.out import say

LOOK = (
    "list what this machine's VISA sees (it may call on the local network) and ask each, serial lines left out, for "
    "*IDN?; nothing else is sent. Without it nothing is touched"
)


def add(commands: Subparsers) -> None:
    """Its commands, with what each takes."""
    bench = commands.add_parser("bench", help="new: a bench file from questions; bays: which unit each bay looks like")
    kinds = bench.add_subparsers(required=True, metavar="WHAT")
    _add_new(kinds)
    _add_bays(kinds)


def _add_new(kinds: Subparsers) -> None:
    new = kinds.add_parser(
        "new",
        help="asks what stands on a bench, writes its file, never over another one",
        epilog="Example: nightramp bench new --out deck.toml --look",
    )
    new.add_argument("--out", metavar="FILE", type=Path, default=Path("bench.toml"), help="default: ./bench.toml")
    new.add_argument("--answers", metavar="FILE", type=Path, help="TOML with the answers, in place of a person's")
    new.add_argument("--look", action="store_true", help=LOOK)
    new.add_argument(
        "--at", metavar="ADDRESS", action="append", default=[], help="with --look: ask here too; repeatable"
    )
    new.set_defaults(run=_new)


def _add_bays(kinds: Subparsers) -> None:
    bays = kinds.add_parser(
        "bays",
        help="each bay's last unit held against what was seen before: the same unit, or another one",
        epilog="Example: nightramp bench bays ./last-tuesday ./tonight",
    )
    bays.add_argument(
        "nights", metavar="LEDGER_OR_DIR", type=Path, nargs="+", help="ledgers, results, or their folders"
    )
    bays.set_defaults(run=_bays)


def _new(arguments: argparse.Namespace) -> int:
    from sequencer.bench_new.making import New, make, next_steps
    from sequencer.errors import InputRefused, Problem

    if arguments.at and not arguments.look:
        remedy = "addresses are asked only with --look: add it, or leave them out"
        raise InputRefused([Problem("command line", "--at", arguments.at[0], remedy)])
    manager = None
    if arguments.look:
        from drivers.visa_session import resource_manager

        manager = resource_manager
    new = New(arguments.out, arguments.answers, manager, tuple(arguments.at))
    made = make(new, input, lambda line: say(sys.stdout, line))
    for line in next_steps(made):
        say(sys.stdout, line)
    return EXIT_DONE


def _bays(arguments: argparse.Namespace) -> int:
    from sequencer.measurements.signature import bays_told
    from sequencer.report.pages import read_night

    runs = [run for night in arguments.nights for run in read_night(night)["runs"]]
    for line in bays_told(runs):
        say(sys.stdout, line)
    return EXIT_DONE
