"""`instruments`: who answers on a bench, and, with --prove, the bench proved with no unit connected."""

from __future__ import annotations

import argparse
import json
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from sequencer.commands.shared import Subparsers
from sequencer.errors import EXIT_DONE, EXIT_NOT_CONFIRMED_SAFE, InputRefused, Problem
from sequencer.view.out import say

if TYPE_CHECKING:
    from sequencer.prove_bench import ProveAsked


def add(commands: Subparsers) -> None:
    """Its command, with what it takes."""
    parser = commands.add_parser(
        "instruments",
        help="who answers on a bench; with --prove: the bench proved with no unit connected, and the record kept",
        epilog="Example: nightramp instruments --bench deck.toml --prove",
    )
    parser.add_argument("--bench", required=True, metavar="BENCH", help="a path or a shipped name")
    parser.add_argument("--prove", action="store_true", help="drives the bench's outputs: no unit may be connected")
    parser.add_argument("--by", metavar="NAME", help="who answers for it, where nobody is there to type the word")
    parser.add_argument(
        "--proof", metavar="FILE", type=Path, help="the record; default: <bench>.proof.json beside the bench's file"
    )
    parser.add_argument(
        "--simulated", action="store_true", help="on simulated instruments in simulated time; no real start counts it"
    )
    parser.add_argument("--json", action="store_true", help="for programs")
    parser.set_defaults(run=_instruments)


def _instruments(arguments: argparse.Namespace) -> int:
    from sequencer.prove_bench import ProveAsked

    asked = ProveAsked(arguments.bench, arguments.by, arguments.proof, arguments.simulated)
    if not arguments.prove:
        if arguments.by:
            raise InputRefused([Problem("command line", "--by", arguments.by, "goes with --prove: nothing is driven")])
        return _who(asked, as_json=arguments.json)
    return _prove(asked, as_json=arguments.json)


def _who(asked: ProveAsked, *, as_json: bool) -> int:
    from sequencer.prove_bench import who_is_there
    from sequencer.proving.keep import ProofAsked, looked_up
    from sequencer.proving.printing import standing_lines, who_json, who_lines
    from sequencer.roles import load_dialects

    bench, every = who_is_there(asked)
    now = datetime.now(UTC)  # noqa: TID251 (proofs age)
    answers: dict[str, str] = {} if asked.simulated else {one.role: one.identity for one in every if one.identity}
    proof = looked_up(ProofAsked(asked.proof), bench, load_dialects(bench), now, answers)
    if as_json:
        print(json.dumps(who_json(bench.model, every, proof), indent=1, sort_keys=True))
    else:
        where = f"{bench.name}, simulated" if asked.simulated else bench.name
        for line in (*who_lines(bench.model, where, every), *standing_lines(proof)):
            say(sys.stdout, line)
    return EXIT_DONE if all(one.identity is not None for one in every) else EXIT_NOT_CONFIRMED_SAFE


def _prove(asked: ProveAsked, *, as_json: bool) -> int:
    from sequencer.prove_bench import prove_bench
    from sequencer.proving.printing import proof_lines

    out = sys.stderr if as_json else sys.stdout  # stdout belongs to a program then
    done = prove_bench(asked, lambda line: say(out, line), input if sys.stdin.isatty() else None)
    if done.proof is not None:
        for line in proof_lines(done.proof):
            say(out, line)
        say(out, f"kept in {done.path}")
    for line in done.lines:
        say(out, line)
    if as_json:
        told = None if done.proof is None else json.loads(done.proof.model_dump_json())
        print(json.dumps({"exit_code": done.exit_code, "proof": told}, indent=1, sort_keys=True))
    return done.exit_code
