"""What a dialect file must contain for its role: rules over the parsed file, every problem listed. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from drivers.capabilities import (
    BIT_MEANINGS,
    LATCHED_BITS,
    LIVE_BITS,
    NEEDS,
    PREAMBLE_TERMS,
    STATES,
    RoleNeeds,
    Wanted,
)
from drivers.conversions import CONVERSIONS, FORMULAS
from drivers.dialect_model import (
    Completion,
    DialectFile,
    NumberSetting,
    Setting,
    Status,
    Trace,
    WordSetting,
)

_PLACE = re.compile(r"\{([^{}]*)\}")


@dataclass(frozen=True)
class Problem:
    """Key path in the file, the value found there, what to do about it."""

    key: str
    value: object
    remedy: str


def problems_of(file: DialectFile) -> list[Problem]:
    """Everything that is missing, unknown or contradictory for the file's own role."""
    needs = NEEDS[file.role]
    found = [*_names(file, needs), *_settings(file, needs), *_acts(file, needs), *_each(file, needs)]
    found += _two_tones(file)
    found += [*_readings(file, needs), *_tables(file, needs), *_facts(file, needs), *_make_safe(file, needs)]
    return [*found, *_link(file)]


def _listed(names: Iterable[str]) -> str:
    return ", ".join(names) or "none"


# --- names: what must be there, what nobody asks for ----------------------------------------------


def _names(file: DialectFile, needs: RoleNeeds) -> Iterator[Problem]:
    groups: tuple[tuple[str, Mapping[str, object], Mapping[str, object]], ...] = (
        ("setting", file.setting, needs.settings),
        ("act", file.act, needs.acts),
        ("each", file.each, needs.each),
        ("reading", file.reading, needs.readings),
    )
    for group, given, wanted in groups:
        for name in given.keys() - wanted.keys():
            yield Problem(f"{group}.{name}", name, f"a {file.role} has: {_listed(wanted)}")
        for name in wanted.keys() - given.keys():
            if not (group == "setting" and (name in file.absent or needs.settings[name].came_later)):
                yield Problem(f"{group}.{name}", None, f"a {file.role} needs it: add [{group}.{name}]")
    yield from _absent(file, needs)


def _absent(file: DialectFile, needs: RoleNeeds) -> Iterator[Problem]:
    lackable = [n for n, w in needs.settings.items() if w.may_lack] + ["errors"]
    for name in file.absent:
        if name not in lackable:
            yield Problem("absent", name, f"only these may be absent: {_listed(lackable)}")
        if name in file.setting or (name == "errors" and file.errors):
            yield Problem("absent", name, "it is described too: take it out of one of the two places")
    if file.errors is None and "errors" not in file.absent:
        yield Problem("errors", None, 'add [errors], or say absent = ["errors"] if there is no error queue')


# --- settings --------------------------------------------------------------------------------------


def _settings(file: DialectFile, needs: RoleNeeds) -> Iterator[Problem]:
    order = list(needs.settings)
    for name, wanted in needs.settings.items():
        table = file.setting.get(name)
        if table is None:
            continue
        key = f"setting.{name}"
        if table.kind != wanted.kind:
            yield Problem(f"{key}.kind", table.kind, f"this setting is a {wanted.kind}")
            continue
        yield from _places(key, table, wanted)
        yield from _read_back(key, table, wanted)
        yield from _order(key, name, table, order)
        if isinstance(table, NumberSetting):
            yield from _number(key, table, wanted)
        if isinstance(table, WordSetting):
            yield from _words(key, table, wanted)


