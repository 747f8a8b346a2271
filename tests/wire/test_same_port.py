"""Two links of one process may have the same client port: the kernel tells connections apart by both their ends
(RFC 793, section 2.7, from memory), so the account of work must too.
"""

from __future__ import annotations

import socket
from types import SimpleNamespace
from typing import Any

import pytest

from sequencer.clock import Pace, VirtualClock, run_virtual
from tests.wire.bench_of_one import one_instrument


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
def one_port_for_all(monkeypatch: pytest.MonkeyPatch) -> int:
    """Every VISA session connects from this port; the kernel does so by chance, about once in thousands of openings."""
    import pyvisa_py.tcpip

    port = free_port()

    class FromOnePort(socket.socket):
        def connect_ex(self, address: Any, /) -> int:
            self.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            self.bind(("127.0.0.1", port))
            return super().connect_ex(address)

    monkeypatch.setattr(pyvisa_py.tcpip, "socket", SimpleNamespace(**vars(socket) | {"socket": FromOnePort}))
    return port


@pytest.mark.parametrize("then", ["tell", "ask", "close"])
def test_links_from_one_client_port_are_told_apart(then: str, one_port_for_all: int) -> None:
    """What one of them ends is not ended for the other."""

    async def main(clock: VirtualClock) -> None:
        async with one_instrument(clock, counted=False) as one, one_instrument(clock, counted=False) as other:
            for bench in (one, other):
                await bench.actor.open()
                assert bench.actor.link.local_port == one_port_for_all
            for n in range(3):
                assert [await bench.actor.ask(f"ASK {n}?") for bench in (one, other)] == [str(n), str(n)]
            await one.actor.close()
            if then == "tell":
                await other.actor.tell("LEV 7")
                assert await other.actor.ask("LEV?") == "7"
            elif then == "ask":
                assert await other.actor.ask("ASK 9?") == "9"
            await other.actor.close()

    run_virtual(main, pace=Pace(watchdog_s=5.0))
