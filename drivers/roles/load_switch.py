"""The load switch: contactors that connect loads and bays.

The instrument tells the state of the coil, not of the contact: whether the load is really there is for a
measurement to prove. Never switch under signal, never open under DC; that order is the caller's.
"""

from __future__ import annotations

from collections.abc import Sequence

from drivers import scpi
from drivers.dialect import Dialect
from drivers.errors import SettingRefused
from drivers.reply_text import each_value
from drivers.roles.common import Conversation
from drivers.speaker import Speaker


class LoadSwitch:
    """Contacts are named as on the instrument ("101")."""

    def __init__(self, speaker: Speaker, dialect: Dialect) -> None:
        self._talk = Conversation(speaker, dialect)
        self._speaker = speaker
        self._dialect = dialect
        self._closed: dict[str, None] = {}  # by us, in order; told open by nobody yet

    @property
    def settle_s(self) -> float:
        """From the coil's answer to a quiet contact, s."""
        settle_s = self._dialect.facts.settle_s
        assert settle_s is not None
        return settle_s

    async def prepare(self) -> None:
        """Empty the error queue. No contact moves: the bench may be energised when a link comes back."""
        self._talk.forget()
        await self._talk.drain("preparation")
        self._talk.prepared(self._speaker.openings)

    async def close(self, contacts: Sequence[str]) -> None:
        """Close these; returns when they are quiet. Raises SettingRefused if a coil is not on."""
        self._talk.require_prepared("closing contacts")
        self._closed |= dict.fromkeys(contacts)
        await self._switch("close", tuple(contacts), want=True)

    async def open(self, contacts: Sequence[str]) -> None:
        """Open these; returns when they are quiet. Raises SettingRefused if a coil is still on."""
        await self._switch("open", tuple(contacts), want=False)
        for name in contacts:
            self._closed.pop(name, None)

    async def open_all(self, verify: Sequence[str] = ()) -> None:
        """Open every contact; the coils of `verify`, by default of all that was closed here, are read back."""
        await self._speaker.tell(*self._dialect.act("open_all"))
        await self._settle("opening all contacts", tuple(verify) or tuple(self._closed), want=False)
        self._closed.clear()

    async def states(self, contacts: Sequence[str]) -> dict[str, bool]:
        """Contact -> coil is on."""
        if not contacts:
            return {}
        table = self._dialect.each("states")
        question = self._dialect.question(table.ask, names=scpi.channel_list(contacts))
        found = each_value(table, await self._speaker.ask(question), contacts, self._speaker.name)
        return {name: bool(on) for name, on in found.items()}

    def make_safe_lines(self) -> tuple[str, ...]:
        """None for most: a load that stays connected bleeds the rail, and opening under DC welds."""
        return self._dialect.make_safe_lines()

    async def make_safe(self, within_s: float | None = None) -> None:
        """Sends the make-safe lines, if the dialect has any."""
        await self._talk.make_safe("", within_s)

    async def _switch(self, act: str, contacts: tuple[str, ...], want: bool) -> None:
        if not contacts:
            return
        await self._speaker.tell(*self._dialect.act(act, contacts=scpi.channel_list(contacts)))
        await self._settle(f"{act} {', '.join(contacts)}", contacts, want)

    async def _settle(self, doing: str, contacts: tuple[str, ...], want: bool) -> None:
        await self._talk.drain(doing)
        wrong = [name for name, on in (await self.states(contacts)).items() if on is not want]
        if wrong:
            state = "off" if want else "on"
            raise SettingRefused(self._speaker.name, f"{doing}: the coil of {', '.join(wrong)} reads {state}")
        await self._speaker.clock.sleep(self.settle_s)
