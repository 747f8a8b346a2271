"""`queue`: what is to be measured, in order; while `serve` works through it, or before."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from sequencer.commands.shared import Subparsers
from sequencer.errors import EXIT_DONE, InputRefused, Problem
from sequencer.view.out import say

if TYPE_CHECKING:
    from sequencer.ledger.queue import Entry

ALL = "all"
BY_A_PERSON = "held by a person"


def add(commands: Subparsers) -> None:
    """Its commands, with what each takes."""
    queue = commands.add_parser(
        "queue",
        help="what is to be measured, in order: add, list, move, hold, go-on, remove",
        epilog="Example: nightramp queue --ledger ./nights add first --bench workshop --unit ferry_pa_60",
    )
    queue.add_argument("--ledger", metavar="F", type=Path, help="the ledger, or its folder")
    acts = queue.add_subparsers(required=True, metavar="ACT")
    _add_add(acts)
    listed = _act(acts, "list", "all entries, in the order in which they are taken", _list)
    listed.add_argument("--json", action="store_true", help="for programs")
    moved = _act(acts, "move", "an entry is taken before another one", _move)
    moved.add_argument("number", metavar="N", type=int)
    moved.add_argument("--before", metavar="M", type=int, required=True, help="the number of that other entry")
    held = _act(acts, "hold", "an entry, or all that wait, not to be taken until go-on", _hold)
    held.add_argument("number", metavar="N|all", type=_number_or_all)
    on = _act(acts, "go-on", "a held entry, or all of them, wait again; their files are looked at anew", _go_on)
    on.add_argument("number", metavar="N|all", type=_number_or_all)
    removed = _act(acts, "remove", "an entry out of the queue; what was measured of it stays", _remove)
    removed.add_argument("number", metavar="N", type=int)


def _act(acts: Subparsers, name: str, words: str, run: Callable[[argparse.Namespace], int]) -> argparse.ArgumentParser:
    act = acts.add_parser(name, help=words)
    # Also where it stands behind the act; there is no default here that would undo what stood before it.
    act.add_argument("--ledger", metavar="F", type=Path, default=argparse.SUPPRESS, help="the ledger, or its folder")
    act.set_defaults(run=run)
    return act


def _add_add(acts: Subparsers) -> None:
    act = _act(acts, "add", "worked through as by `check`, then put behind what is there", _add)
    act.add_argument("plan", metavar="PLAN", nargs="?", help="a path or a shipped name; with --csv none")
    act.add_argument("--bench", metavar="BENCH", required=True, help="a path or a shipped name")
    act.add_argument(
        "--unit", action="append", default=[], metavar="FILE[:SERIAL][@BAY]", help="repeatable: an entry for each"
    )
    act.add_argument(
        "--csv", metavar="FILE", type=Path, help="a table: plan, unit, bay, label, repeat, after_trip, note"
    )
    act.add_argument("--label", default="", help="of its runs: as received, after repair, ...")
    act.add_argument("--repeat", type=int, default=1, metavar="N", help="how often (default 1)")
    act.add_argument(
        "--after-trip", default="go on", metavar="WORDS", help="'go on' (default), 'stop', 'hold the rest'"
    )
    act.add_argument("--note", default="", help="a line for people")


def _number_or_all(text: str) -> int | None:
    return None if text == ALL else int(text)


def _ledger(arguments: argparse.Namespace) -> Path:
    from sequencer.ledger.opening import ledger_at

    if arguments.ledger is None:
        raise InputRefused([Problem("command line", "--ledger", "absent", "name the ledger, or the folder it is in")])
    return ledger_at(arguments.ledger)


def _add(arguments: argparse.Namespace) -> int:
    from sequencer.daemon.adding import Wanted, entries_of
    from sequencer.daemon.csv_rows import wanted_in
    from sequencer.daemon.words import added_lines
    from sequencer.ledger.queue import Queue
    from sequencer.whole_night import make_folder

    path = _ledger(arguments)
    problems: list[Problem] = []
    if (arguments.csv is None) == (arguments.plan is None and not arguments.unit):
        remedy = "either a PLAN with --unit, or --csv FILE"
        raise InputRefused([Problem("command line", "PLAN", str(arguments.plan), remedy)])
    if arguments.csv is not None:
        wanted, problems = wanted_in(arguments.csv)
    elif arguments.plan is None or not arguments.unit:
        raise InputRefused([Problem("command line", "PLAN, --unit", "absent", "name the plan, and each unit")])
    else:
        given = (arguments.label, arguments.repeat, arguments.after_trip, arguments.note)
        wanted = [Wanted(arguments.plan, unit, *given) for unit in arguments.unit]
    try:
        made = entries_of(wanted, arguments.bench, _there(path))
    except InputRefused as refused:
        raise InputRefused([*problems, *refused.problems]) from None
    if problems:
        raise InputRefused(problems)
    make_folder(path.parent)
    with Queue(path) as queue:
        numbers = queue.add(made, _now())
    for line in added_lines(numbers, made):
        say(sys.stdout, line)
    return EXIT_DONE


def _there(path: Path) -> list[Entry]:
    from sequencer.ledger.opening import read_as_input
    from sequencer.ledger.queue import Queue

    if not path.exists():
        return []
    with read_as_input(path), Queue(path, read_only=True) as queue:
        return list(queue.entries("waiting", "taken", "held"))


def _list(arguments: argparse.Namespace) -> int:
    from sequencer.daemon.words import queue_lines
    from sequencer.ledger.opening import read_as_input
    from sequencer.ledger.queue import Queue

    path = _ledger(arguments)
    with read_as_input(path), Queue(path, read_only=True) as queue:
        entries = queue.entries()
    if arguments.json:
        told = [one.model_dump() | {"run_id": one.run_id} for one in entries]
        print(json.dumps({"format": 1, "entries": told}, indent=1, sort_keys=True))
        return EXIT_DONE
    for line in queue_lines(entries):
        say(sys.stdout, line)
    return EXIT_DONE


def _move(arguments: argparse.Namespace) -> int:
    from sequencer.ledger.queue import Queue

    with Queue(_existing(arguments)) as queue:
        queue.move(arguments.number, arguments.before)
    say(sys.stdout, f"entry {arguments.number} is taken before entry {arguments.before}")
    return EXIT_DONE


def _hold(arguments: argparse.Namespace) -> int:
    from sequencer.daemon.words import numbers_in_words
    from sequencer.ledger.queue import Queue

    with Queue(_existing(arguments)) as queue:
        held = queue.hold(arguments.number, BY_A_PERSON)
    say(sys.stdout, f"held: {numbers_in_words(held)}; what is being measured now goes on")
    return EXIT_DONE


def _go_on(arguments: argparse.Namespace) -> int:
    """All or none: an entry whose files are refused now keeps the others held too."""
    from sequencer.daemon.adding import again
    from sequencer.daemon.words import numbers_in_words
    from sequencer.ledger.queue import Queue

    with Queue(_existing(arguments)) as queue:
        entries = queue.entries("held") if arguments.number is None else [queue.entry(arguments.number)]
        anew = [(one.number, again(one)) for one in entries]
        for number, asked in anew:
            queue.go_on(number, asked)
    say(sys.stdout, f"waiting: {numbers_in_words([number for number, _ in anew])}")
    return EXIT_DONE


def _remove(arguments: argparse.Namespace) -> int:
    from sequencer.ledger.queue import Queue

    with Queue(_existing(arguments)) as queue:
        queue.remove(arguments.number)
    say(sys.stdout, f"entry {arguments.number} removed")
    return EXIT_DONE


def _existing(arguments: argparse.Namespace) -> Path:
    """A ledger that is there: only `add` makes one."""
    path = _ledger(arguments)
    if not path.is_file():
        raise InputRefused([Problem(str(path), "ledger", "not found", "`nightramp queue add` makes it")])
    return path


def _now() -> str:
    from datetime import UTC, datetime

    return datetime.now(UTC).isoformat(timespec="seconds")  # noqa: TID251 (told to a person)
