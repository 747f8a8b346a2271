"""The load switch: contactors that connect loads and bays.

The instrument tells the state of the coil, not of the contact: whether the load is really there is for a
measurement to prove. Some tell nothing of their relays (`reads_back`). Never switch under signal, never open under DC;
that order is the caller's.
"""

from __future__ import annotations

from collections.abc import Sequence

from drivers.dialect import Dialect
from drivers.dialect_model import RelayWord
from drivers.errors import SettingRefused
from drivers.reply_text import altered_word, each_value, relays_on
from drivers.roles.common import Conversation
from drivers.speaker import Speaker, told


class LoadSwitch:
    """Contacts are named as on the instrument ("101"). reads_back: its relays can be asked; where not, what was told is
    never said to be seen."""

    def __init__(self, speaker: Speaker, dialect: Dialect, *, reads_back: bool = True) -> None:
        self.reads_back = reads_back and dialect.reads_contacts
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
        """Close these; returns when they are quiet. Raises SettingRefused if a coil is seen not to be on."""
        self._talk.require_prepared("closing contacts")
        self._closed |= dict.fromkeys(contacts)
        await self._switch("close", tuple(contacts), want=True)

    async def open(self, contacts: Sequence[str]) -> None:
        """Open these; returns when they are quiet. Raises SettingRefused if a coil is seen to be still on."""
        await self._switch("open", tuple(contacts), want=False)
        for name in contacts:
            self._closed.pop(name, None)

    async def open_all(self, verify: Sequence[str] = ()) -> None:
        """Open every contact; the coils of `verify`, by default of all that was closed here, are read back."""
        if (word := self._dialect.relay_word) is not None:
            await self._write_word(word, tuple(word.bits), on=False)
        else:
            await self._speaker.tell(*self._dialect.act("open_all"))
        await self._settle("opening all contacts", tuple(verify) or tuple(self._closed), want=False)
        self._closed.clear()

    async def states(self, contacts: Sequence[str]) -> dict[str, bool]:
        """Contact -> coil is on. Raises SettingRefused where its relays can't be asked."""
        if not contacts:
            return {}
        if not self.reads_back:
            raise SettingRefused(self._speaker.name, "its relays can't be read back")
        if (word := self._dialect.relay_word) is not None:
            self._require_known(word, contacts)
            _, on = await self._read_word(word)
            return {name: name in on for name in contacts}
        table = self._dialect.each("states")
        found: dict[str, float | bool] = {}
        for question, names in self._dialect.each_asked("states", contacts):
            found |= each_value(table, await self._speaker.ask(question), names, self._speaker.name)
        return {name: bool(state) for name, state in found.items()}

    def make_safe_lines(self) -> tuple[str, ...]:
        """None for most: a load that stays connected bleeds the rail, and opening under DC welds."""
        return self._dialect.make_safe_lines()

    async def make_safe(self, within_s: float | None = None) -> None:
        """Sends the make-safe lines, if the dialect has any."""
        await self._talk.make_safe("", within_s)

    async def _switch(self, act: str, contacts: tuple[str, ...], want: bool) -> None:
        if not contacts:
            return
        if (word := self._dialect.relay_word) is not None:
            await self._write_word(word, contacts, on=want)
        else:
            await self._speaker.tell(*self._dialect.contacts_act(act, contacts))
        await self._settle(f"{act} {', '.join(contacts)}", contacts, want)

    async def _settle(self, doing: str, contacts: tuple[str, ...], want: bool) -> None:
        await self._talk.drain(doing)
        seen = await self.states(contacts) if self.reads_back else {}
        wrong = [name for name, on in seen.items() if on is not want]
        if wrong:
            state = "off" if want else "on"
            raise SettingRefused(self._speaker.name, f"{doing}: the coil of {', '.join(wrong)} reads {state}")
        await self._speaker.clock.sleep(self.settle_s)

    # --- relays that are bits of one word ------------------------------------------------------------

    async def _read_word(self, table: RelayWord) -> tuple[int, frozenset[str]]:
        reply = await self._speaker.ask(self._dialect.question(table.ask, table.bytes))
        return relays_on(table, reply, self._speaker.name)

    async def _write_word(self, table: RelayWord, contacts: Sequence[str], *, on: bool) -> None:
        """The word is read each time: what somebody moved by hand meanwhile is not moved back."""
        self._require_known(table, contacts)
        word, _ = await self._read_word(table)
        text = str(altered_word(table, word, contacts, on))
        lines = (self._dialect.filled(line, word=text) for line in table.send)
        await self._speaker.tell(*told(lines, self._dialect.select, table.wait_s))

    def _require_known(self, table: RelayWord, contacts: Sequence[str]) -> None:
        if unknown := [name for name in contacts if name not in table.bits]:
            known = ", ".join(table.bits)
            raise SettingRefused(self._speaker.name, f"no bit is known for {', '.join(unknown)}; it has {known}")
