"""The thermometer: degrees Celsius of heat sinks and loads, by input."""

from __future__ import annotations

from collections.abc import Sequence

from drivers import scpi
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
        await self._talk.put("sensor", Put("sensor", "thermocouple_k"))
        openings = self._speaker.openings
        await self._talk.put("unit", Put("unit", "celsius"))
        self._talk.prepared(openings)

    async def read(self, names: Sequence[str]) -> dict[str, float]:
        """Input -> degrees Celsius. Raises NotANumber naming an open input.

        Settings lost with a link are made again first: that energises nothing.
        """
        if not names:
            return {}
        if not self._talk.is_prepared:
            await self.prepare()
        table = self._dialect.each("temperatures")
        question = self._dialect.question(table.ask, names=scpi.channel_list(names))
        reply = await self._speaker.ask(question)
        # Reopened by this very question, it may have answered in another unit.
        self._talk.require_prepared("reading temperatures")
        return dict(each_value(table, reply, names, self._speaker.name))

    def make_safe_lines(self) -> tuple[str, ...]:
        """Nothing it does can harm."""
        return self._dialect.make_safe_lines()

    async def make_safe(self, within_s: float | None = None) -> None:
        """Sends the make-safe lines, if the dialect has any."""
        await self._talk.make_safe("", within_s)
