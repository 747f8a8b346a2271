"""One setting of a dialect: value to text, reply to value, and whether the two agree. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_DOWN, ROUND_HALF_EVEN, Context, Decimal

from drivers import scpi
from drivers.conversions import CONVERSIONS, Conversion, Surroundings
from drivers.dialect_model import BooleanSetting, NumberSetting, Setting, WordSetting
from drivers.errors import GarbledReply

Value = float | bool | str
NOWHERE = Surroundings()


def fill(template: str, values: Mapping[str, str]) -> str:
    """Placeholders replaced; no format language: `{x}` and nothing else."""
    for place, text in values.items():
        template = template.replace("{" + place + "}", text)
    return template


def _quantised(value: float, setting: NumberSetting) -> Decimal:
    # repr gives the shortest decimal that is this float, so 0.3 stays 0.3 when it is rounded down.
    exact = Decimal(repr(float(value)))
    rounding = ROUND_DOWN if setting.round == "down" else ROUND_HALF_EVEN
    if setting.decimals is not None:
        return exact.quantize(Decimal(1).scaleb(-setting.decimals), context=Context(40, rounding))
    return Context(setting.digits or 15, rounding).plus(exact)


def number_text(value: float, setting: NumberSetting) -> str:
    """The instrument's number (already converted) as sent: fixed or with exponent, the point a point."""
    rounded = _quantised(value, setting)
    if setting.decimals is not None:
        return format(rounded, "f")
    return format(rounded, f".{(setting.digits or 15) - 1}E")


@dataclass(frozen=True)
class SettingText:
    """name, its placeholder, and the table of the file. channel: of the instrument, for `{channel}`."""

    name: str
    place: str
    table: Setting
    channel: int = 1

    @property
    def readable(self) -> bool:
        return self.table.ask is not None

    def messages(self, value: Value, around: Surroundings = NOWHERE, input_number: int = 0) -> tuple[str, ...]:
        """The messages that set `value` (our unit: Vrms, Hz, s, V, a word of ours, on or off)."""
        values = self._address(input_number) | {self.place: self.value_text(value, around)}
        return tuple(fill(line, values) for line in self.table.send)

    def question(self, input_number: int = 0) -> str:
        """The query; only for readable settings."""
        assert self.table.ask is not None, f"{self.name} can't be read back"
        return fill(self.table.ask, self._address(input_number))

    def value_text(self, value: Value, around: Surroundings = NOWHERE) -> str:
        """`value` as the instrument takes it."""
        table = self.table
        if isinstance(table, WordSetting):
            return scpi.short_form(table.words[str(value)])
        if isinstance(table, BooleanSetting):
            return table.on if value else table.off
        if math.isinf(float(value)) and table.infinite is not None:
            return table.infinite
        return number_text(self._conversion(table).there(float(value), self._around(around)), table)

    def rounded(self, value: float, around: Surroundings = NOWHERE) -> float:
        """`value` as it will stand after rounding to what can be sent, back in our unit. ValueError if it is not a
        finite number."""
        table = self._number_table()
        if not math.isfinite(value):
            raise ValueError(f"{value} is not a finite number")
        there = self._conversion(table).there(value, self._around(around))
        return self._conversion(table).back(float(_quantised(there, table)), self._around(around))

    def parse(self, reply: str, instrument: str, around: Surroundings = NOWHERE) -> Value:
        """The reply in our unit. Raises NotANumber or GarbledReply."""
        table = self.table
        body = scpi.without_label(reply, table.label, instrument)
        if isinstance(table, BooleanSetting):
            return scpi.boolean(body, instrument)
        if isinstance(table, WordSetting):
            return self._word(body, table, instrument)
        read = self._read_number(body, table, instrument)
        return self._conversion(table).back(read, self._around(around))

    def agrees(self, value: Value, reply: str, instrument: str, around: Surroundings = NOWHERE) -> bool:
        """True if the reply says that `value`, as it was sent, is what is set."""
        table = self.table
        body = scpi.without_label(reply, table.label, instrument)
        if isinstance(table, WordSetting):
            return scpi.word_is(body, table.words[str(value)])
        if isinstance(table, BooleanSetting):
            return scpi.boolean(body, instrument) == value
        read = self._read_number(body, table, instrument)
        if math.isinf(float(value)) or math.isinf(read):
            return read == value
        sent = float(self.value_text(value, around))
        allowed = (table.within or 0.0) + (table.within_relative or 0.0) * abs(sent)
        return abs(read - sent) <= allowed * (1 + 1e-9)

    def _number_table(self) -> NumberSetting:
        assert isinstance(self.table, NumberSetting), f"{self.name} is not a number"
        return self.table

    def _address(self, input_number: int) -> dict[str, str]:
        return {"channel": str(self.channel), "input": str(input_number)}

    def _around(self, around: Surroundings) -> Surroundings:
        divisions = self._number_table().half_divisions
        return Surroundings(around.record_s, divisions if divisions is not None else math.nan)

    @staticmethod
    def _conversion(table: NumberSetting) -> Conversion:
        return CONVERSIONS[table.convert]

    @staticmethod
    def _read_number(body: str, table: NumberSetting, instrument: str) -> float:
        if table.infinite is not None:
            return scpi.number_or_infinite(body, instrument)
        return scpi.number(body, instrument)

    def _word(self, body: str, table: WordSetting, instrument: str) -> str:
        for ours, theirs in table.words.items():
            if scpi.word_is(body, theirs):
                return ours
        raise GarbledReply(instrument, f"{body!r} is no word of the setting {self.name}")
