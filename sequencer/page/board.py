"""Where a night writes what a page shows: a listener on the night's own loop, read from the page's thread.

One immutable scene is put in the place of the one before: the thread that reads it needs no lock, and holds up nobody.
Nothing here draws, counts or waits.
"""

from __future__ import annotations

import asyncio
import secrets
import time
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Any

from pydantic import ValidationError

from sequencer.measurements.requests import BenchReading, Reply, Request
from sequencer.night.commands import Commands, wall
from sequencer.night.questions import Open, Outcome
from sequencer.night.setup import NightPlan, UnitRun
from sequencer.page import scene as state
from sequencer.plan.points import AnyPoint
from sequencer.publish.live import Command, Kind
from sequencer.safety.make_safe import Report

SAME_PRESS_S = 1.0  # two clicks of one fright are one press: signal and supply go off within that time anyway
EXPIRES_S = 60.0
NOT_YET = "nothing has begun yet, and nothing is energised"


def real_s() -> float:
    return time.monotonic()  # noqa: TID251 (a page lives on real time; nothing measured depends on it)


class Board:
    """A Listener and an Onlooker. scene: to be read from any thread. loop: where `commands` acts."""

    def __init__(self, clock_s: Callable[[], float] = real_s) -> None:
        self.scene = state.Scene()
        self.commands: Commands | None = None
        self.loop: asyncio.AbstractEventLoop | None = None
        self.clock_s = clock_s

    # --- the onlooker

    def takes(self, commands: Commands) -> None:
        self.commands, self.loop = commands, asyncio.get_running_loop()
        if commands.acts.questions is not None:
            commands.acts.questions.hears = self._asked

    def night_begun(self, plan: NightPlan, start: datetime) -> None:
        self._put(lambda scene: state.night_begun(scene, plan, start))

    def reading(self, reading: BenchReading, driven: bool) -> None:
        self._put(lambda scene: state.read(scene, reading, driven=driven))

    def making_safe(self, report: Report, over: bool) -> None:
        self._put(lambda scene: state.making_safe(scene, report, over, self.clock_s()))

    def night_over(self, lines: list[str]) -> None:
        self._put(lambda scene: state.night_over(scene, lines))

    def _put(self, next_of: Callable[[state.Scene], state.Scene]) -> None:
        """A page is no reason to end a night: what it can't take in is left out, and told as what it is."""
        try:
            self.scene = next_of(self.scene)
        except Exception as error:
            self.scene = state.said(self.scene, f"the page missed something: {type(error).__name__}: {error}")

    def _asked(self, questions: Open) -> None:
        self._put(lambda scene: state.asked(scene, questions))

    # --- what is asked for on the page, on the night's own loop

    async def stop(self) -> Outcome:
        """Once: in order. Again, or while a trip is latched: signal and supply off at once."""
        pressed_s, now_s, commands = self.scene.stop_at_s, self.clock_s(), self.commands
        if commands is None:
            return "refused", NOT_YET
        if pressed_s is not None and now_s - pressed_s < SAME_PRESS_S:
            return "done", "it is being stopped"
        self.scene = state.stop_pressed(self.scene, now_s)
        hurry = pressed_s is not None or commands.acts.is_tripped()
        return await commands(command("make safe" if hurry else "stop"))

    async def act(self, kind: Kind, **more: str) -> Outcome:
        """Anything else, as if it had come over MQTT."""
        if self.commands is None:
            return "refused", NOT_YET
        try:
            asked = command(kind, **more)
        except ValidationError:
            return "refused", "that is no answer: empty, or too long"
        return await self.commands(asked)

    # --- the listener

    def run_begun(self, run: UnitRun, number: int, of: int, at: str) -> None:
        self._put(lambda scene: state.run_begun(scene, run, number, of, at))

    def point_begun(self, run: UnitRun, point: AnyPoint) -> None:
        self._put(lambda scene: state.point_begun(scene, run, point))

    def heard(self, run: UnitRun, request: Request, reply: Reply) -> None:
        self._put(lambda scene: state.heard(scene, request, reply))

    def point_kept(self, run: UnitRun, row: Mapping[str, Any]) -> None:
        self._put(lambda scene: state.point_kept(scene, run, row))

    def said(self, line: str) -> None:
        self._put(lambda scene: state.said(scene, line))

    def run_ended(self, run: UnitRun, outcome: str, at: str) -> None:
        self._put(lambda scene: state.run_ended(scene, run, outcome, at))


def command(kind: Kind, **more: str) -> Command:
    """Raises ValidationError."""
    now = wall()
    body = {"schema_name": "nightramp.command", "schema_version": 1, "id": f"page-{secrets.token_hex(8)}"}
    body |= {"time": now.isoformat(), "expires": (now + timedelta(seconds=EXPIRES_S)).isoformat(), "kind": kind}
    return Command.model_validate(body | more)
