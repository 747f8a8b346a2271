"""`listen`: a small consumer of what a bench publishes."""

from __future__ import annotations

import argparse
import asyncio
import os
import sys
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from sequencer.commands.shared import Subparsers
from sequencer.errors import EXIT_DONE
from sequencer.view.out import say

if TYPE_CHECKING:
    from sequencer.clock import RealClock
    from sequencer.publish.listener import Listening


def add(commands: Subparsers) -> None:
    """Its commands, with what each takes."""
    listen = commands.add_parser(
        "listen",
        help="hears what a bench publishes over MQTT: each message once, in order; asks for gaps; until Ctrl-C",
        epilog="Example: nightramp listen mqtt://localhost --bench workshop --keep heard.jsonl",
    )
    listen.add_argument("broker", metavar="URL_OR_FILE", help="as --broker of dry-run")
    listen.add_argument("--bench", metavar="B", help="the bench's name, as in its file; default: all benches")
    listen.add_argument("--count", action="store_true", help="only the last line: how many, how many missing")
    listen.add_argument("--json", action="store_true", help="one JSON object a line; the count goes to stderr")
    listen.add_argument("--until-end", action="store_true", help="ends by itself after a night's last word")
    listen.add_argument("--keep", metavar="FILE", type=Path, help="JSON lines; started again, it goes on from there")
    listen.set_defaults(run=_listen)


def _listen(arguments: argparse.Namespace) -> int:
    from sequencer.clock import run_real
    from sequencer.ledger.names import safe_name
    from sequencer.publish.broker_file import broker_named
    from sequencer.publish.keep_file import KeepFile
    from sequencer.publish.listener import Listening

    broker = broker_named(arguments.broker, os.environ)
    level = "+" if arguments.bench is None else safe_name(arguments.bench)
    keep = None if arguments.keep is None else KeepFile(arguments.keep)
    asked = Listening(broker, level, _show(arguments), lambda line: say(sys.stderr, line), _now, keep)
    try:
        counted = run_real(lambda clock: _until_over(asked, clock, until_end=arguments.until_end))
    finally:
        if keep is not None:
            keep.close()
    say(sys.stderr if arguments.json else sys.stdout, counted)
    return EXIT_DONE


async def _until_over(asked: Listening, clock: RealClock, *, until_end: bool) -> str:
    from sequencer.night.supervise import listening
    from sequencer.publish.listener import Listener

    one = Listener(asked, clock)
    with listening() as stop:
        hearing = asyncio.create_task(one.run())
        waits = [asyncio.create_task(stop.first.wait())]
        ready = asyncio.create_task(one.ready.wait())
        ready.add_done_callback(partial(_said_ready, asked))
        if until_end:
            waits.append(asyncio.create_task(one.ended.wait()))
        await asyncio.wait((hearing, *waits), return_when=asyncio.FIRST_COMPLETED)
        if hearing.done():
            hearing.result()  # it ends only by raising
        await one.say_goodbye()
        for task in (hearing, ready, *waits):
            task.cancel()
        await asyncio.gather(hearing, ready, *waits, return_exceptions=True)
    return one.counted()


def _said_ready(asked: Listening, task: asyncio.Task[Literal[True]]) -> None:
    if not task.cancelled():
        asked.say(f"listening at {asked.broker.name}")


def _show(arguments: argparse.Namespace) -> Callable[[Mapping[str, Any]], None]:
    from sequencer.ledger.plain import row_to_line

    if arguments.count:
        return lambda body: None
    line = row_to_line if arguments.json else line_of
    return lambda body: say(sys.stdout, line(body))


def line_of(body: Mapping[str, Any]) -> str:
    """A checked message as one plain line: time, what it is, what it says. What can't be printed becomes `?`."""
    kind = str(body["schema_name"]).removeprefix("nightramp.")
    head = f"{body['time']} {body['bench']} {body['seq'] or 'live'} {kind}"
    return "".join(char if char.isprintable() else "?" for char in f"{head}: {_what(kind, body)}")


def _what(kind: str, body: Mapping[str, Any]) -> str:
    from sequencer.report.lines import point_line

    if kind == "point":
        try:
            return point_line(body["unit_serial"], body["point"])
        except (KeyError, TypeError, ValueError, AttributeError):  # newer or older than we are
            return f"{body['unit_serial']} {body['point']['id']}: {body['point']['outcome']}"
    if kind == "run":
        return f"{body['unit_serial']} {body['happening']}" + (f", {body['outcome']}" if body.get("outcome") else "")
    if kind == "trip":
        return f"{body['unit_serial']}: {body['trip']['sentence']}"
    if kind == "readings":
        heat = ", ".join(f"{name} {value:.1f} °C" for name, value in sorted(body["heatsink_c"].items()))
        return f"{body['supply_v']:.2f} V, {body['supply_a']:.3f} A" + (f"; {heat}" if heat else "")
    said = (body.get("state"), body.get("sentence"))
    return ": ".join(str(one) for one in said if one)


def _now() -> datetime:
    return datetime.now(UTC)  # noqa: TID251 (commands expire by the clock of those who send them)
