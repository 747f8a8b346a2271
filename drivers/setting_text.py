"""One setting of a dialect: value to text, reply to value, and whether the two agree. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_FLOOR, ROUND_HALF_EVEN, Context, Decimal

from drivers import scpi
from drivers.conversions import CONVERSIONS, Conversion, Surroundings
from drivers.dialect_model import BooleanSetting, NumberSetting, Rung, Setting, WordSetting
from drivers.errors import GarbledReply
from drivers.reply_forms import value_in, without_unit
from drivers.speaker import asked, told

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
    rounding = ROUND_FLOOR if setting.round == "down" else ROUND_HALF_EVEN
    if setting.decimals is not None:
        return exact.quantize(Decimal(1).scaleb(-setting.decimals), context=Context(40, rounding))
    return Context(setting.digits or 15, rounding).plus(exact)


def number_text(value: float, setting: NumberSetting) -> str:
    """The instrument's number (already converted) as sent: fixed or with exponent, the point a point."""
    rounded, plus = _quantised(value, setting), "+" if setting.sign else ""
    if setting.decimals is not None:
        return format(rounded, f"{plus}f").zfill(setting.width or 0)
    return format(rounded, f"{plus}.{(setting.digits or 15) - 1}E")


def counted_as(read: float, count_of: float) -> float:
    """`read` counts of so much each. By decimals: 235 tenths are 23.5."""
    return float(Decimal(repr(read)) * Decimal(repr(count_of))) if math.isfinite(read) else read


def _on_or_off(body: str, table: BooleanSetting, instrument: str) -> bool:
    for word, means in ((table.on, True), (table.off, False)):
        if body.upper() == word.upper():
            return means
    return scpi.boolean(body, instrument)


def _rung_named(body: str, table: NumberSetting) -> Rung | None:
    return next((rung for rung in table.rungs if scpi.word_is(body, rung.word)), None)


