"""Replies that carry several values: meter readings, one value per channel, status bits, preambles. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from drivers import scpi
from drivers.conversions import FORMULAS, Line
from drivers.dialect_model import Completion, Each, Reading, RelayWord, Status, Term, Trace
from drivers.errors import GarbledReply, NotANumber
from drivers.reply_forms import value_in, without_unit
from drivers.setting_text import counted_as

WORD_BITS = {"u16": 16, "i16": 16, "u8": 8, "i8": 8, "f32": 16}  # f32: as what it is kept


def reading_values(part: Reading, reply: str, instrument: str) -> dict[str, float]:
    """Quantity -> value, unit as the file's name says. Raises NotANumber for a sentinel."""
    body = value_in(part.reply, scpi.without_label(reply, part.label, instrument), instrument)
    fields = scpi.fields_of(body, ",", len(part.gives), instrument)
    units = part.units or ("",) * len(fields)
    return {
        name: _number(field, unit, part, instrument)
        for name, field, unit in zip(part.gives, fields, units, strict=True)
    }


def ohms_value(part: Reading, reply: str, instrument: str) -> float:
    """Ohms; infinity where the reply says that they are beyond the range. Raises NotANumber for any other sentinel."""
    try:
        return reading_values(part, reply, instrument)["ohms"]
    except NotANumber:
        body = value_in(part.reply, scpi.without_label(reply, part.label, instrument), instrument)
        if scpi.is_over(body):
            return math.inf
        raise


def _number(text: str, unit: str, table: Reading | Each, instrument: str) -> float:
    if text.strip().upper() in (word.upper() for word in table.no_reading):
        raise NotANumber(instrument, f"answered {text.strip()!r}: no reading")
    return counted_as(scpi.number(without_unit(text, unit, instrument), instrument), table.count_of)


def each_value(table: Each, reply: str, names: Sequence[str], instrument: str) -> dict[str, float | bool]:
    """Channel name -> value. Raises NotANumber naming the channel whose value is a sentinel."""
    try:
        body = value_in(table.reply, reply, instrument)
    except NotANumber as error:
        raise NotANumber(instrument, f"input {', '.join(names)}: {error.sentence}") from error
    if table.answers == "those_on":
        on = _names_on(table, body, instrument)
        return {name: name.upper() in on for name in names}
    fields = scpi.fields_of(body, ",", len(names), instrument)
    return {n: _one(table, n, f, instrument) for n, f in zip(names, fields, strict=True)}


def _names_on(table: Each, body: str, instrument: str) -> frozenset[str]:
    """In capitals."""
    if table.none_on is not None and body.strip().upper() == table.none_on.upper():
        return frozenset()
    bare = table.names_as == "commas"
    listed = scpi.names_of(body, instrument) if bare else scpi.channels_of(body, instrument)
    return frozenset(name.upper() for name in listed)


def _one(table: Each, name: str, text: str, instrument: str) -> float | bool:
    try:
        if table.kind == "boolean":
            return scpi.boolean(text, instrument)
        return _number(text, table.unit, table, instrument)
    except NotANumber as error:
        raise NotANumber(instrument, f"input {name}: {error.sentence} (open or overloaded)") from error


def bits_set(table: Status, reply: str, instrument: str) -> frozenset[str]:
    """The meanings whose bit is set."""
    body = reply if table.byte else value_in(table.reply, reply, instrument)
    value = _byte(reply, instrument) if table.byte else _register(body, instrument, table.hexadecimal)
    return frozenset(m for m, bit in table.bits.items() if bool(value >> bit & 1) is (m not in table.low))


def relays_on(table: RelayWord, reply: str, instrument: str) -> tuple[int, frozenset[str]]:
    """The word itself, and the contacts whose relay is on in it."""
    word = _register(value_in(table.reply, reply, instrument), instrument)
    return word, frozenset(name for name, bit in table.bits.items() if bool(word >> bit & 1) is not table.inverted)


def altered_word(table: RelayWord, word: int, contacts: Sequence[str], on: bool) -> int:
    """`word` with the bits of these contacts so that their relays are on, or off; all others as they are."""
    mask = sum(1 << table.bits[name] for name in set(contacts))
    return word | mask if on is not table.inverted else word & ~mask


