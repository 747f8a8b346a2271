"""The generator: counted bursts of a sine, fired one by one, never above a ceiling.

A level is always that of the sine inside the burst, in volts rms of the e.m.f.: the load setting is "infinite",
since an amplifier's input is (10 kohm and more against 50 ohm).
"""

from __future__ import annotations

import math
import operator
from contextlib import suppress
from dataclasses import dataclass
from typing import NamedTuple

from drivers.dialect import Dialect
from drivers.dialect_model import NumberSetting
from drivers.errors import CeilingPassed, InstrumentError, SettingRefused
from drivers.roles.common import Conversation, Put
from drivers.setting_text import SettingText
from drivers.speaker import Speaker


@dataclass(frozen=True)
class GeneratorCeilings:
    """Nothing may exceed these: level_vrms, length of a burst in s, lowest and highest frequency in Hz."""

    level_vrms: float
    burst_s: float
    frequency_hz: tuple[float, float]

    def __post_init__(self) -> None:
        numbers = (self.level_vrms, self.burst_s, *self.frequency_hz)
        if not all(math.isfinite(n) and n > 0 for n in numbers) or self.frequency_hz[0] > self.frequency_hz[1]:
            raise ValueError(f"ceilings must be finite and positive, frequencies in order: {self}")


class SecondSet(NamedTuple):
    """A second tone beside the first. ratio: the first one's peak over its own."""

    frequency_hz: float
    ratio: float


@dataclass(frozen=True)
class BurstSet:
    """A burst as it stands in the instrument: level rounded down to what it can set. second: of two tones; the level is
    then that of a sine with the crest of their sum, which is what the ceiling counts."""

    level_vrms: float
    frequency_hz: float
    cycles: int
    second: SecondSet | None = None


def burst_within(
    asked: BurstSet, ceilings: GeneratorCeilings, level: SettingText, frequency: SettingText, instrument: str
) -> BurstSet:
    """The burst as it would be sent. Pure. Raises CeilingPassed before anything could be sent."""

    def refuse(sentence: str) -> CeilingPassed:
        return CeilingPassed(instrument, f"{sentence}; nothing was sent")

    try:
        cycles = operator.index(asked.cycles)
    except TypeError:
        raise refuse(f"{asked.cycles!r} cycles: only whole numbers are fired") from None
    if isinstance(asked.cycles, bool) or cycles < 1:
        raise refuse(f"{asked.cycles!r} cycles: at least 1 is fired")
    if not (math.isfinite(asked.level_vrms) and asked.level_vrms > 0):
        raise refuse(f"{asked.level_vrms!r} Vrms is no level")
    if asked.level_vrms > ceilings.level_vrms:
        raise refuse(f"{asked.level_vrms:g} Vrms is above the ceiling of {ceilings.level_vrms:g} Vrms")
    lowest, highest = ceilings.frequency_hz
    if not (math.isfinite(asked.frequency_hz) and lowest <= asked.frequency_hz <= highest):
        raise refuse(f"{asked.frequency_hz!r} Hz is not within {lowest:g} to {highest:g} Hz")
    if cycles > ceilings.burst_s * asked.frequency_hz * (1 + 1e-12):
        length_s = cycles / asked.frequency_hz
        raise refuse(f"a burst of {length_s:g} s is longer than the ceiling of {ceilings.burst_s:g} s")
    second = asked.second
    if second is not None:
        if not (math.isfinite(second.frequency_hz) and lowest <= second.frequency_hz <= highest):
            raise refuse(f"a second tone of {second.frequency_hz!r} Hz is not within {lowest:g} to {highest:g} Hz")
        if not (math.isfinite(second.ratio) and second.ratio > 0):
            raise refuse(f"{second.ratio!r} is no ratio of two tones")
    return BurstSet(level.rounded(asked.level_vrms), frequency.rounded(asked.frequency_hz), cycles, second)