def _places(key: str, table: Setting, wanted: Wanted) -> Iterator[Problem]:
    address = {"input"} if wanted.per_input else {"channel"}
    places = [p for line in table.send for p in _PLACE.findall(line)]
    if places.count(wanted.place) != 1:
        yield Problem(f"{key}.send", list(table.send), f"exactly one {{{wanted.place}}} must stand in it")
    yield from _stray(f"{key}.send", table.send, address | {wanted.place})
    yield from _telling(f"{key}.send", table.send)
    if table.ask is not None:
        yield from _asking(f"{key}.ask", table.ask, address)
    if wanted.per_input and not all("{input}" in line for line in (*table.send, table.ask or "{input}")):
        yield Problem(key, list(table.send), "say {input} in send and ask: the setting belongs to one input")


def _stray(key: str, lines: Iterable[str], allowed: set[str]) -> Iterator[Problem]:
    for line in lines:
        for place in _PLACE.findall(line):
            if place not in allowed:
                named = _listed("{" + p + "}" for p in sorted(allowed))
                yield Problem(key, line, f"unknown placeholder {{{place}}}; here one may use {named}")
        if "{" in _PLACE.sub("", line) or "}" in _PLACE.sub("", line):
            yield Problem(key, line, "a brace without its partner")


def _telling(key: str, lines: Iterable[str]) -> Iterator[Problem]:
    for line in lines:
        if "?" in line:
            yield Problem(key, line, "a message that is told must not ask: move the question to `ask`")
        if ";" in line:
            yield Problem(key, line, "one command a message: write several entries instead of `;`")


def _asking(key: str, line: str, allowed: set[str]) -> Iterator[Problem]:
    if line.count("?") != 1 or ";" in line:
        yield Problem(key, line, "exactly one question, with one `?`")
    yield from _stray(key, (line,), allowed)


def _read_back(key: str, table: Setting, wanted: Wanted) -> Iterator[Problem]:
    if (table.ask is None) != table.not_readable:
        yield Problem(f"{key}.ask", table.ask, "give the question, or say not_readable = true, not both")
    if table.not_readable and wanted.kind != "word":
        yield Problem(f"{key}.not_readable", True, "this role can't be used safely without reading it back")
    if isinstance(table, NumberSetting) and wanted.same and table.within is None and table.within_relative is None:
        yield Problem(f"{key}.within", None, "say how far the read-back may lie off: within, within_relative")


def _order(key: str, name: str, table: Setting, order: list[str]) -> Iterator[Problem]:
    for other in table.changes:
        if other not in order:
            yield Problem(f"{key}.changes", other, f"settings of this role: {_listed(order)}")
        elif order.index(other) <= order.index(name):
            yield Problem(f"{key}.changes", other, f"{other} is set before {name}: this role can't cope with that")


def _number(key: str, table: NumberSetting, wanted: Wanted) -> Iterator[Problem]:
    if (table.decimals is None) == (table.digits is None):
        yield Problem(f"{key}.decimals", table.decimals, "give decimals or digits: one of the two")
    allowed = ("none", *wanted.conversions)
    if table.convert not in allowed:
        yield Problem(f"{key}.convert", table.convert, f"conversions for this setting: {_listed(allowed)}")
    elif CONVERSIONS[table.convert].needs_divisions != (table.half_divisions is not None):
        yield Problem(f"{key}.half_divisions", table.half_divisions, "needed by conversion to divisions, only there")
    if wanted.may_be_infinite and table.infinite is None:
        yield Problem(f"{key}.infinite", None, 'give the word for infinity, such as "INF"')
    if table.infinite is not None and not wanted.may_be_infinite:
        yield Problem(f"{key}.infinite", table.infinite, "this setting may never be infinite: take it out")
    if wanted.rounds_down and table.round != "down":
        yield Problem(f"{key}.round", table.round, 'say round = "down": a ceiling stands above it')
    if wanted.rounds_down and table.smallest is None:
        yield Problem(f"{key}.smallest", None, "give the least value the instrument takes, in our unit")


