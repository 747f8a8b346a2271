"""`dialect`: a dialect file checked without an instrument, and told line by line."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from sequencer.commands.shared import Subparsers
from sequencer.errors import EXIT_DONE, InputRefused, Problem
from sequencer.view.out import say


def add(commands: Subparsers) -> None:
    """Its command, with what it takes."""
    dialect = commands.add_parser(
        "dialect",
        help="a dialect file checked without an instrument: what it would send, what it makes of the replies it shows",
        epilog="Example: nightramp dialect mine.dialect.toml",
    )
    dialect.add_argument("file", metavar="FILE_OR_NAME", help="a file that ends in .toml, or a shipped name")
    dialect.add_argument("--channel", metavar="N", type=int, default=1, help="of the instrument (default 1)")
    dialect.set_defaults(run=_dialect)


def _dialect(arguments: argparse.Namespace) -> int:
    from drivers.dialect import DialectProblems, load_any
    from drivers.dialect_told import told_lines

    name = arguments.file
    if name.endswith(".toml"):
        name = str(Path(name))
    try:
        dialect = load_any(name, arguments.channel)
    except DialectProblems as wrong:
        raise InputRefused([Problem(p.file, p.key, p.found, p.remedy) for p in wrong.problems]) from None
    for line in told_lines(dialect):
        say(sys.stdout, line)
    say(
        sys.stdout, "whole: each message renders and each sample reply reads as it says; now prove it on the instrument"
    )
    return EXIT_DONE
