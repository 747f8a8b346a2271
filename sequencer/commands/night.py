"""`check`, `dry-run` and `run`: a plan on paper, on simulated instruments, on the bench's own."""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from sequencer.commands.page import add_page, page_wish
from sequencer.commands.shared import (
    COMMANDS,
    Subparsers,
    add_proof,
    proof_asked,
    refuse_commands_without_broker,
    unit_and_bench,
)
from sequencer.errors import EXIT_DONE, InputRefused, Problem
from sequencer.view.out import say

if TYPE_CHECKING:
    from sequencer.compose import DryRun
    from sequencer.page.wish import Opened
    from sequencer.publish.demo_feed import DemoFeed
    from sequencer.whole_night import Done

KEEP_SHOTS = "keep all shots whole, under shots/, so that `report --reanalyse` can do the night again"

RECORD = "write every byte of the links down, both ways, with its time; `nightramp replay` plays it again"


def add(commands: Subparsers) -> None:
    """Its commands, with what each takes."""
    _add_check(commands)
    _add_dry_run(commands)
    _add_run(commands)


def _add_check(commands: Subparsers) -> None:
    check = commands.add_parser(
        "check",
        help="the plan worked through on paper; touches nothing",
        epilog="Example: nightramp check first --unit ferry_pa_60",
    )
    check.add_argument("plan", metavar="PLAN", help="a path, or the name of a shipped plan")
    unit_and_bench(check)
    check.add_argument("--json", action="store_true", help="for programs")
    check.set_defaults(run=_check)


def _add_dry_run(commands: Subparsers) -> None:
    dry = commands.add_parser(
        "dry-run",
        help="the plan on simulated instruments in simulated time, through the real drivers",
        epilog="Example: nightramp dry-run first --seed 7 --out ./rehearsal",
    )
    dry.add_argument("plan", metavar="PLAN", nargs="?", help="a path or a shipped name; without it the demo")
    unit_and_bench(dry)
    dry.add_argument("--out", metavar="DIR", type=Path, help="default: ./nightramp-<run id>")
    dry.add_argument("--resume", metavar="DIR", type=Path, help="go on with a rehearsal that died; takes no PLAN")
    dry.add_argument("--seed", type=int, help="of all simulated chance (default 1)")
    dry.add_argument("--speed", type=float, metavar="N", help="N bench seconds a second, to watch it; default: at once")
    add_page(dry)
    dry.add_argument(
        "--broker",
        metavar="URL_OR_FILE",
        help="publish over MQTT while it runs: mqtt://[user[:password]@]host[:port], mqtts:// for TLS, or a TOML file "
        "that names certificates; a password may also come from NIGHTRAMP_MQTT_PASSWORD",
    )
    dry.add_argument(
        "--answers",
        metavar="FILE",
        type=Path,
        help="plays the person who is asked: a line for each question, as typed, * for what a willing one says; after "
        "the last line nobody answers. An empty file: a willing one, always",
    )
    dry.add_argument("--keep-shots", action="store_true", help=KEEP_SHOTS)
    dry.add_argument("--record", metavar="FILE_OR_DIR/", help=RECORD)
    dry.add_argument("--json", action="store_true", help="for programs")
    dry.set_defaults(run=_dry_run)


def _add_run(commands: Subparsers) -> None:
    real = commands.add_parser(
        "run",
        help="the plan on the bench's instruments, in real time; says what it may do and wants a word first",
        epilog="Example: nightramp run first --bench workshop --unit ferry_pa_60 --out ./tonight",
    )
    real.add_argument("plan", metavar="PLAN", nargs="?", help="a path, or the name of a shipped plan")
    real.add_argument(
        "--unit", action="append", default=[], metavar="FILE[:SERIAL][@BAY]", help="repeatable, in bay order"
    )
    real.add_argument("--bench", metavar="BENCH", help="a path or a shipped name")
    real.add_argument(
        "--resume", metavar="DIR", type=Path, help="go on with a night that died; takes no PLAN, --unit, --bench, --out"
    )
    real.add_argument("--out", metavar="DIR", type=Path, help="default: ./nightramp-<run id>")
    real.add_argument("--armed-by", metavar="NAME", help="who answers for it, where nobody is there to type the word")
    add_proof(real)
    real.add_argument("--commands", action="store_true", help=COMMANDS)
    real.add_argument("--broker", metavar="URL_OR_FILE", help="publish over MQTT while it runs, as in dry-run")
    real.add_argument("--keep-shots", action="store_true", help=KEEP_SHOTS)
    real.add_argument("--record", metavar="FILE_OR_DIR/", help=RECORD)
    real.set_defaults(run=_run)


def _check(arguments: argparse.Namespace) -> int:
    from sequencer.on_paper import check

    done = check(arguments.plan, arguments.unit, arguments.bench)
    print(json.dumps(done.as_json(), indent=1, sort_keys=True) if arguments.json else done.text())
    if done.refused:
        raise InputRefused(done.refused)
    return EXIT_DONE


