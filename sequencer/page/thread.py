"""The page in a thread with a loop of its own, on real time: whatever a browser does there, the night's loop goes on.

What it shows it reads from the board; what it asks for it hands to the night's loop and waits a moment for the answer.
"""

from __future__ import annotations

import asyncio
import contextvars
import secrets
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, cast

from sequencer.clock import RealClock
from sequencer.night.commands import wall
from sequencer.night.questions import Outcome
from sequencer.page.about import About
from sequencer.page.board import NOT_YET, Board
from sequencer.page.eye import Eye
from sequencer.page.gallery import Gallery
from sequencer.page.history import History, Past
from sequencer.page.views import CALM_S, Sight, Views
from sequencer.page.wish import Opened

EVERY_S, HURRIED_S, HURRY_FOR_S = 0.5, 0.1, 20.0
LOOK_AT_DISK_S = 2.0
ANSWERED_S = 3.0
CONFIRMED_S = 6.0
ENDS_WITHIN_S = 7.0  # with its last word told
NO_ANSWER = (
    "the word is on its way, but nothing answered within 3 s: if anything must go off, use the emergency stop by hand, "
    "then `nightramp make-safe`"
)
OVER = "the night's process is at its end, and nothing goes on"


@dataclass(frozen=True)
class Kept:
    """Where what is shown besides the night comes from. ledger: None where none is known yet."""

    about: About
    ledger: Callable[[], Path | None]


class Page:
    """`start` once, `stop` once. board: for the night to write on."""

    def __init__(self, opened: Opened, board: Board, kept: Kept, say: Callable[[str], None]) -> None:
        self.board, self.token = board, secrets.token_urlsafe(16)
        self._opened, self._kept, self._say = opened, kept, say
        self._views, self._eye, self._gallery = Views(), Eye(), Gallery()
        self._history: History | None = None
        self._past = Past(kept.about.has_queue)
        self._thread = threading.Thread(target=self._work, name="page", daemon=True)
        self._ready = threading.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._closing: asyncio.Event | None = None

    @property
    def address(self) -> str:
        return self._opened.address

    def start(self) -> None:
        self._thread.start()
        self._ready.wait()

    def stop(self) -> None:
        """The last word goes to all who look; who does not take it within a moment misses it."""
        loop, closing = self._loop, self._closing
        if loop is not None and closing is not None:
            with suppress(RuntimeError):  # it has ended by itself
                loop.call_soon_threadsafe(closing.set)
        self._thread.join(ENDS_WITHIN_S)

    # --- in the thread

    def _work(self) -> None:
        try:
            with asyncio.Runner(loop_factory=asyncio.SelectorEventLoop) as runner:
                runner.run(self._serve(), context=contextvars.Context())
        except Exception as error:  # a page never ends a night
            self._say(f"the page ended: {type(error).__name__}: {error}")
        finally:
            self._ready.set()
            self._opened.close()

    async def _serve(self) -> None:
        from sequencer.page.server import serving  # what is served by aiohttp: loaded where a page is wanted

        loop, clock = asyncio.get_running_loop(), RealClock()
        self._loop, self._closing, gallery = loop, asyncio.Event(), self._gallery
        async with serving(self._opened, self.token, gallery, self):
            self._ready.set()
            drawing = asyncio.create_task(self._draw(gallery, clock), name="drawing")
            await self._closing.wait()
            drawing.cancel()
            await asyncio.gather(drawing, return_exceptions=True)
            await self.fresh()

    async def _draw(self, gallery: Gallery, clock: RealClock) -> None:
        """While somebody looks."""
        looked_s = float("-inf")
        while True:
            if gallery.viewers:
                now_s = clock.now_ns() / 1e9
                if now_s - looked_s >= LOOK_AT_DISK_S:
                    looked_s = now_s
                    await self._look()
                gallery.hang(self._views.parts(self._sight()))
            await clock.sleep(HURRIED_S if self._hurried() else EVERY_S)

    def _hurried(self) -> bool:
        pressed_s = self.board.scene.stop_at_s
        return pressed_s is not None and self.board.clock_s() - pressed_s < HURRY_FOR_S

    def _sight(self) -> Sight:
        scene = self.board.scene
        return Sight(self._kept.about, scene, self._eye.tried(scene), self._past, self._bench_time())

    def _bench_time(self) -> datetime:
        """Of a rehearsal its own; else the clock on the wall. Coarse: nothing is drawn anew for a second."""
        scene = self.board.scene
        if self._kept.about.simulated and scene.start is not None:
            now = scene.start + timedelta(seconds=scene.now.bench_s)
        else:
            now = wall()
        whole = int(now.timestamp() // CALM_S * CALM_S)
        zone = scene.start.tzinfo if self._kept.about.simulated and scene.start is not None else None
        return datetime.fromtimestamp(whole, UTC).astimezone(zone)  # None: of this machine

    async def _look(self) -> None:
        ledger = self._kept.ledger()
        if self._history is None and ledger is not None:
            self._history = History(ledger, has_queue=self._kept.about.has_queue)
        if self._history is not None:
            self._past = await asyncio.get_running_loop().run_in_executor(None, self._history.look)

    # --- what the paths reach for

    async def whole(self, may: bool, outcome: str) -> str:
        await self._look()
        return self._views.whole(self._sight(), may=may, outcome=outcome)

    async def fresh(self) -> None:
        await self._look()
        self._gallery.hang(self._views.parts(self._sight()))

    def refused(self, sentence: str) -> str:
        return self._views.refused(self._kept.about, sentence)

    async def sheet(self, name: str) -> Path | None:
        await self._look()
        history = self._history
        return None if history is None else await asyncio.get_running_loop().run_in_executor(None, history.page, name)

    async def stopped(self) -> Outcome:
        """Asked at once; then a moment, so that what was confirmed can be told in the same breath."""
        outcome = await self._on_the_night(self.board.stop)
        if outcome[0] == "done":
            clock = RealClock()
            with suppress(TimeoutError):
                async with clock.deadline(CONFIRMED_S):
                    while self._is_under_way():
                        await clock.sleep(HURRIED_S)
        return outcome

    async def acted(self, kind: str, more: Mapping[str, str]) -> Outcome:
        return await self._on_the_night(lambda: self.board.act(cast("Any", kind), **more))

    def say(self, line: str) -> None:
        self._say(line)

    def _is_under_way(self) -> bool:
        scene = self.board.scene
        return scene.is_night and not (scene.safe is not None and scene.safe.over)

    async def _on_the_night(self, act: Callable[[], Any]) -> Outcome:
        """Done on the night's own loop."""
        loop = self.board.loop
        if loop is None:
            return "refused", NOT_YET
        asked = act()
        try:
            future = asyncio.run_coroutine_threadsafe(asked, loop)
        except RuntimeError:
            asked.close()
            return "refused", OVER
        try:
            async with RealClock().deadline(ANSWERED_S):
                return cast("Outcome", await asyncio.shield(asyncio.wrap_future(future)))
        except TimeoutError:
            return "done", NO_ANSWER
