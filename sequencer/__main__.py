"""`python -m sequencer` is nightramp, as the command itself is. Ctrl-C ends it also while it is still being loaded."""

import os
import signal
import sys


def start() -> int:
    """The exit code."""
    ours = signal.getsignal(signal.SIGINT) is signal.default_int_handler  # not where it is ignored, as behind nohup
    if ours:
        signal.signal(signal.SIGINT, _at_once)
    from sequencer.cli import main

    if ours:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    return main()


def _at_once(*_: object) -> None:
    """Nothing has begun: nothing is to be ended."""
    os.write(2, b"\nstopped by Ctrl-C\n")
    os._exit(4)


if __name__ == "__main__":
    sys.exit(start())
