"""What several commands share."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from sequencer.errors import InputRefused, Problem

if TYPE_CHECKING:
    from sequencer.proving.keep import ProofAsked

    Subparsers: TypeAlias = argparse._SubParsersAction[argparse.ArgumentParser]
else:
    Subparsers = argparse._SubParsersAction


COMMANDS = "act on commands over MQTT (stop, make safe, hold, go on, queue, answer); whoever may publish may send them"


def refuse_commands_without_broker(arguments: argparse.Namespace) -> None:
    """Raises InputRefused."""
    if arguments.commands and arguments.broker is None and getattr(arguments, "broker_file", None) is None:
        raise InputRefused([Problem("command line", "--commands", "given", "commands come over a broker: name it too")])


def add_proof(parser: argparse.ArgumentParser) -> None:
    """--proof and --unproved-by, of what energises a real bench."""
    parser.add_argument(
        "--proof", metavar="FILE", type=Path, help="the bench's proof; default: <bench>.proof.json beside its file"
    )
    parser.add_argument("--unproved-by", metavar="NAME", help="who answers for a bench whose proof is absent or void")


def proof_asked(arguments: argparse.Namespace) -> ProofAsked:
    from sequencer.proving.keep import ProofAsked

    return ProofAsked(arguments.proof, arguments.unproved_by)


def unit_and_bench(parser: argparse.ArgumentParser) -> None:
    """--unit and --bench, where both have a default."""
    parser.add_argument(
        "--unit",
        action="append",
        default=[],
        metavar="FILE[:SERIAL][@BAY]",
        help="repeatable; default: the demo's five units, or the first bench's two for another plan",
    )
    parser.add_argument("--bench", metavar="BENCH", help="a path or a shipped name; default: the demo's, or the first")
