"""One text instrument behind a server, with its actor: set up, and proved to leave no thread and no descriptor
behind.
"""

from __future__ import annotations

import os
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any

from drivers.actor import Actor
from drivers.link import LinkModel
from drivers.speaker import Greeting
from simulators.faults import LinkFault, LinkFaults
from simulators.server import InstrumentServer
from tests.wire.text_panel import TextPanel

GREETING = Greeting(identity_begins="Example,text,")
MS = 1_000_000
GREETED_NS = 3 * MS  # identity, clear, one entry of the error queue: a millisecond each at this panel


@dataclass
class Bench:
    panel: TextPanel
    server: InstrumentServer
    actor: Actor
    journal: list[tuple[int, str, str, bytes | None]] = field(default_factory=list)


def open_descriptors() -> int:
    return len(os.listdir("/proc/self/fd"))


@asynccontextmanager
async def one_instrument(
    clock: Any,
    *faults: LinkFault,
    rewrite: Any = None,
    greeting: Greeting = GREETING,
    single_connection: bool = False,
    counted: bool = True,
    **model: Any,
) -> AsyncIterator[Bench]:
    """Any error of the body is the body's; afterwards threads and descriptors must be as before."""
    panel = TextPanel()
    journal: list[tuple[int, str, str, bytes | None]] = []

    def power_on() -> None:
        panel.level = "0"

    declared = LinkFaults(faults, rewrite=rewrite, on_restart=power_on)
    before = threading.active_count(), open_descriptors()
    server = InstrumentServer(
        panel, clock, declared, lambda *entry: journal.append(entry), single_connection=single_connection
    )
    await server.start()
    actor = Actor(LinkModel("text", server.address, **{"within_s": 0.5} | model), greeting, clock)
    try:
        yield Bench(panel, server, actor, journal)
    finally:
        await actor.close()
        await server.stop()
        await clock.turn()
    if counted:  # not inside another bench, whose link may open meanwhile
        assert (threading.active_count(), open_descriptors()) == before
