"""`simulate` and `make-safe`: a bench for other processes, and the bench made safe now."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from sequencer.commands import bench_new
from sequencer.commands.shared import Subparsers
from sequencer.errors import EXIT_DONE
from sequencer.view.out import say


def add(commands: Subparsers) -> None:
    """Its commands, with what each takes."""
    _add_simulate(commands)
    _add_make_safe(commands)
    bench_new.add(commands)


def _add_simulate(commands: Subparsers) -> None:
    simulated = commands.add_parser(
        "simulate",
        help="simulated instruments for other processes, as TCP servers in real time, until Ctrl-C",
        epilog="Example: nightramp simulate --bench workshop --unit ferry_pa_60 --log said.jsonl",
    )
    simulated.add_argument("--bench", required=True, metavar="BENCH", help="a path or a shipped name")
    simulated.add_argument(
        "--unit", action="append", default=[], metavar="FILE[:SERIAL][@BAY]", help="repeatable; other bays are empty"
    )
    simulated.add_argument("--faults", metavar="FILE", type=Path, help="declared faults; default: the bench's own file")
    simulated.add_argument("--log", metavar="FILE", type=Path, help="every message with its reply, a JSON line each")
    simulated.add_argument("--seed", type=int, default=1, help="of all simulated chance (default 1)")
    simulated.add_argument(
        "--bench-out", metavar="FILE", type=Path, help="the bench file once more, with the addresses that lead here"
    )
    simulated.add_argument("--ports-file", metavar="FILE", type=Path, help="JSON, role: port, once all listen")
    simulated.set_defaults(run=_simulate)


def _add_make_safe(commands: Subparsers) -> None:
    safe = commands.add_parser(
        "make-safe",
        help="the bench made safe now, whoever holds it: signal and supply off, rail down, contacts open",
        epilog="Example: nightramp make-safe --bench workshop",
    )
    safe.add_argument("--bench", metavar="BENCH", help="a path or a shipped name; may be broken if a night froze it")
    safe.add_argument("--frozen", metavar="FILE", type=Path, help="a frozen file, instead of the bench's")
    safe.add_argument("--again-for", metavar="S", type=float, default=20.0, help="how long failed acts are tried again")
    safe.set_defaults(run=_make_safe)


def _simulate(arguments: argparse.Namespace) -> int:
    from sequencer.compose import Simulate, simulate
    from sequencer.simulating import Files

    files = Files(arguments.log, arguments.bench_out, arguments.ports_file)
    asked = Simulate(arguments.bench, tuple(arguments.unit), arguments.faults, arguments.seed, files)
    simulate(asked, lambda line: say(sys.stdout, line))
    return EXIT_DONE


def _make_safe(arguments: argparse.Namespace) -> int:
    from sequencer.make_safe_now import Asked, make_safe_now

    asked = Asked(arguments.bench, arguments.frozen, arguments.again_for)
    return make_safe_now(asked, lambda line: say(sys.stdout, line))
