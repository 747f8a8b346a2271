"""`ledger`: is it sound, a copy of it, and what may go."""

from __future__ import annotations

import argparse
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sequencer.commands.shared import Subparsers
from sequencer.errors import EXIT_DONE, EXIT_FAULT, InputRefused, Problem
from sequencer.view.out import say


def add(commands: Subparsers) -> None:
    """Its commands, with what each takes."""
    ledger = commands.add_parser(
        "ledger",
        help="house-keeping: is a ledger sound, a copy of it, what may go",
        epilog="Example: nightramp ledger backup ./tonight --to /media/copies/tonight.sqlite",
    )
    acts = ledger.add_subparsers(required=True, metavar="WHAT")
    check = acts.add_parser("check", help="the file, its references, the traces that its rows name")
    copy = acts.add_parser("backup", help="one consistent copy, also while a night is writing")
    copy.add_argument("--to", metavar="FILE", type=Path, required=True, help="a new file, or a folder for it")
    tidy = acts.add_parser("tidy", help="traces, kept shots and confirmed messages of old runs; shows, then does")
    tidy.add_argument("--older-than", metavar="DAYS", type=float, required=True, help="counted from a run's end")
    tidy.add_argument("--yes", action="store_true", help="do it; without it, it is only told what would go")
    for one, run in ((check, _check), (copy, _backup), (tidy, _tidy)):
        one.add_argument("place", metavar="LEDGER_OR_DIR", type=Path, help="a ledger, or its folder")
        one.set_defaults(run=run)


def _check(arguments: argparse.Namespace) -> int:
    from sequencer.ledger.upkeep import ledger_in, look

    found = look(ledger_in(arguments.place))
    for line in (*found.facts, *found.wrong):
        say(sys.stdout, line)
    say(sys.stdout, f"not sound: {len(found.wrong)} thing(s), above" if found.wrong else "sound")
    return EXIT_FAULT if found.wrong else EXIT_DONE


def _backup(arguments: argparse.Namespace) -> int:
    from sequencer.ledger.upkeep import backup, ledger_in

    size = backup(ledger_in(arguments.place), arguments.to)
    say(sys.stdout, f"copied and looked through: {arguments.to}, {size / 1e6:.1f} MB")
    return EXIT_DONE


def _tidy(arguments: argparse.Namespace) -> int:
    from sequencer.ledger.upkeep import drop, ledger_in, old

    days = arguments.older_than
    if not 0.0 <= days < 36500.0:
        raise InputRefused([Problem("command line", "--older-than", f"{days:g}", "days, 0 to 36500")])
    ledger, before = ledger_in(arguments.place), datetime.now(UTC) - timedelta(days=days)  # noqa: TID251 (a person's)
    found = old(ledger, before)
    size = found.bytes()
    what = f"{len(found.traces)} traces, {len(found.shots)} points' shots, {found.messages} confirmed messages"
    say(sys.stdout, f"of {len(found.runs)} runs that ended before {before:%Y-%m-%d}: {what}; {size / 1e6:.1f} MB")
    if arguments.yes:
        drop(ledger, found, before)
        say(sys.stdout, "gone; all rows of results are as they were")
    else:
        say(sys.stdout, "nothing was touched; --yes does it")
    return EXIT_DONE