def _dry_run(arguments: argparse.Namespace) -> int:
    from sequencer.compose import DryRun
    from sequencer.page.showing import opened_page
    from sequencer.publish.broker_file import broker_named
    from sequencer.publish.demo_feed import NO_EXTRA
    from sequencer.recording import named_file
    from sequencer.resuming import begun

    _refuse_mixed(arguments)
    wish = page_wish(arguments)
    asked = DryRun(
        plan=arguments.plan,
        units=tuple(arguments.unit),
        bench=arguments.bench,
        out=arguments.out,
        seed=1 if arguments.seed is None else arguments.seed,
        speed=arguments.speed,
        broker=None if arguments.broker is None else broker_named(arguments.broker, os.environ),
        keep_shots=arguments.keep_shots,
        answers=None if arguments.answers is None else _answers(arguments.answers),
        again=None if arguments.resume is None else begun(arguments.resume, simulated=True),
        record=None if arguments.record is None else named_file(arguments.record),
    )
    with _own_broker(asked, arguments.json) as feed:
        asked = asked if feed is None else replace(asked, broker=feed.broker)
        with opened_page(wish) as page:
            done, beside, pages = _rehearsed(asked, arguments.json, page)
        if feed is not None and done.told is not None:
            say(beside, feed.closing(done.told.sent))
        elif asked.broker is None:
            say(beside, NO_EXTRA)
        if pages is not None:
            say(beside, pages)
    return done.exit_code


def _answers(path: Path) -> tuple[str, ...]:
    """Lines that say something. Raises InputRefused."""
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise InputRefused([Problem("command line", "--answers", str(path), f"can't be read: {error}")]) from None
    return tuple(line.strip().lower() for line in lines if line.strip())


def _rehearsed(asked: DryRun, quiet: bool, page: Opened | None) -> tuple[Done, TextIO, str | None]:
    """The night; where what is said besides belongs; and where its pages are. page: shown until these are drawn."""
    from sequencer.compose import dry_run
    from sequencer.night.listen import Several
    from sequencer.page.showing import of_rehearsal
    from sequencer.report.child import pages_in_child
    from sequencer.view.choose import watching
    from sequencer.view.words import both_times, shares

    begun_s = _real_s()
    with ExitStack() as until_drawn:
        with watching(sys.stdout, quiet) as listener:
            board = until_drawn.enter_context(of_rehearsal(page, _bench_of(asked), asked.out, listener.said))
            heard = Several((listener, board)) if board else listener
            done = dry_run(replace(asked, listener=heard, onlooker=board), say=heard.said)
        ended_s = _real_s()
        say(sys.stdout, json.dumps(done.summary(), indent=1, sort_keys=True) if quiet else done.text)
        beside = sys.stderr if quiet else sys.stdout  # stdout belongs to a program then
        pages = pages_in_child(done.out) if done.results["runs"] else None
    say(beside, both_times(done.bench_s, ended_s - begun_s))
    say(beside, shares(dict(done.worked_s) | {"pages": _real_s() - ended_s}, _real_s() - begun_s))
    return done, beside, pages


def _bench_of(asked: DryRun) -> str:
    """Its name, as far as it is known before anything is read."""
    from sequencer.on_paper import DEMO_BENCH, DEMO_PLAN, FIRST_BENCH

    if asked.again is not None:
        return Path(asked.again.told.bench_file).stem
    return Path(asked.bench or (DEMO_BENCH if asked.plan in (None, DEMO_PLAN) else FIRST_BENCH)).stem


@contextmanager
def _own_broker(asked: DryRun, quiet: bool) -> Iterator[DemoFeed | None]:
    """For who names no broker and has the extra; not for programs, which name one if they want it."""
    from sequencer.publish.demo_feed import demo_feed, is_there

    if asked.broker is not None or quiet or not is_there():
        yield None
        return
    with demo_feed() as feed:
        yield feed


def _run(arguments: argparse.Namespace) -> int:
    from sequencer.night.commands import single_night
    from sequencer.publish.broker_file import broker_named
    from sequencer.real_run import RealRun, real_run, resumed_run
    from sequencer.recording import named_file
    from sequencer.report.child import pages_in_child
    from sequencer.view.choose import listener_for

    _refuse_mixed(arguments, needed=("PLAN", "--unit", "--bench"))
    refuse_commands_without_broker(arguments)
    listener = listener_for(sys.stdout, json=False)
    broker = None if arguments.broker is None else broker_named(arguments.broker, os.environ)
    ask = input if sys.stdin.isatty() else None
    asked = RealRun(
        arguments.plan or "",
        tuple(arguments.unit),
        arguments.bench or "",
        arguments.out,
        arguments.armed_by,
        broker,
        listener,
        keep_shots=arguments.keep_shots,
        commands=single_night(listener.said) if arguments.commands else None,
        record=None if arguments.record is None else named_file(arguments.record),
        proof=proof_asked(arguments),
    )
    try:
        done = real_run(asked, ask) if arguments.resume is None else resumed_run(arguments.resume, asked, ask)
    finally:
        getattr(listener, "close", lambda: None)()
    say(sys.stdout, done.text)
    if done.results["runs"]:
        say(sys.stdout, pages_in_child(done.out))
    return done.exit_code


def _refuse_mixed(arguments: argparse.Namespace, needed: tuple[str, ...] = ()) -> None:
    """Words that a night which is resumed brings along itself, and words that are missing without it. Raises
    InputRefused."""
    given = {
        "PLAN": arguments.plan,
        "--unit": arguments.unit,
        "--bench": arguments.bench,
        "--out": arguments.out,
        "--keep-shots": arguments.keep_shots,
        "--seed": getattr(arguments, "seed", None),
    }
    if arguments.resume is None:
        lacking = [name for name in needed if not given[name]]
        _refuse_words(lacking, "absent", "must be given, unless a night is resumed: --resume DIR")
    else:
        words = "a night that is resumed brings it along: leave it out"
        _refuse_words([name for name, value in given.items() if value not in (None, [], False)], "given", words)


def _refuse_words(names: list[str], value: str, remedy: str) -> None:
    if names:
        raise InputRefused([Problem("command line", name, value, remedy) for name in names])


def _real_s() -> float:
    return time.monotonic()  # noqa: TID251 (what a person waited; nothing measured depends on it)
