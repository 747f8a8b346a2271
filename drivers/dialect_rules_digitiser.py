"""What a digitiser's dialect file must say of completion and samples. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from drivers.capabilities import PREAMBLE_TERMS, STATES
from drivers.conversions import FORMULAS
from drivers.dialect_lines import Problem, asking, listed, stray, telling
from drivers.dialect_model import Completion, Trace


def completion_rules(table: Completion) -> Iterator[Problem]:
    """How the end of a capture is known."""
    by_bits = table.kind == "event_bit"
    if by_bits != bool(table.bits) or by_bits == bool(table.states):
        yield Problem("completion.bits", dict(table.bits), "bits for event_bit, states for all else: one of the two")
    for state in table.bits.keys() - {"rest", "ready"} | ({"rest", "ready"} - table.bits.keys() if by_bits else set()):
        yield Problem(f"completion.bits.{state}", table.bits.get(state), "exactly these: rest, ready")
    for state in table.states.keys() - set(STATES):
        yield Problem(f"completion.states.{state}", table.states[state], f"states: {listed(STATES)}")
    for state in ("rest", "ready"):
        if state not in table.states and not by_bits:
            yield Problem(f"completion.states.{state}", None, "give the words the instrument answers in it")
    if "done" in table.states and table.kind != "state_word":
        yield Problem("completion.states.done", table.states["done"], "only for state_word: take it out")
    if table.kind == "state_word" and table.counter_ask is None and "done" not in table.states:
        remedy = "give the query of a count of complete captures, or a state `done`: rest is shown before the start too"
        yield Problem("completion.counter_ask", None, remedy)
    if (table.kind == "blocking_query") != (table.done_ask is not None):
        yield Problem("completion.done_ask", table.done_ask, "needed by blocking_query, and only there")
    for name in ("state_ask", "counter_ask", "done_ask"):
        if (line := getattr(table, name)) is not None:
            yield from asking(f"completion.{name}", line, set())


def trace_rules(table: Trace) -> Iterator[Problem]:
    """How samples are fetched and what they mean."""
    if table.formula not in FORMULAS:
        yield Problem("trace.formula", table.formula, f"formulas: {listed(FORMULAS)}")
        return
    if (table.element == "f32") != (table.formula == "volts"):
        yield Problem("trace.element", table.element, "f32 and the formula `volts` go together: both or none")
    yield from _fields(table)
    yield from _terms(table)
    yield from _input(table)
    yield from stray("trace.block_prefix", (table.block_prefix,), {"input"})
    for key, line in (("preamble_ask", table.preamble_ask), ("block_ask", table.block_ask)):
        if line is not None:
            yield from asking(f"trace.{key}", line, {"input"})
    if table.pieces is not None:
        yield from asking("trace.pieces.next_ask", table.pieces.next_ask, {"input"})


def _terms(table: Trace) -> Iterator[Problem]:
    for name, term in table.terms.items():
        if (term.ask is None) == (term.value is None):
            yield Problem(f"trace.terms.{name}", None, "give its question or its value: one of the two")
        if term.ask is not None:
            yield from asking(f"trace.terms.{name}.ask", term.ask, {"input"})


def _input(table: Trace) -> Iterator[Problem]:
    """The samples must be of the input that is meant, and proved to be."""
    chosen = any("{input}" in line for line in table.send)
    if not chosen and "{input}" not in table.block_ask:
        yield Problem("trace.send", list(table.send), "say {input}: the input must be chosen")
    if chosen and (table.source_ask is None or table.source_reads is None):
        yield Problem("trace.source_ask", table.source_ask, "give source_ask and source_reads: what proves the choice")
    yield from telling("trace.send", table.send)
    yield from stray("trace.send", table.send, {"input"})
    if table.source_reads is not None:
        if "{input}" not in table.source_reads:
            yield Problem("trace.source_reads", table.source_reads, "say {input}: the reply must name the input")
        yield from stray("trace.source_reads", (table.source_reads,), {"input"})
    if table.source_ask is not None:
        yield from asking("trace.source_ask", table.source_ask, {"input"})


def _fields(table: Trace) -> Iterator[Problem]:
    if (table.preamble_ask is None) != (table.field_count is None) or bool(table.fields) != bool(table.field_count):
        remedy = "preamble_ask, field_count and fields go together: all or none"
        yield Problem("trace.preamble_ask", table.preamble_ask, remedy)
        return
    wanted = {*PREAMBLE_TERMS, *FORMULAS[table.formula].terms}
    given = [*table.fields, *table.terms]
    if "trigger_at" in given:  # in place of the time of the first sample
        wanted = wanted - {"start_s"} | {"trigger_at"}
    if sorted(given) != sorted(wanted):
        shown = dict(table.fields) | dict.fromkeys(table.terms, "asked for")
        yield Problem("trace.fields", shown, f"exactly these terms: {listed(sorted(wanted))}")
    last = (table.field_count or 1) - 1
    for term, place in table.fields.items():
        if place > last:
            yield Problem(f"trace.fields.{term}", place, f"the preamble has fields 0 to {last}")
    for n, expect in enumerate(table.expect):
        if expect.field > last:
            yield Problem(f"trace.expect[{n}].field", expect.field, f"fields 0 to {last}")
