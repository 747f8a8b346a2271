"""Whether a digitiser is ready for its trigger, and whether its capture is complete: asked, never assumed."""

from __future__ import annotations

from drivers import scpi
from drivers.dialect import Dialect
from drivers.errors import SettingRefused
from drivers.reply_text import state_of
from drivers.speaker import Speaker


class Done:
    """note_before_arming first, each time."""

    def __init__(self, speaker: Speaker, dialect: Dialect) -> None:
        self._speaker = speaker
        self._dialect = dialect
        self._count_at_arm: int | None = None

    async def note_before_arming(self) -> None:
        """What tells a capture to come from those that were: the count, an event read and so cleared, or no `done`."""
        self._count_at_arm = await self._count()
        completion = self._dialect.completion
        if completion.kind == "event_bit":
            await self.state()
        if completion.state_when_done == "done" and await self.state() == "done":
            await self._speaker.tell(*self._dialect.act("halt"))
            if await self.state() == "done":
                sentence = "halted, it still shows a complete capture: the next one could not be told from it"
                raise SettingRefused(self._speaker.name, sentence)

    async def state(self) -> str:
        completion = self._dialect.completion
        return state_of(completion, await self._speaker.ask(completion.state_ask), self._speaker.name)

    async def is_ready(self) -> bool:
        """Raises SettingRefused if it was triggered already, or captures by itself."""
        state, completion = await self.state(), self._dialect.completion
        if state == "free_running":
            raise SettingRefused(self._speaker.name, "it captures by itself: its trigger mode is not normal")
        over = state == "rest" and (completion.kind == "event_bit" or await self._count() != self._count_at_arm)
        if over or state in ("recording", "done"):
            raise SettingRefused(self._speaker.name, "it was triggered before anything was fired")
        return state == "ready"

    async def is_complete(self) -> bool:
        """At rest is not enough: some show it before they have started too, so the count must have grown, unless they
        have another word for done."""
        completion = self._dialect.completion
        if await self.state() != completion.state_when_done:
            return False
        if completion.kind == "event_bit" or completion.state_when_done == "done":
            return True
        count, before = await self._count(), self._count_at_arm
        if count is not None and before is not None and count > before + 1:
            raise SettingRefused(self._speaker.name, f"{count - before} captures since it was armed, not one")
        return count != before

    async def _count(self) -> int | None:
        ask = self._dialect.completion.counter_ask
        return None if ask is None else scpi.whole(await self._speaker.ask(ask), self._speaker.name)
