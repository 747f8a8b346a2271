"""The meter: true rms of AC volts, by which the gain of a digitiser's ranges is known better than by its maker."""

from __future__ import annotations

import math
from dataclasses import dataclass

from drivers.dialect import Dialect
from drivers.errors import SettingRefused
from drivers.reply_text import ohms_value, reading_values
from drivers.roles.common import Conversation, Put
from drivers.speaker import Speaker

LOWEST_HZ = 20.0  # its filter settles sooner than for less, and reads every tone of a comparison right
MAINS_CYCLES = 10.0  # of averaging: 0.2 s at 50 Hz
RANGE_ALIKE = 1e-3  # replies carry rounded digits


@dataclass(frozen=True)
class MeterReading:
    """vrms: true rms of the AC part, V. range_vrms: of the range it was read on."""

    vrms: float
    range_vrms: float


class Meter:
    """It only listens: what it is connected to is the bench's matter."""

    def __init__(self, speaker: Speaker, dialect: Dialect) -> None:
        self._talk = Conversation(speaker, dialect)
        self._speaker = speaker
        self._dialect = dialect
        self._range_vrms: float | None = None

    async def prepare(self) -> None:
        """AC volts, the filter from 20 Hz, 10 mains periods of averaging, each read back. Raises SettingRefused."""
        self._talk.forget()
        self._range_vrms = None
        await self._talk.put("function", Put("function", "ac_volts"))
        openings = self._speaker.openings
        puts = Put("lowest_frequency", LOWEST_HZ), Put("average", MAINS_CYCLES)
        await self._talk.put_if_there("preparation", *puts)
        self._talk.prepared(openings)

    async def set_range(self, vrms: float) -> float:
        """The range that holds so many volts; returns the range taken, V rms. Raises SettingRefused where it is
        smaller, or vrms is not above 0. All else is set again too: it may have restarted and kept its link."""
        if not (math.isfinite(vrms) and vrms > 0.0):
            raise SettingRefused(self._speaker.name, f"a range for {vrms!r} Vrms: nothing was sent")
        try:
            await self.prepare()
        except SettingRefused:
            await self.prepare()  # some tell a restart once, among their errors
        await self._talk.send(Put("range", vrms))
        await self._talk.drain("setting a range")
        taken = float(await self._talk.ask_setting("range"))
        self._talk.require_prepared("setting a range")
        if taken < vrms * (1.0 - RANGE_ALIKE):
            raise SettingRefused(self._speaker.name, f"range of {taken:g} V taken where {vrms:g} V were asked for")
        self._range_vrms = taken
        return taken

    async def read(self) -> MeterReading:
        """One settled reading, good if `confirm` says so afterwards. Raises NotANumber for an overload, SettingRefused
        before `set_range`."""
        self._talk.require_prepared("reading")
        if self._range_vrms is None:
            raise SettingRefused(self._speaker.name, "reading refused: its range was not set")
        found: dict[str, float] = {}
        for part in self._dialect.reading("measured"):
            reply = await self._speaker.ask(self._dialect.reading_asked(part))
            found |= reading_values(part, reply, self._speaker.name)
        # Reopened by this very question, it may have answered as another kind of meter.
        self._talk.require_prepared("reading")
        return MeterReading(found["volts"], self._range_vrms)

    @property
    def reads_ohms(self) -> bool:
        """The dialect file has a word and a reading for it."""
        return self._talk.has_word("function", "ohms")

    async def read_ohms(self) -> float:
        """Between its leads; infinity beyond its range. Afterwards it is no meter of volts until `set_range`. Raises
        SettingRefused, NotANumber."""
        if not self.reads_ohms:
            raise SettingRefused(self._speaker.name, f"{self._dialect.name} has no word for ohms")
        self._talk.forget()
        self._range_vrms = None
        ohms = Put("function", "ohms")
        await self._talk.put("ohms", ohms)
        openings = self._speaker.openings
        (part,) = self._dialect.reading("resistance")
        reply = await self._speaker.ask(self._dialect.reading_asked(part))
        await self._talk.compare(ohms)
        if self._speaker.openings != openings:
            raise SettingRefused(self._speaker.name, "the link was reopened while ohms were read: it may be volts")
        return ohms_value(part, reply, self._speaker.name)

    async def confirm(self) -> None:
        """After a reading: it still is what it was set to be, else the reading is void. Raises SettingRefused, or
        LinkTimeout where it answers no such question any more; the next `set_range` sets all of it again."""
        try:
            await self._talk.compare(Put("function", "ac_volts"))
            taken = float(await self._talk.ask_setting("range"))
            self._talk.require_prepared("confirming a reading")
            if taken != self._range_vrms:
                sentence = (
                    f"range reads {taken:g} V where {self._range_vrms} V was taken: it restarted, the reading is void"
                )
                raise SettingRefused(self._speaker.name, sentence)
        except BaseException:
            self._talk.forget()
            raise

    def make_safe_lines(self) -> tuple[str, ...]:
        """Nothing it does can harm."""
        return self._dialect.make_safe_lines()
