"""A broker of a rehearsal's own, for who has none: on this machine only, in a process of its own, with a consumer in
another that counts what arrives. Both are gone with whoever started them.

Run as a program: a line with the port on stdout, then what the consumer says; it serves until stdin ends.
"""

from __future__ import annotations

import asyncio
import logging
import signal
import socket
import sys
from contextlib import suppress
from typing import Any

HOST = "127.0.0.1"
COUNTS_WITHIN_S = 4.0


def main() -> int:
    """Serves until stdin ends."""
    logging.disable(logging.CRITICAL)
    asyncio.run(_serve())
    return 0


async def _serve() -> None:
    from amqtt.broker import Broker

    with socket.socket() as one:
        one.bind((HOST, 0))
        port = int(one.getsockname()[1])
    settings: dict[str, Any] = {
        "listeners": {"default": {"type": "tcp", "bind": f"{HOST}:{port}"}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    }
    broker = Broker(settings)
    await broker.start()
    print(port, flush=True)  # noqa: T201 (its parent reads it)
    command = (sys.executable, "-P", "-m", "sequencer", "listen", f"mqtt://{HOST}:{port}", "--count", "--until-end")
    consumer = await asyncio.create_subprocess_exec(
        *command, stdin=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.STDOUT
    )
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)
    await _ended(consumer)
    await broker.shutdown()


async def _ended(consumer: asyncio.subprocess.Process) -> None:
    """Asked first: it then says what it has counted."""
    with suppress(ProcessLookupError, TimeoutError):
        consumer.send_signal(signal.SIGINT)
        async with asyncio.timeout(COUNTS_WITHIN_S):  # noqa: TID251 (a process of its own, on real time)
            await consumer.wait()
    with suppress(ProcessLookupError):
        consumer.kill()


if __name__ == "__main__":
    sys.exit(main())
