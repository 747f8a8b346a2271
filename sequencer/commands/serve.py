"""`serve` and `status`: the queue worked through on a bench, night after night, and how that stands."""

from __future__ import annotations

import argparse
import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from sequencer.commands.page import add_page, page_wish
from sequencer.commands.shared import COMMANDS, Subparsers, add_proof, proof_asked, refuse_commands_without_broker
from sequencer.errors import EXIT_DONE, InputRefused, Problem
from sequencer.view.out import say

RECORD = "each night's links written into a file of its own there, every byte; `nightramp replay` plays one again"

if TYPE_CHECKING:
    from sequencer.daemon.wish import Wish


def add(commands: Subparsers) -> None:
    """Its commands, with what each takes."""
    _add_serve(commands)
    _add_status(commands)


def _add_serve(commands: Subparsers) -> None:
    serve = commands.add_parser(
        "serve",
        help="works through the queue of a ledger on the bench's instruments, each entry a guarded night of its own",
        epilog="Example: nightramp serve --bench workshop --ledger ./nights --window 22:00-07:00",
    )
    serve.add_argument("--bench", required=True, metavar="BENCH", help="a path or a shipped name")
    serve.add_argument("--ledger", required=True, metavar="F", type=Path, help="the ledger, or its folder")
    serve.add_argument("--armed-by", metavar="NAME", help="who answers for it, where nobody is there to type the word")
    add_proof(serve)
    serve.add_argument("--broker", metavar="URL", help="publish over MQTT while it measures, as in dry-run")
    serve.add_argument("--commands", action="store_true", help=COMMANDS)
    serve.add_argument(
        "--window", metavar="HH:MM-HH:MM", help="begins only what can end in these hours; default: always"
    )
    serve.add_argument(
        "--reference", metavar="UNIT@BAY", help="a unit measured before the first entry and after the last one"
    )
    serve.add_argument("--reference-plan", metavar="PLAN", help="the plan it is measured under")
    add_page(serve)
    serve.add_argument("--record", metavar="DIR/", type=Path, help=RECORD)
    serve.add_argument("--once", action="store_true", help="ends as soon as nothing can be taken any more")
    serve.add_argument(
        "--print-unit", action="store_true", help="prints a unit file for systemd, and does nothing else"
    )
    serve.set_defaults(run=_serve)


def _add_status(commands: Subparsers) -> None:
    status = commands.add_parser(
        "status",
        help="who holds the bench, what is under way, queue, messages, last trip, room on the disk",
        epilog="Example: nightramp status --ledger ./nights",
    )
    status.add_argument("--ledger", metavar="F", type=Path, help="the ledger, or its folder")
    status.add_argument("--bench", metavar="BENCH", help="a path or a shipped name")
    status.add_argument("--json", action="store_true", help="for programs")
    status.set_defaults(run=_status)


def _serve(arguments: argparse.Namespace) -> int:
    from sequencer.daemon.serve import serve
    from sequencer.view.choose import listener_for

    wish = _wish(arguments)
    if arguments.print_unit:
        sys.stdout.write(_unit_text(arguments, wish))
        return EXIT_DONE
    listener = listener_for(sys.stdout, json=False)
    try:
        return serve(arguments.bench, wish, listener, input if sys.stdin.isatty() else None)
    finally:
        getattr(listener, "close", lambda: None)()


def _wish(arguments: argparse.Namespace) -> Wish:
    from sequencer.daemon.hours import hours_of
    from sequencer.daemon.wish import Wish
    from sequencer.ledger.opening import ledger_at
    from sequencer.publish.broker_file import broker_named
    from sequencer.recording import record_folder

    refuse_commands_without_broker(arguments)
    if (arguments.reference is None) != (arguments.reference_plan is None):
        remedy = "--reference UNIT@BAY and --reference-plan PLAN go together"
        raise InputRefused([Problem("command line", "--reference", str(arguments.reference), remedy)])
    return Wish(
        ledger=ledger_at(arguments.ledger),
        armed_by=arguments.armed_by,
        broker=None if arguments.broker is None else broker_named(arguments.broker, os.environ),
        hours=None if arguments.window is None else hours_of(arguments.window),
        reference=None if arguments.reference is None else (arguments.reference, arguments.reference_plan),
        once=arguments.once,
        commands=arguments.commands,
        proof=proof_asked(arguments),
        page=page_wish(arguments),
        record=None if arguments.record is None else record_folder(arguments.record),
    )


def _unit_text(arguments: argparse.Namespace, wish: Wish) -> str:
    """Names become paths: the service works in another folder. Raises InputRefused."""
    import getpass

    from sequencer.daemon.unit_file import Service, unit_text
    from sequencer.plan.load import load_bench
    from sequencer.proving.keep import record_path

    if not arguments.armed_by:
        remedy = "a service has no terminal: name who answers for it"
        raise InputRefused([Problem("command line", "--armed-by", "absent", remedy)])
    if wish.broker is not None and ":" in _user_of(arguments.broker):
        remedy = "a unit file is read by everybody: leave the password out, NIGHTRAMP_MQTT_PASSWORD may hold it"
        raise InputRefused([Problem("command line", "--broker", "with a password", remedy)])
    bench = load_bench(arguments.bench)
    words = [sys.executable, "-P", "-m", "sequencer", "serve", "--bench", str(bench.path.resolve())]
    words += ["--ledger", str(wish.ledger), "--armed-by", arguments.armed_by]
    for name in ("page_certificate", "page_key"):
        words += [f"--{name.replace('_', '-')}", str(path.resolve())] if (path := getattr(arguments, name)) else []
    for name in ("broker", "window", "page"):
        words += [f"--{name}", value] if (value := getattr(arguments, name)) else []
    record = record_path(bench, wish.proof.file).resolve()
    words += ["--proof", str(record)] if wish.proof.file or record.parent != bench.path.resolve().parent else []
    words += ["--unproved-by", wish.proof.unproved_by] if wish.proof.unproved_by else []
    words += [] if wish.record is None else ["--record", f"{wish.record}/"]
    words += _reference(arguments)
    return unit_text(Service(words, getpass.getuser(), str(wish.ledger.parent), bench.model.name))


def _reference(arguments: argparse.Namespace) -> list[str]:
    from sequencer.on_paper import read
    from sequencer.plan.inputs import parse_unit_argument

    if arguments.reference is None:
        return []
    inputs, _ = read(arguments.reference_plan, (arguments.reference,), arguments.bench)
    (unit,) = inputs.units
    serial = parse_unit_argument(arguments.reference).serial
    named = f"{unit.loaded.path.resolve()}{f':{serial}' if serial else ''}@{unit.bay.name}"
    return ["--reference", named, "--reference-plan", str(inputs.plan.path.resolve())]


def _user_of(url: str) -> str:
    return url.rpartition("@")[0].partition("//")[2]


def _status(arguments: argparse.Namespace) -> int:
    from sequencer.daemon.status import status_lines, status_of
    from sequencer.ledger.opening import ledger_at

    if arguments.ledger is None and arguments.bench is None:
        remedy = "name the ledger (--ledger F), the bench (--bench BENCH), or both"
        raise InputRefused([Problem("command line", "--ledger, --bench", "absent", remedy)])
    ledger = None if arguments.ledger is None else ledger_at(arguments.ledger)
    found = status_of(ledger, arguments.bench)
    if arguments.json:
        print(json.dumps(found.as_json(), indent=1, sort_keys=True))
        return EXIT_DONE
    for line in status_lines(found):
        say(sys.stdout, line)
    return EXIT_DONE
