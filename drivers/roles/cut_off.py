"""The cut-off: a relay in the supply's lead that stays in only as long as it is fed."""

from __future__ import annotations

from contextlib import suppress

from drivers.dialect import Dialect
from drivers.errors import SettingRefused
from drivers.roles.common import Conversation, Put
from drivers.speaker import Speaker


class CutOff:
    """hold_s: from the last feed until it drops by its own clock. What is read is the relay, not what it was told."""

    def __init__(self, speaker: Speaker, dialect: Dialect, hold_s: float) -> None:
        self._talk = Conversation(speaker, dialect)
        self._speaker = speaker
        self._dialect = dialect
        self._hold_s = hold_s

    async def prepare(self) -> None:
        """Dropped, and its hold time set, each read back. Raises SettingRefused, also where it does not drop."""
        self._talk.forget()
        with suppress(SettingRefused):  # a feed that came after its release was refused, and says nothing
            await self._talk.drain("preparation")
        await self._talk.put("relay dropped", Put("relay", False))
        openings = self._speaker.openings
        await self._talk.put("hold time", Put("hold", self._hold_s))
        self._talk.prepared(openings)

    async def pull_in(self) -> None:
        """In, and fed for the first time. Raises SettingRefused where it reads dropped."""
        self._talk.require_prepared("pulling in")
        await self._talk.put("relay in", Put("relay", True))
        self._talk.require_prepared("pulling in")

    async def is_in(self) -> bool:
        return bool(await self._talk.ask_setting("relay"))

    async def feed(self) -> bool:
        """False where it has dropped: it is not fed then, so that nothing comes back on by itself."""
        if not await self.is_in():
            return False
        await self._speaker.tell(*self._dialect.act("feed"))
        return True

    def make_safe_lines(self) -> tuple[str, ...]:
        """Messages that drop it from any state, without waiting for replies."""
        return self._dialect.make_safe_lines()

    async def make_safe(self, within_s: float | None = None) -> None:
        """Dropped before all that waits, and read back. Raises SettingRefused where it still reads in."""
        await self._talk.make_safe("relay", within_s)