def _words(key: str, table: WordSetting, wanted: Wanted) -> Iterator[Problem]:
    known = (*wanted.words, *wanted.may_words)
    for ours in table.words.keys() - set(known):
        yield Problem(f"{key}.words.{ours}", table.words[ours], f"words of this setting: {_listed(known)}")
    missing = set(wanted.words) - table.words.keys()
    if missing and not (wanted.one_of and len(missing) < len(wanted.words)):
        yield Problem(f"{key}.words", dict(table.words), f"add the instrument's word for: {_listed(sorted(missing))}")
    if table.ask is not None and not table.samples:
        yield Problem(f"{key}.samples", None, "give a sample reply and what it means")


def _two_tones(file: DialectFile) -> Iterator[Problem]:
    """A generator that plays two tones has a word for it, a second frequency and a ratio: all three or none."""
    shape = file.setting.get("shape")
    there = {
        "setting.shape.words.two_tones": isinstance(shape, WordSetting) and "two_tones" in shape.words,
        "setting.second_frequency": "second_frequency" in file.setting,
        "setting.second_ratio": "second_ratio" in file.setting,
    }
    for key in there if any(there.values()) and file.role == "generator" else ():
        if not there[key]:
            yield Problem(key, None, "two tones need a word for the shape, a second frequency and a ratio: add it")


# --- the other tables ------------------------------------------------------------------------------


def _acts(file: DialectFile, needs: RoleNeeds) -> Iterator[Problem]:
    for name, place in needs.acts.items():
        if (act := file.act.get(name)) is None:
            continue
        key = f"act.{name}.send"
        yield from _telling(key, act.send)
        yield from _stray(key, act.send, {"channel", place} - {""})
        if place and sum(line.count("{" + place + "}") for line in act.send) != 1:
            yield Problem(key, list(act.send), f"exactly one {{{place}}} must stand in it")


def _each(file: DialectFile, needs: RoleNeeds) -> Iterator[Problem]:
    for name, kind in needs.each.items():
        if (table := file.each.get(name)) is None:
            continue
        if table.kind != kind:
            yield Problem(f"each.{name}.kind", table.kind, f"it is a {kind}")
        if table.ask.count("{names}") != 1:
            yield Problem(f"each.{name}.ask", table.ask, "exactly one {names} must stand in it")
        yield from _asking(f"each.{name}.ask", table.ask, {"names"})


def _readings(file: DialectFile, needs: RoleNeeds) -> Iterator[Problem]:
    for name, quantities in needs.readings.items():
        parts = file.reading.get(name, ())
        given = [q for part in parts for q in part.gives]
        if parts and sorted(given) != sorted(quantities):
            yield Problem(f"reading.{name}.gives", given, f"each of these exactly once: {_listed(quantities)}")
        for n, part in enumerate(parts):
            yield from _asking(f"reading.{name}[{n}].ask", part.ask, {"channel"})


def _tables(file: DialectFile, needs: RoleNeeds) -> Iterator[Problem]:
    for name in ("completion", "trace", "status"):
        given = getattr(file, name)
        if name in needs.tables and not given:
            yield Problem(name, None, f"a {file.role} needs it: add [{name}]")
        if given and name not in needs.tables:
            yield Problem(name, "...", f"a {file.role} has no such table: take it out")
    if file.completion and "completion" in needs.tables:
        yield from _completion(file.completion)
    if file.trace and "trace" in needs.tables:
        yield from _trace(file.trace)
    if file.status and "status" in needs.tables:
        yield from _status(file.status)


def _completion(table: Completion) -> Iterator[Problem]:
    for state in table.states.keys() - set(STATES):
        yield Problem(f"completion.states.{state}", table.states[state], f"states: {_listed(STATES)}")
    for state in ("rest", "ready"):
        if state not in table.states:
            yield Problem(f"completion.states.{state}", None, "give the words the instrument answers in it")
    if table.kind == "state_word" and table.counter_ask is None:
        remedy = "give the query of a count of complete captures: rest is shown before the start too"
        yield Problem("completion.counter_ask", None, remedy)
    if (table.kind == "blocking_query") != (table.done_ask is not None):
        yield Problem("completion.done_ask", table.done_ask, "needed by blocking_query, and only there")
    for name in ("state_ask", "counter_ask", "done_ask"):
        if (line := getattr(table, name)) is not None:
            yield from _asking(f"completion.{name}", line, set())


