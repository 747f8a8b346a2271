"""The thermometer: degrees Celsius of heat sinks and loads, by input."""

from __future__ import annotations

from collections.abc import Sequence

from drivers.dialect import Dialect
from drivers.reply_text import each_value
from drivers.roles.common import Conversation, Put
from drivers.speaker import Speaker


class Thermometer:
    """Inputs are named as on the instrument ("301")."""

    def __init__(self, speaker: Speaker, dialect: Dialect) -> None:
        self._talk = Conversation(speaker, dialect)
        self._speaker = speaker
        self._dialect = dialect

    async def prepare(self) -> None:
        """Kind of sensor, then unit. Raises SettingRefused."""
        self._talk.forget()
        await self._talk.put_if_there("sensor", Put("sensor", "thermocouple_k"))
        openings = self._speaker.openings
        await self._talk.put_if_there("unit", Put("unit", "celsius"))
        self._talk.prepared(openings)

    async def read(self, names: Sequence[str]) -> dict[str, float]:
        """Input -> degrees Celsius. Raises NotANumber naming an open input.

        Settings lost with a link, or in a restart that left the link as it was, are made again: that energises nothing.
        """
        if not names:
            return {}
        if not self._talk.is_prepared:
            await self.prepare()
        elif any(not self._talk.setting(put.name).readable for put in self._puts):
            await self._talk.send(*self._puts)  # what can't be asked is said again
        found = await self._read(names)
        if not await self._talk.are_set(*self._puts):
            await self.prepare()  # it restarted: what it answered may be of another sensor, or in another unit
            found = await self._read(names)
            await self._talk.compare(*self._puts)  # not twice
        # Reopened by these very questions, it may have answered in another unit.
        self._talk.require_prepared("reading temperatures")
        return found

    @property
    def _puts(self) -> tuple[Put, ...]:
        """Its settings, without those that its file says it does not have."""
        puts = Put("sensor", "thermocouple_k"), Put("unit", "celsius")
        return tuple(put for put in puts if self._talk.has(put.name))

    async def _read(self, names: Sequence[str]) -> dict[str, float]:
        table = self._dialect.each("temperatures")
        found: dict[str, float] = {}
        for question, some in self._dialect.each_asked("temperatures", names):
            found |= each_value(table, await self._speaker.ask(question), some, self._speaker.name)
        return found

    def make_safe_lines(self) -> tuple[str, ...]:
        """Nothing it does can harm."""
        return self._dialect.make_safe_lines()

    async def make_safe(self, within_s: float | None = None) -> None:
        """Sends the make-safe lines, if the dialect has any."""
        await self._talk.make_safe("", within_s)