def _register(text: str, instrument: str, hexadecimal: bool = False) -> int:
    value = scpi.hexadecimal(text, instrument) if hexadecimal else scpi.whole(text, instrument)
    if value < 0:
        raise GarbledReply(instrument, f"a register can't be negative: {text!r}")
    return value


def _byte(reply: str, instrument: str) -> int:
    """One raw byte as a number."""
    if len(reply) != 1 or ord(reply) > 255:
        raise GarbledReply(instrument, f"{reply!r} came where one byte was expected")
    return ord(reply)


def state_of(table: Completion, reply: str, instrument: str) -> str:
    """Our word for the state the digitiser answers; by bits, `filling` where none of them is set."""
    body = value_in(table.reply, reply, instrument)
    if table.kind == "event_bit":
        value = _register(body, instrument)
        return next((name for name in ("rest", "ready") if value >> table.bits[name] & 1), "filling")
    for ours, words in table.states.items():
        if any(scpi.word_is(body, word) for word in words):
            return ours
    raise GarbledReply(instrument, f"{reply!r} is no state this dialect file knows")


@dataclass(frozen=True)
class Preamble:
    """samples in the record; interval_s between them; start_s of the first, trigger at 0; codes to volts. half_codes:
    from the centre to the end of the range."""

    samples: int
    interval_s: float
    start_s: float
    line: Line
    terms: dict[str, float]
    half_codes: int = 32768


def term_value(term: Term, reply: str, instrument: str) -> float:
    """A number of the formula that was asked for by itself; `reply` counts for nothing where it is always the same."""
    if term.value is not None:
        return term.value
    body = without_unit(value_in(term.reply, reply, instrument), term.unit, instrument)
    value = counted_as(scpi.number(body, instrument), term.count_of)
    if term.take == "reciprocal" and value == 0.0:
        raise GarbledReply(instrument, f"{reply!r} can't be a rate or an interval")
    return {"itself": value, "negative": -value, "reciprocal": 1.0 / value if value else 0.0}[term.take]


def preamble(table: Trace, reply: str, instrument: str, replies: Mapping[str, str] | None = None) -> Preamble:
    """Parsed and checked. replies: term -> reply to its own question. Raises GarbledReply if the data have another form
    than the file believes."""
    fields = scpi.fields_of(reply, table.separator, table.field_count, instrument) if table.field_count else ()
    for expect in table.expect:
        if not scpi.word_is(fields[expect.field], expect.reads):
            raise GarbledReply(
                instrument,
                f"field {expect.field} of the preamble reads {fields[expect.field]!r}, not {expect.reads!r}: "
                "the samples would be misread",
            )
    terms = {term: scpi.number(fields[place], instrument) for term, place in table.fields.items()}
    terms |= {name: term_value(term, (replies or {}).get(name, ""), instrument) for name, term in table.terms.items()}
    if terms["interval_s"] <= 0 or terms["samples"] < 1 or terms["samples"] != int(terms["samples"]):
        raise GarbledReply(instrument, f"the preamble makes no sense: {reply!r}")
    line = FORMULAS[table.formula].line(terms)
    if line.per_code_v <= 0:
        raise GarbledReply(instrument, f"volts per code are not positive: {reply!r}")
    half_codes = table.half_codes or 1 << (WORD_BITS[table.element] - 1)
    start_s = terms["start_s"] if "start_s" in terms else -terms["trigger_at"] * terms["interval_s"]
    return Preamble(int(terms["samples"]), terms["interval_s"], start_s, line, terms, half_codes)


@dataclass(frozen=True)
class CodeSpan:
    """step: codes per converter step; low, high: the end codes, at which a voltage beyond the range stays."""

    step: int
    low: int
    high: int


def code_span(table: Trace, bits: int) -> CodeSpan:
    """The converter's `bits` sit at the top of the word: the word width says nothing about them."""
    width = WORD_BITS[table.element]
    if not 1 <= bits <= width:
        raise ValueError(f"{bits} bits do not fit a {width}-bit word")
    step = 1 << (width - bits)
    low = 0 if table.element.startswith("u") else -(1 << (width - 1))
    return CodeSpan(step, low, low + (1 << width) - step)