def _trace(table: Trace) -> Iterator[Problem]:
    if table.formula not in FORMULAS:
        yield Problem("trace.formula", table.formula, f"formulas: {_listed(FORMULAS)}")
        return
    wanted = {*PREAMBLE_TERMS, *FORMULAS[table.formula].terms}
    if table.fields.keys() != wanted:
        yield Problem("trace.fields", dict(table.fields), f"exactly these terms: {_listed(sorted(wanted))}")
    for term, place in table.fields.items():
        if place >= table.field_count:
            yield Problem(f"trace.fields.{term}", place, f"the preamble has fields 0 to {table.field_count - 1}")
    for n, expect in enumerate(table.expect):
        if expect.field >= table.field_count:
            yield Problem(f"trace.expect[{n}].field", expect.field, f"fields 0 to {table.field_count - 1}")
    if not any("{input}" in line for line in table.send):
        yield Problem("trace.send", list(table.send), "say {input}: the input must be chosen")
    yield from _telling("trace.send", table.send)
    yield from _stray("trace.send", table.send, {"input"})
    if "{input}" not in table.source_reads:
        yield Problem("trace.source_reads", table.source_reads, "say {input}: the reply must name the input")
    yield from _stray("trace.source_reads", (table.source_reads,), {"input"})
    yield from _asking("trace.source_ask", table.source_ask, {"input"})
    yield from _asking("trace.preamble_ask", table.preamble_ask, {"input"})
    yield from _asking("trace.block_ask", table.block_ask, {"input"})


def _status(registers: tuple[Status, ...]) -> Iterator[Problem]:
    for n, register in enumerate(registers):
        yield from _asking(f"status[{n}].ask", register.ask, {"channel"})
        for meaning in register.bits.keys() - set(BIT_MEANINGS):
            bit = register.bits[meaning]
            yield Problem(f"status[{n}].bits.{meaning}", bit, f"meanings: {_listed(BIT_MEANINGS)}")
        if len(set(register.bits.values())) != len(register.bits):
            yield Problem(f"status[{n}].bits", dict(register.bits), "two meanings share a bit: look it up again")
    for latched, wanted in ((False, LIVE_BITS), (True, LATCHED_BITS)):
        named = {m for r in registers if r.latched is latched for m in r.bits}
        for meaning in set(wanted) - named:
            kind = "latched" if latched else "live"
            yield Problem(f"status.bits.{meaning}", None, f"no {kind} register names it: add its bit")


def _facts(file: DialectFile, needs: RoleNeeds) -> Iterator[Problem]:
    for name, value in file.facts:
        if name in needs.facts and value is None:
            yield Problem(f"facts.{name}", None, f"a {file.role} needs it: add {name} to [facts]")
        if name not in needs.facts and value is not None:
            yield Problem(f"facts.{name}", value, f"it means nothing for a {file.role}: take it out")


def _make_safe(file: DialectFile, needs: RoleNeeds) -> Iterator[Problem]:
    if needs.make_safe and not file.make_safe.send:
        yield Problem("make_safe.send", [], f"a {file.role} needs lines that make it harmless in any state")
    yield from _telling("make_safe.send", file.make_safe.send)
    yield from _stray("make_safe.send", file.make_safe.send, {"channel"})


def _link(file: DialectFile) -> Iterator[Problem]:
    yield from _asking("identity.ask", file.identity.ask, set())
    yield from _telling("link.opening", file.link.opening)
    yield from _stray("link.opening", file.link.opening, set())
    if file.errors:
        yield from _asking("errors.ask", file.errors.ask, set())