class Generator:
    """Call `prepare` first, and again whenever the link was reopened; it fires nothing before."""

    def __init__(self, speaker: Speaker, dialect: Dialect, ceilings: GeneratorCeilings) -> None:
        self._talk = Conversation(speaker, dialect)
        self._speaker = speaker
        self._dialect = dialect
        self._ceilings = ceilings
        self._burst: BurstSet | None = None
        self._two_tones = False  # the shape may stand otherwise than as a plain sine

    @property
    def plays_two_tones(self) -> bool:
        """Whether the instrument can play a second tone with the first."""
        return self._talk.has("second_frequency")

    @property
    def smallest_vrms(self) -> float:
        """The least level that can be set, Vrms."""
        table = self._talk.setting("level").table
        assert isinstance(table, NumberSetting)
        return table.smallest or 0.0

    async def prepare(self) -> None:
        """Output off, then everything that makes `output(True)` silent until a burst is fired.

        The load setting comes before the unit and the level, because it changes their numbers. Raises
        SettingRefused, LinkTimeout and the other errors of drivers.errors.
        """
        self._talk.forget()
        self._burst, self._two_tones = None, False
        await self._talk.put("output off", Put("output", False))
        openings = self._speaker.openings
        await self._talk.put("preparation", *self._quiet_settings())
        self._talk.prepared(openings)

    async def set_burst(
        self, level_vrms: float, frequency_hz: float, cycles: int, second: tuple[float, float] | None = None
    ) -> BurstSet:
        """Set and read back a burst; level rounded down to the resolution. second: (Hz, peak of the first tone over its
        own).

        Load setting and unit of the level are asked for again each time: either one, turned at the instrument's own
        keys, makes another level of the same number, which then reads back as it was sent.

        Raises CeilingPassed (nothing was sent), SettingRefused (it reads back otherwise, or it plays one tone only).
        """
        asked = BurstSet(level_vrms, frequency_hz, cycles, None if second is None else SecondSet(*second))
        level, frequency = self._talk.setting("level"), self._talk.setting("frequency")
        burst = burst_within(asked, self._ceilings, level, frequency, self._speaker.name)
        # Of peaks, the least level rounds to a little less than its decimals in the file say.
        if burst.level_vrms < level.rounded(self.smallest_vrms):
            sentence = f"{level_vrms:g} Vrms is below the least level, {self.smallest_vrms:g} Vrms; nothing was sent"
            raise CeilingPassed(self._speaker.name, sentence)
        if second is not None and not self.plays_two_tones:
            raise SettingRefused(self._speaker.name, "this generator plays one tone only")
        self._talk.require_prepared("setting a burst")
        self._burst = None
        await self._talk.put(
            "setting a burst",
            Put("cycles", burst.cycles),
            *self._shape(burst.second),
            Put("frequency", burst.frequency_hz),
            Put("level", burst.level_vrms),
        )
        self._two_tones = second is not None
        load = (Put("load", math.inf),) if self._talk.has("load") else ()
        await self._talk.compare(*load, *self._level_unit(), Put("burst", True))
        self._talk.require_prepared("setting a burst")
        self._burst = burst
        return burst

    def _shape(self, second: SecondSet | None) -> tuple[Put, ...]:
        """Nothing where it stands as it should: a plain sine is what `prepare` leaves."""
        if second is None:
            return (Put("shape", "sine"),) if self._two_tones else ()
        self._two_tones = True
        tone = Put("second_frequency", second.frequency_hz), Put("second_ratio", second.ratio)
        return (*tone, Put("shape", "two_tones"))

    async def output(self, on: bool) -> None:
        """Switch the output and read it back. On is refused unless bursts are armed and silent."""
        if not on:
            await self._talk.put("output off", Put("output", False))
            return
        self._talk.require_prepared("output on")
        # A generator that restarted unseen plays a continuous tone when switched on. So burst and trigger
        # source travel with the switch: if the link breaks between them, the switch does not arrive either.
        silent = (Put("trigger_source", "bus"), Put("burst", True))
        try:
            await self._talk.put("output on", *silent, Put("output", True))
            self._talk.require_prepared("output on")
        except InstrumentError:
            with suppress(InstrumentError):  # the first error says more
                await self.make_safe()
            raise

    async def fire(self) -> None:
        """One burst, at once. Raises SettingRefused if the instrument did not fire it."""
        self._talk.require_prepared("firing")
        if self._burst is None:
            raise SettingRefused(self._speaker.name, "firing refused: no burst is set")
        await self._speaker.tell(*self._dialect.act("fire"))
        await self._talk.drain("firing")
        self._talk.require_prepared("firing")

    def make_safe_lines(self) -> tuple[str, ...]:
        """Messages that silence it from any state, without waiting for replies."""
        return self._dialect.make_safe_lines()

    async def make_safe(self, within_s: float | None = None) -> None:
        """Output off before all that waits, and read back. Raises SettingRefused if it still reads on."""
        await self._talk.make_safe("output", within_s)

    def _quiet_settings(self) -> tuple[Put, ...]:
        """In this order. Level and cycles are made small, so that nothing loud is left from before."""
        low, high = self._ceilings.frequency_hz
        puts = (
            Put("shape", "sine"),
            Put("load", math.inf),
            *self._level_unit(),
            Put("level", self.smallest_vrms),
            Put("offset", 0.0),
            Put("phase", 0.0),
            Put("frequency", min(max(1000.0, low), high)),
            Put("burst_mode", "triggered"),
            Put("cycles", 1),
            Put("trigger_source", "bus"),
            Put("burst", True),
        )
        return tuple(p for p in puts if self._talk.has(p.name))

    def _level_unit(self) -> tuple[Put, ...]:
        return (Put("level_unit", self._unit()),) if self._talk.has("level_unit") else ()

    def _unit(self) -> str:
        table = self._talk.setting("level").table
        assert isinstance(table, NumberSetting)
        return "vpp" if "_to_vpp" in table.convert else "vrms"
