"""Replies that carry several values: meter readings, one value per channel, status bits, preambles. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from drivers import scpi
from drivers.conversions import FORMULAS, Line
from drivers.dialect_model import Completion, Each, Reading, Status, Trace
from drivers.errors import GarbledReply, NotANumber

WORD_BITS = 16  # both element types


def reading_values(part: Reading, reply: str, instrument: str) -> dict[str, float]:
    """Quantity -> value, unit as the file's name says. Raises NotANumber for a sentinel."""
    body = scpi.without_label(reply, part.label, instrument)
    return dict(zip(part.gives, scpi.numbers(body, len(part.gives), instrument), strict=True))


def each_value(table: Each, reply: str, names: Sequence[str], instrument: str) -> dict[str, float | bool]:
    """Channel name -> value. Raises NotANumber naming the channel whose value is a sentinel."""
    fields = scpi.fields_of(reply, ",", len(names), instrument)
    return {n: _one(table, n, f, instrument) for n, f in zip(names, fields, strict=True)}


def _one(table: Each, name: str, text: str, instrument: str) -> float | bool:
    try:
        return scpi.boolean(text, instrument) if table.kind == "boolean" else scpi.number(text, instrument)
    except NotANumber as error:
        raise NotANumber(instrument, f"input {name}: {error.sentence} (open or overloaded)") from error


def bits_set(table: Status, reply: str, instrument: str) -> frozenset[str]:
    """The meanings whose bit is set."""
    value = scpi.whole(reply, instrument)
    if value < 0:
        raise GarbledReply(instrument, f"a register can't be negative: {reply!r}")
    return frozenset(meaning for meaning, bit in table.bits.items() if value >> bit & 1)


def state_of(table: Completion, reply: str, instrument: str) -> str:
    """Our word for the state the digitiser answers."""
    for ours, words in table.states.items():
        if any(scpi.word_is(reply, word) for word in words):
            return ours
    raise GarbledReply(instrument, f"{reply!r} is no state this dialect file knows")


@dataclass(frozen=True)
class Preamble:
    """samples in the record; interval_s between them; start_s of the first, trigger at 0; codes to volts."""

    samples: int
    interval_s: float
    start_s: float
    line: Line
    terms: dict[str, float]


def preamble(table: Trace, reply: str, instrument: str) -> Preamble:
    """Parsed and checked. Raises GarbledReply if the data have another form than the file believes."""
    fields = scpi.fields_of(reply, table.separator, table.field_count, instrument)
    for expect in table.expect:
        if not scpi.word_is(fields[expect.field], expect.reads):
            raise GarbledReply(
                instrument,
                f"field {expect.field} of the preamble reads {fields[expect.field]!r}, not {expect.reads!r}: "
                "the samples would be misread",
            )
    terms = {term: scpi.number(fields[place], instrument) for term, place in table.fields.items()}
    if terms["interval_s"] <= 0 or terms["samples"] < 1 or terms["samples"] != int(terms["samples"]):
        raise GarbledReply(instrument, f"the preamble makes no sense: {reply!r}")
    line = FORMULAS[table.formula].line(terms)
    if line.per_code_v <= 0:
        raise GarbledReply(instrument, f"volts per code are not positive: {reply!r}")
    return Preamble(int(terms["samples"]), terms["interval_s"], terms["start_s"], line, terms)


@dataclass(frozen=True)
class CodeSpan:
    """step: codes per converter step; low, high: the end codes, at which a voltage beyond the range stays."""

    step: int
    low: int
    high: int


def code_span(table: Trace, bits: int) -> CodeSpan:
    """The converter's `bits` sit at the top of the 16-bit word: the word width says nothing about them."""
    if not 1 <= bits <= WORD_BITS:
        raise ValueError(f"{bits} bits do not fit a {WORD_BITS}-bit word")
    step = 1 << (WORD_BITS - bits)
    low = 0 if table.element == "u16" else -(1 << (WORD_BITS - 1))
    return CodeSpan(step, low, low + (1 << WORD_BITS) - step)
