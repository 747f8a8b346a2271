"""The interlock: contacts that must be closed for power and signal (emergency stop, thermostat on the loads, cover)."""

from __future__ import annotations

from collections.abc import Sequence

from drivers.dialect import Dialect
from drivers.reply_text import each_value
from drivers.roles.common import Conversation
from drivers.speaker import Speaker


class Interlock:
    """Contacts are named as on the instrument ("401"). It is only read."""

    def __init__(self, speaker: Speaker, dialect: Dialect) -> None:
        self._talk = Conversation(speaker, dialect)
        self._speaker = speaker
        self._dialect = dialect

    async def prepare(self) -> None:
        """Empties the error queue."""
        await self._talk.drain("preparation")

    async def read(self, contacts: Sequence[str]) -> dict[str, bool]:
        """Contact -> is closed. Raises NotANumber for one of which the instrument knows neither."""
        table = self._dialect.each("contacts")
        found: dict[str, float | bool] = {}
        for question, names in self._dialect.each_asked("contacts", contacts):
            found |= each_value(table, await self._speaker.ask(question), names, self._speaker.name)
        return {name: bool(closed) for name, closed in found.items()}

    def make_safe_lines(self) -> tuple[str, ...]:
        """Nothing it does can harm."""
        return self._dialect.make_safe_lines()