@dataclass(frozen=True)
class SettingText:
    """name, its placeholder, and the table of the file. channel: of the instrument, for `{channel}`. select: what is
    told before each of its messages. inputs: their names on the instrument, where they are not numbers."""

    name: str
    place: str
    table: Setting
    channel: int = 1
    select: tuple[str, ...] = ()
    inputs: tuple[str, ...] = ()

    @property
    def readable(self) -> bool:
        return self.table.ask is not None

    def messages(self, value: Value, around: Surroundings = NOWHERE, input_number: int = 0) -> tuple[str, ...]:
        """The messages that set `value` (our unit: Vrms, Hz, s, V, a word of ours, on or off)."""
        values = self._address(input_number) | {self.place: self.value_text(value, around)}
        return told((fill(line, values) for line in self.table.send), self.select, self.table.wait_s)

    def question(self, input_number: int = 0) -> str:
        """The query; only for readable settings."""
        assert self.table.ask is not None, f"{self.name} can't be read back"
        return asked(fill(self.table.ask, self._address(input_number)), self.select, self.table.bytes)

    def value_text(self, value: Value, around: Surroundings = NOWHERE) -> str:
        """`value` as the instrument takes it."""
        table = self.table
        if isinstance(table, WordSetting):
            return scpi.short_form(table.words[str(value)])
        if isinstance(table, BooleanSetting):
            return table.on if value else table.off
        if math.isinf(float(value)) and table.infinite is not None:
            return table.infinite
        if table.rungs:
            return self._rung(self._at_terminal(float(value), around), table).word
        return number_text(self._there(float(value), table, around), table)

    def rounded(self, value: float, around: Surroundings = NOWHERE) -> float:
        """`value` as it will stand after rounding to what can be sent, back in our unit. ValueError if it is not a
        finite number."""
        table = self._number_table()
        if not math.isfinite(value):
            raise ValueError(f"{value} is not a finite number")
        return self._back(float(_quantised(self._there(value, table, around), table)), table, around)

    def parse(self, reply: str, instrument: str, around: Surroundings = NOWHERE) -> Value:
        """The reply in our unit. Raises NotANumber or GarbledReply."""
        table, body = self.table, self._body(reply, instrument)
        if isinstance(table, BooleanSetting):
            return _on_or_off(body, table, instrument)
        if isinstance(table, WordSetting):
            return self._word(body, table, instrument)
        if (rung := _rung_named(body, table)) is not None:
            return rung.value * (around.attenuation if table.at_terminal else 1.0)
        return self._back(self._read_number(body, table, instrument), table, around)

    def agrees(self, value: Value, reply: str, instrument: str, around: Surroundings = NOWHERE) -> bool:
        """True if the reply says that `value`, as it was sent, is what is set."""
        table, body = self.table, self._body(reply, instrument)
        if isinstance(table, WordSetting):
            return scpi.word_is(body, table.words[str(value)])
        if isinstance(table, BooleanSetting):
            return _on_or_off(body, table, instrument) == value
        if table.rungs:
            return _rung_named(body, table) == self._rung(self._at_terminal(float(value), around), table)
        read = self._read_number(body, table, instrument)
        if math.isinf(float(value)) or math.isinf(read):
            return read == value
        sent = float(self.value_text(value, around))
        allowed = (table.within or 0.0) + (table.within_relative or 0.0) * abs(sent)
        return abs(read - sent) <= allowed * (1 + 1e-9)

    def _body(self, reply: str, instrument: str) -> str:
        """The text of the value alone."""
        table = self.table
        body = value_in(table.reply, scpi.without_label(reply, table.label, instrument), instrument)
        return without_unit(body, table.unit, instrument) if isinstance(table, NumberSetting) else body

    def _number_table(self) -> NumberSetting:
        assert isinstance(self.table, NumberSetting), f"{self.name} is not a number"
        return self.table

    def _address(self, input_number: int) -> dict[str, str]:
        named = self.inputs[input_number - 1] if self.inputs and input_number else str(input_number)
        return {"channel": str(self.channel), "input": named}

    def _at_terminal(self, value: float, around: Surroundings) -> float:
        return value / around.attenuation if self._number_table().at_terminal else value

    def _around(self, around: Surroundings) -> Surroundings:
        divisions = self._number_table().half_divisions
        half = divisions if divisions is not None else math.nan
        return Surroundings(around.record_s, half, around.interval_s)

    def _there(self, value: float, table: NumberSetting, around: Surroundings) -> float:
        """Our value as the instrument counts it."""
        # Decimal division, so that 1.27 in hundredths is 127 and not 127.00000000000001, which rounds otherwise.
        converted = self._conversion(table).there(self._at_terminal(value, around), self._around(around))
        if table.count_of == 1.0 or not math.isfinite(converted):
            return converted
        return float(Decimal(repr(converted)) / Decimal(repr(table.count_of)))

    def _back(self, read: float, table: NumberSetting, around: Surroundings) -> float:
        counted = read if table.count_of == 1.0 else counted_as(read, table.count_of)
        there = self._conversion(table).back(counted, self._around(around))
        return there * around.attenuation if table.at_terminal else there

    @staticmethod
    def _conversion(table: NumberSetting) -> Conversion:
        return CONVERSIONS[table.convert]

    @staticmethod
    def _rung(value: float, table: NumberSetting) -> Rung:
        """The least that reaches `value`, else the largest: what was taken is for the role to judge. Rounded down, the
        largest that does not pass it, else the least."""
        rungs = sorted(table.rungs, key=lambda rung: rung.value)
        if table.round == "down":
            return next((rung for rung in reversed(rungs) if rung.value <= value * (1 + 1e-9)), rungs[0])
        return next((rung for rung in rungs if rung.value >= value * (1 - 1e-9)), rungs[-1])

    @staticmethod
    def _read_number(body: str, table: NumberSetting, instrument: str) -> float:
        if table.infinite is not None and body.upper() == table.infinite.upper():
            return math.inf
        if table.infinite is not None:
            return scpi.number_or_infinite(body, instrument)
        return scpi.number(body, instrument)

    def _word(self, body: str, table: WordSetting, instrument: str) -> str:
        for ours, theirs in table.words.items():
            if scpi.word_is(body, theirs):
                return ours
        raise GarbledReply(instrument, f"{body!r} is no word of the setting {self.name}")
