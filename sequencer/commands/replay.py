"""`replay`: a recording of links looked through, and the night that it holds replayed without any instrument."""

from __future__ import annotations

import argparse
import sys
import tempfile
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path

from sequencer.commands.shared import Subparsers
from sequencer.errors import EXIT_DONE, EXIT_TRIPPED
from sequencer.view.out import say


def add(commands: Subparsers) -> None:
    """Its command, with what it takes."""
    replay = commands.add_parser(
        "replay",
        help="a recorded night once more, answered by its recording: byte for byte, without instruments",
        epilog="Example: nightramp replay ./rehearsal/links.txt --out ./again",
    )
    replay.add_argument("recording", metavar="RECORDING", type=Path, help="what --record wrote, or its folder")
    replay.add_argument("--out", metavar="DIR", type=Path, help="keep the night there; default: it is thrown away")
    replay.add_argument("--look", action="store_true", help="only read it through: whose bytes, and was one changed")
    replay.add_argument("--edited", action="store_true", help="lines were changed on purpose: take them as they are")
    replay.set_defaults(run=_replay)


def _replay(arguments: argparse.Namespace) -> int:
    from sequencer.ledger.opening import refuse_used_folder
    from sequencer.replaying import looked_through, recording_file, replay_night
    from sequencer.view.choose import watching

    looked = looked_through(recording_file(arguments.recording))
    for line in looked.lines():
        say(sys.stdout, line)
    if looked.problem:
        say(sys.stdout, looked.problem)
        if not arguments.edited:
            say(sys.stdout, "the recording was changed; --edited replays it as it is")
            return EXIT_TRIPPED
    if arguments.look:
        return EXIT_DONE
    if arguments.out is not None:
        refuse_used_folder(arguments.out)
    with _place(arguments.out) as out, watching(sys.stdout, False) as listener:
        replayed = replay_night(looked, Path(out), listener)
    if replayed.done is not None and arguments.out is not None:
        say(sys.stdout, replayed.done.text)
    say(sys.stdout, replayed.difference or _alike(looked.ended is not None))
    return EXIT_TRIPPED if replayed.difference else EXIT_DONE


def _place(out: Path | None) -> AbstractContextManager[str]:
    return tempfile.TemporaryDirectory(prefix="nightramp-replay-") if out is None else nullcontext(str(out))


def _alike(with_results: bool) -> str:
    if with_results:
        return "replayed: every byte as recorded, and the same results"
    return "replayed as far as the recording goes: every byte as recorded"
