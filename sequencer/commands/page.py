"""The options of a live page, and the page of a command that wants one."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from sequencer.errors import InputRefused, Problem

if TYPE_CHECKING:
    from sequencer.page.wish import Wish

DEFAULT = "127.0.0.1:8674"


def add_page(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--page",
        metavar="HOST:PORT",
        nargs="?",
        const=DEFAULT,
        help=f"a page for browsers to look on, and to STOP; without HOST:PORT at {DEFAULT}; beyond this machine it "
        "wants a certificate",
    )
    parser.add_argument("--page-certificate", metavar="FILE", type=Path, help="of the page, in PEM: it then speaks TLS")
    parser.add_argument(
        "--page-key", metavar="FILE", type=Path, help="of that certificate, in PEM, without a passphrase"
    )


def page_wish(arguments: argparse.Namespace) -> Wish | None:
    """None where no page is asked for. Raises InputRefused."""
    from sequencer.page.wish import wish_of

    if arguments.page is None:
        for name in ("page_certificate", "page_key"):
            if (given := getattr(arguments, name)) is not None:
                words = "it is of a page: give --page too"
                raise InputRefused([Problem("command line", f"--{name.replace('_', '-')}", str(given), words)])
        return None
    return wish_of(arguments.page, arguments.page_certificate, arguments.page_key)
