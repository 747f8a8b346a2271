"""The command line: reads arguments, calls compose, turns every end into a line and an exit code.

Nothing heavy is imported at the top: `--help` must answer at once.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import sys
import traceback
from collections.abc import Sequence
from pathlib import Path

from sequencer.commands import bench, compare, dialect, instruments, keep, listen, night, paper, queue, replay, serve
from sequencer.errors import EXIT_DONE, EXIT_FAULT, EXIT_REFUSED, EXIT_STOPPED, Fault, InputRefused

CAUTION = (
    "Software is never the only protection: fuses, thermal cut-outs and a hand-operated emergency stop come first. "
    "Hot loads, live bridged outputs, stored charge, hearing: see the cautions in README."
)


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
    except KeyboardInterrupt:
        return _stopped()
    except Exception as error:
        if isinstance(error.__cause__, KeyboardInterrupt):  # Python wraps one that comes while a class is made
            return _stopped()
        traceback.print_exc()
        print("internal fault: the lines above say where; what was energised has been made safe", file=sys.stderr)
        return EXIT_FAULT


def _stopped() -> int:
    """Ctrl-C outside of a night, which ends in an order of its own."""
    print("\nstopped by Ctrl-C", file=sys.stderr)
    return EXIT_STOPPED


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
    for several in (night, paper, compare, bench, instruments, keep, queue, serve, listen, dialect, replay):
        several.add(commands)
    return parser


if __name__ == "__main__":
    sys.exit(main())
