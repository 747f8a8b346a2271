"""The command line: reads arguments, calls compose, turns every end into a line and an exit code.

Nothing heavy is imported at the top: `--help` must answer at once.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import sys
import time
import traceback
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from sequencer.errors import EXIT_DONE, EXIT_FAULT, EXIT_REFUSED, Fault, InputRefused
from sequencer.view.out import say

CAUTION = (
    "Software is never the only protection: fuses, thermal cut-outs and a hand-operated emergency stop come first. "
    "Hot loads, live bridged outputs, stored charge, hearing: see the cautions in README."
)

KEEP_SHOTS = "keep all shots whole, under shots/, so that `report --reanalyse` can do the night again"


def main(argv: Sequence[str] | None = None) -> int:
    """Runs one command and returns its exit code."""
    # Small matrices: threads only wait for each other (26 times slower beside a busy core). Before numpy comes in.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    arguments = _parser().parse_args(argv)
    stray = _stray_packages()
    if stray:
        print(f"nightramp: {stray}", file=sys.stderr)
        return EXIT_FAULT
    try:
        code: int = arguments.run(arguments)
        return code
    except InputRefused as refused:
        for problem in refused.problems:
            print(problem, file=sys.stderr)
        print(f"refused: {len(refused.problems)} problem(s); nothing was touched, nothing written", file=sys.stderr)
        return EXIT_REFUSED
    except Fault as fault:
        print(f"internal fault: {fault}", file=sys.stderr)
        return fault.exit_code
    except BrokenPipeError:  # `nightramp plans | head`: nobody wants the rest
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115 (kept to the end: what is left must not fail at exit)
        return EXIT_DONE
    except Exception:
        traceback.print_exc()
        print("internal fault: the lines above say where; what was energised has been made safe", file=sys.stderr)
        return EXIT_FAULT


def _stray_packages() -> str | None:
    """Our packages have common names: all must come from one folder, or somebody else's was picked up."""
    ours = Path(__file__).resolve().parents[1]
    for name in ("drivers", "simulators", "sequences"):
        spec = importlib.util.find_spec(name)
        found = Path(spec.origin).resolve().parents[1] if spec and spec.origin else None
        if found != ours:
            where = f"package {name!r} was found in {found}, not beside nightramp"
            return f"{where}: install nightramp in an environment of its own"
    return None


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="nightramp",
        description="Tests audio power amplifiers overnight: plans, real drivers, simulated or real instruments.",
        epilog=f"{CAUTION} Example: nightramp dry-run",
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    _add_check(commands)
    _add_dry_run(commands)
    _add_run(commands)
    _add_report(commands)
    _add_simulate(commands)
    _add_make_safe(commands)
    plans = commands.add_parser("plans", help="what ships", epilog="Example: nightramp plans")
    plans.set_defaults(run=_plans)
    schema = commands.add_parser(
        "schema", help="JSON Schema of every file and message", epilog="Example: nightramp schema plan"
    )
    schema.add_argument("kind", nargs="?", help="one of the kinds; without it all, as one object")
    schema.set_defaults(run=_schema)
    return parser


