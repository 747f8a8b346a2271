"""aiohttp on a socket that is open already: at most so many connections, and none that only waits."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import cast

from aiohttp import web
from aiohttp.web_protocol import RequestHandler

from sequencer.clock import RealClock
from sequencer.page.app import Reach, Serving, app
from sequencer.page.gallery import Gallery
from sequencer.page.wish import Opened

MOST_CONNECTIONS = 120
SILENT_S, SWEPT_EVERY_S = 5.0, 1.0  # a connection that asks nothing for so long is closed: it could keep others out
KEPT_OPEN_S = 10.0
LINGER_S = 2.0
HANDSHAKE_S = 5.0


class _TooMany(asyncio.Protocol):
    """Closed at once: file descriptors are the night's too."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        cast("asyncio.Transport", transport).abort()


class _Entrance:
    """Makes the protocol of each connection."""

    def __init__(self, server: web.Server, serving: Serving, clock: RealClock) -> None:
        self._server, self._serving, self._clock = server, serving, clock
        self._open: dict[RequestHandler, float] = {}

    def __call__(self) -> asyncio.Protocol:
        if len(self._open) >= MOST_CONNECTIONS:
            return _TooMany()
        made = self._server()
        self._open[made] = self._clock.now_ns() / 1e9
        return made

    async def sweep(self) -> None:
        while True:
            await self._clock.sleep(SWEPT_EVERY_S)
            now_s = self._clock.now_ns() / 1e9
            for one, since_s in list(self._open.items()):
                is_new = now_s - since_s < SILENT_S
                if one.transport is None and not is_new:
                    self._forget(one)
                elif one.transport is not None and one not in self._serving.served and not is_new:
                    one.force_close()
                    self._forget(one)

    def shut(self) -> None:
        """Whoever takes nothing any more is not waited for."""
        for one in self._open:
            if one.transport is not None:
                one.transport.abort()

    def _forget(self, one: RequestHandler) -> None:
        del self._open[one]
        self._serving.served.discard(one)


@asynccontextmanager
async def serving(opened: Opened, token: str, gallery: Gallery, reach: Reach) -> AsyncIterator[Serving]:
    """While the block runs; then the last word is said to all who look."""
    clock = RealClock()
    made = Serving(opened.doors, opened.port, token, gallery, reach)
    runner = web.AppRunner(
        app(made),
        handle_signals=False,
        access_log=None,
        logger=_quiet(),
        keepalive_timeout=KEPT_OPEN_S,
        shutdown_timeout=0.5,
    )
    await runner.setup()
    assert runner.server is not None
    entrance = _Entrance(runner.server, made, clock)
    handshake_s = HANDSHAKE_S if opened.tls else None
    listening = await asyncio.get_running_loop().create_server(
        entrance, sock=opened.socket, ssl=opened.tls, ssl_handshake_timeout=handshake_s
    )
    sweeping = asyncio.create_task(entrance.sweep(), name="sweeping")
    try:
        yield made
    finally:
        made.closing.set()
        listening.close()
        until_ns = clock.now_ns() + round(LINGER_S * 1e9)
        while gallery.viewers and clock.now_ns() < until_ns:
            await clock.sleep(0.02)
        sweeping.cancel()
        await asyncio.gather(sweeping, return_exceptions=True)
        await runner.cleanup()
        entrance.shut()


def _quiet() -> logging.Logger:
    """What browsers break off is no news, and the terminal is the night's."""
    logger = logging.getLogger("nightramp.page")
    logger.propagate = False
    logger.addHandler(logging.NullHandler())
    return logger
