"""A process that holds a bench: its lock, its frozen file, and a link to its supply, as a night does.

    python -P -m tests.processes.bench_holder BENCH deaf|plain

It says "held" once all is taken, and then does nothing: whoever wants the bench must end it. deaf: to SIGTERM.
"""

from __future__ import annotations

import os
import signal
import socket
import sys

from sequencer.lock import BenchLock
from sequencer.plan.load import load_bench
from sequencer.plan.models import ROLES
from sequencer.roles import load_dialects
from sequencer.safety.freeze import began, write
from sequencer.safety.frozen_bench import Held, freeze, host_and_port


def main(bench: str, how: str) -> None:
    if how == "deaf":
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
    loaded = load_bench(bench)
    addresses: dict[str, str] = {name: loaded.model.role[name].address for name in ROLES}
    lock = BenchLock(addresses)
    lock.take(loaded.model.name, loaded.path)
    held = Held("r1", loaded.model.name, os.getpid(), began(os.getpid()), os.devnull, 10.0)
    write(lock.frozen_path, freeze(held, load_dialects(loaded), addresses))
    link = socket.create_connection(host_and_port(addresses["supply"]))
    link.sendall(b"OUTP?\n")
    assert link.recv(100)
    print("held", flush=True)
    while True:
        signal.pause()


if __name__ == "__main__":
    main(*sys.argv[1:])