def _add_check(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    check = commands.add_parser(
        "check",
        help="the plan worked through on paper; touches nothing",
        epilog="Example: nightramp check first --unit ferry_pa_60",
    )
    check.add_argument("plan", metavar="PLAN", help="a path, or the name of a shipped plan")
    _unit_and_bench(check)
    check.add_argument("--json", action="store_true", help="for programs")
    check.set_defaults(run=_check)


def _add_dry_run(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    dry = commands.add_parser(
        "dry-run",
        help="the plan on simulated instruments in simulated time, through the real drivers",
        epilog="Example: nightramp dry-run first --seed 7 --out ./rehearsal",
    )
    dry.add_argument("plan", metavar="PLAN", nargs="?", help="a path or a shipped name; without it the demo")
    _unit_and_bench(dry)
    dry.add_argument("--out", metavar="DIR", type=Path, help="default: ./nightramp-<run id>")
    dry.add_argument("--seed", type=int, default=1, help="of all simulated chance (default 1)")
    dry.add_argument("--speed", type=float, metavar="N", help="N bench seconds a second, to watch it; default: at once")
    dry.add_argument(
        "--broker",
        metavar="URL",
        help="publish over MQTT while it runs: mqtt://[user[:password]@]host[:port], mqtts:// for TLS; "
        "a password may also come from NIGHTRAMP_MQTT_PASSWORD",
    )
    dry.add_argument("--keep-shots", action="store_true", help=KEEP_SHOTS)
    dry.add_argument("--json", action="store_true", help="for programs")
    dry.set_defaults(run=_dry_run)


def _add_run(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    real = commands.add_parser(
        "run",
        help="the plan on the bench's instruments, in real time; says what it may do and wants a word first",
        epilog="Example: nightramp run first --bench workshop --unit ferry_pa_60 --out ./tonight",
    )
    real.add_argument("plan", metavar="PLAN", help="a path, or the name of a shipped plan")
    real.add_argument(
        "--unit", action="append", required=True, metavar="FILE[:SERIAL][@BAY]", help="repeatable, in bay order"
    )
    real.add_argument("--bench", required=True, metavar="BENCH", help="a path or a shipped name")
    real.add_argument("--out", metavar="DIR", type=Path, help="default: ./nightramp-<run id>")
    real.add_argument("--armed-by", metavar="NAME", help="who answers for it, where nobody is there to type the word")
    real.add_argument("--broker", metavar="URL", help="publish over MQTT while it runs, as in dry-run")
    real.add_argument("--keep-shots", action="store_true", help=KEEP_SHOTS)
    real.set_defaults(run=_run)


def _add_report(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    report = commands.add_parser(
        "report",
        help="the sheet of a unit, or the batch page and the sheets of several",
        epilog="Example: nightramp report ./rehearsal --out ./paper",
    )
    report.add_argument("night", metavar="LEDGER_OR_DIR", type=Path, help="a ledger, results.json, or their folder")
    report.add_argument("--run", dest="run_id", metavar="ID", help="only this run's sheet")
    report.add_argument("--out", metavar="DIR", type=Path, help="default: beside what was read")
    report.add_argument(
        "--reanalyse",
        action="store_true",
        help="every number again from what was kept, by this version: what changed, and pages in reanalysed/ or --out",
    )
    report.set_defaults(run=_report)


def _add_simulate(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
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


def _add_make_safe(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    safe = commands.add_parser(
        "make-safe",
        help="the bench made safe now, whoever holds it: signal and supply off, rail down, contacts open",
        epilog="Example: nightramp make-safe --bench workshop",
    )
    safe.add_argument("--bench", metavar="BENCH", help="a path or a shipped name; may be broken if a night froze it")
    safe.add_argument("--frozen", metavar="FILE", type=Path, help="a frozen file, instead of the bench's")
    safe.add_argument("--again-for", metavar="S", type=float, default=20.0, help="how long failed acts are tried again")
    safe.set_defaults(run=_make_safe)


def _unit_and_bench(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--unit",
        action="append",
        default=[],
        metavar="FILE[:SERIAL][@BAY]",
        help="repeatable; default: the demo's five units, or the first bench's two for another plan",
    )
    parser.add_argument("--bench", metavar="BENCH", help="a path or a shipped name; default: the demo's, or the first")


def _check(arguments: argparse.Namespace) -> int:
    from sequencer.on_paper import check

    done = check(arguments.plan, arguments.unit, arguments.bench)
    print(json.dumps(done.as_json(), indent=1, sort_keys=True) if arguments.json else done.text())
    if done.refused:
        raise InputRefused(done.refused)
    return EXIT_DONE


def _dry_run(arguments: argparse.Namespace) -> int:
    from sequencer.compose import DryRun, dry_run
    from sequencer.publish.broker_url import broker_from_url
    from sequencer.report.child import pages_in_child
    from sequencer.view.choose import watching
    from sequencer.view.words import both_times, shares

    asked = DryRun(
        plan=arguments.plan,
        units=tuple(arguments.unit),
        bench=arguments.bench,
        out=arguments.out,
        seed=arguments.seed,
        speed=arguments.speed,
        broker=None if arguments.broker is None else broker_from_url(arguments.broker, os.environ),
        keep_shots=arguments.keep_shots,
    )
    quiet, begun_s = arguments.json, _real_s()
    with watching(sys.stdout, quiet) as listener:
        done = dry_run(replace(asked, listener=listener), say=listener.said)
    ended_s = _real_s()
    say(sys.stdout, json.dumps(done.summary(), indent=1, sort_keys=True) if quiet else done.text)
    beside = sys.stderr if quiet else sys.stdout  # stdout belongs to a program then
    pages = pages_in_child(done.out) if done.results["runs"] else None
    say(beside, both_times(done.bench_s, ended_s - begun_s))
    say(beside, shares(dict(done.worked_s) | {"pages": _real_s() - ended_s}, _real_s() - begun_s))
    if pages is not None:
        say(beside, pages)
    return done.exit_code


def _run(arguments: argparse.Namespace) -> int:
    from sequencer.publish.broker_url import broker_from_url
    from sequencer.real_run import RealRun, real_run
    from sequencer.report.child import pages_in_child
    from sequencer.view.choose import listener_for

    listener = listener_for(sys.stdout, json=False)
    broker = None if arguments.broker is None else broker_from_url(arguments.broker, os.environ)
    asked = RealRun(
        arguments.plan,
        tuple(arguments.unit),
        arguments.bench,
        arguments.out,
        arguments.armed_by,
        broker,
        listener,
        keep_shots=arguments.keep_shots,
    )
    try:
        done = real_run(asked, input if sys.stdin.isatty() else None)
    finally:
        getattr(listener, "close", lambda: None)()
    say(sys.stdout, done.text)
    if done.results["runs"]:
        say(sys.stdout, pages_in_child(done.out))
    return done.exit_code


def _report(arguments: argparse.Namespace) -> int:
    from sequencer.report.pages import read_night, write_pages

    if arguments.reanalyse:
        return _reanalyse(arguments, read_night(arguments.night))
    say(sys.stdout, f"pages: {write_pages(arguments.night, arguments.run_id, arguments.out)}")
    return EXIT_DONE


def _reanalyse(arguments: argparse.Namespace, results: Mapping[str, object]) -> int:
    from sequencer.ledger.results import RESULTS_NAME, results_text, write_whole
    from sequencer.reanalyse import CHANGES_NAME, REANALYSED, changes_text, reanalyse, results_again, told
    from sequencer.report.pages import write_pages

    folder = arguments.night if arguments.night.is_dir() else arguments.night.parent
    out, found = arguments.out or folder / REANALYSED, reanalyse(folder, results)
    now = results_again(results, found)
    out.mkdir(parents=True, exist_ok=True)
    write_whole(out / RESULTS_NAME, results_text(now).encode())
    write_whole(out / CHANGES_NAME, changes_text(found).encode())
    for line in told(found):
        say(sys.stdout, line)
    say(sys.stdout, f"pages: {write_pages(folder, arguments.run_id, out, now)}")
    return EXIT_DONE


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


def _real_s() -> float:
    return time.monotonic()  # noqa: TID251 (what a person waited; nothing measured depends on it)


def _plans(arguments: argparse.Namespace) -> int:
    from sequencer.plan.load import shipped

    for kind, names in shipped().items():
        print(f"{kind}:")
        for name, title in names.items():
            print(f"  {name:24} {title}")
    return EXIT_DONE


def _schema(arguments: argparse.Namespace) -> int:
    from sequencer.on_paper import schemas

    every = schemas()
    if arguments.kind is None:
        print(json.dumps(every, indent=1, sort_keys=True))
        return EXIT_DONE
    if arguments.kind not in every:
        print(f"schema: {arguments.kind!r}: one of {', '.join(sorted(every))}", file=sys.stderr)
        return EXIT_REFUSED
    print(json.dumps(every[arguments.kind], indent=1, sort_keys=True))
    return EXIT_DONE


if __name__ == "__main__":
    sys.exit(main())
