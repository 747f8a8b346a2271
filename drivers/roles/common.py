"""What every role does alike: send a group of settings, drain the error queue once, read back and compare, and
notice that the link was reopened since the settings were made.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from drivers.conversions import Surroundings
from drivers.dialect import Dialect
from drivers.dialect_model import WordSetting
from drivers.error_text import error_form
from drivers.errors import SettingRefused
from drivers.scpi import ErrorEntry
from drivers.setting_text import NOWHERE, SettingText, Value
from drivers.speaker import Speaker

# SCPI-1999 vol. 2, 21.8 (from memory): -500 to -899 report events (power on, user request), not faults.
_EVENTS = range(-899, -499)


@dataclass(frozen=True)
class Put:
    """One setting to be made: our value in our unit; input: of a digitiser, else 0."""

    name: str
    value: Value
    input: int = 0
    around: Surroundings = NOWHERE


class Conversation:
    """The talk of one role with one instrument."""

    def __init__(self, speaker: Speaker, dialect: Dialect) -> None:
        self.speaker = speaker
        self.dialect = dialect
        self._prepared_at: int | None = None

    @property
    def name(self) -> str:
        return self.speaker.name

    def setting(self, name: str) -> SettingText:
        return self.dialect.settings[name]

    def has(self, name: str) -> bool:
        return name in self.dialect.settings

    def has_word(self, name: str, word: str) -> bool:
        """Whether the dialect has one of the words that it may do without."""
        table = self.setting(name).table if self.has(name) else None
        return isinstance(table, WordSetting) and word in table.words

    # --- preparation ------------------------------------------------------------------------------

    def forget(self) -> None:
        """The settings count as lost until `prepared` is called."""
        self._prepared_at = None

    def prepared(self, openings_at_start: int) -> None:
        """The settings were made while the link was opened `openings_at_start` times; refuses if it grew."""
        if self.speaker.openings != openings_at_start:
            raise SettingRefused(self.name, "the link was reopened while it was being prepared: prepare again")
        self._prepared_at = openings_at_start

    @property
    def is_prepared(self) -> bool:
        return self._prepared_at is not None and self._prepared_at == self.speaker.openings

    def require_prepared(self, doing: str) -> None:
        """Raises SettingRefused unless the settings made by `prepare` can still be there."""
        if self._prepared_at is None:
            raise SettingRefused(self.name, f"{doing} refused: it was not prepared")
        if not self.is_prepared:
            raise SettingRefused(self.name, f"{doing} refused: the link was reopened, its settings may be lost")

    # --- settings ---------------------------------------------------------------------------------

    async def put(self, group: str, *puts: Put) -> None:
        """Send all, drain once, read all back. Raises SettingRefused naming the setting."""
        await self.send(*puts)
        await self.drain(group)
        await self.compare(*puts)

    async def put_if_there(self, group: str, *puts: Put) -> None:
        """As `put`, without those that the dialect file says the instrument does not have. Only for what may lack."""
        await self.put(group, *(p for p in puts if self.has(p.name)))

    async def send(self, *puts: Put) -> None:
        """Send all in order, in one go; what the instrument made of them is not looked at."""
        if messages := [m for p in puts for m in self._messages(p)]:
            await self.speaker.tell(*messages)

    async def compare(self, *puts: Put) -> None:
        """Read back what is readable and compare with what was sent."""
        for put in puts:
            text = self.setting(put.name)
            if text.readable:
                await self._compare(put, text)

    async def are_set(self, *puts: Put) -> bool:
        """Whether all that is readable still reads as it was sent: a restart may have left the link as it was."""
        for put in puts:
            text = self.setting(put.name)
            if text.readable:
                reply = await self.speaker.ask(text.question(put.input))
                if not text.agrees(put.value, reply, self.name, put.around):
                    return False
        return True

    async def ask_setting(self, name: str, input_number: int = 0, around: Surroundings = NOWHERE) -> Value:
        """What is set now, in our unit."""
        text = self.setting(name)
        reply = await self.speaker.ask(text.question(input_number))
        return text.parse(reply, self.name, around)

    def _messages(self, put: Put) -> tuple[str, ...]:
        return self.setting(put.name).messages(put.value, put.around, put.input)

    async def _compare(self, put: Put, text: SettingText) -> None:
        reply = await self.speaker.ask(text.question(put.input))
        if not text.agrees(put.value, reply, self.name, put.around):
            where = f" of input {put.input}" if put.input else ""
            sent = text.value_text(put.value, put.around)
            raise SettingRefused(self.name, f"{put.name}{where} reads back {reply.strip()!r}, {sent!r} was sent")

    # --- the error queue --------------------------------------------------------------------------

    async def drain(self, doing: str) -> None:
        """Empty the error queue. Raises SettingRefused with the instrument's words if anything was in it."""
        entries = await self._entries()
        if entries:
            raise SettingRefused(self.name, self._sentence(entries, doing))

    async def _entries(self) -> tuple[ErrorEntry, ...]:
        errors = self.dialect.errors
        if errors is None:
            return ()
        entries: list[ErrorEntry] = []
        for _ in range(errors.read_at_most):
            reply = await self.speaker.ask(self.dialect.question(errors.ask))
            entry = error_form(errors).entry(reply, self.name)
            if entry.code == errors.empty_if:
                return tuple(e for e in entries if e.code not in _EVENTS)
            entries.append(entry)
        raise SettingRefused(self.name, f"its error queue does not empty, last entry {entries[-1]}")

    def _sentence(self, entries: Iterable[ErrorEntry], doing: str) -> str:
        errors, listed = self.dialect.errors, tuple(entries)
        assert errors is not None
        codes = {e.code for e in listed}
        words = "; ".join(str(e) for e in listed)
        if codes & set(errors.header_unknown):
            name = self.dialect.name
            return f"{doing}: {words}: it does not know the command: is {name} the right dialect file?"
        if codes & set(errors.not_fired):
            return f"{doing}: {words}: burst not fired"
        if codes & set(errors.settings_refused):
            return f"{doing}: {words}: the setting did not take"
        return f"{doing}: {words}"

    # --- safety -----------------------------------------------------------------------------------

    async def make_safe(self, confirm_off: str = "", within_s: float | None = None) -> None:
        """Send the make-safe lines before all that waits, then ask whether the setting `confirm_off` is off.

        Raises SettingRefused if it still reads on. The error queue is left alone: nothing may hold this up.
        """
        lines = self.dialect.make_safe_lines()
        if lines:
            await self.speaker.tell(*lines, urgent=True, within_s=within_s)
        if confirm_off:
            text = self.setting(confirm_off)
            reply = await self.speaker.ask(text.question(), urgent=True, within_s=within_s)
            if not text.agrees(False, reply, self.name):
                raise SettingRefused(self.name, f"{confirm_off} still reads {reply.strip()!r} after make safe")
