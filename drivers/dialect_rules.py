"""What a dialect file must contain for its role: rules over the parsed file, every problem listed. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from drivers.capabilities import BIT_MEANINGS, LATCHED_BITS, LIVE_BITS, NEEDS, RoleNeeds, Wanted
from drivers.conversions import CONVERSIONS
from drivers.dialect_lines import ONE_QUESTION, PLACE, Problem, asking, listed, stray, telling
from drivers.dialect_model import DialectFile, Each, NumberSetting, Setting, Status, WordSetting
from drivers.dialect_rules_digitiser import completion_rules, trace_rules
from drivers.dialect_rules_link import link_rules, relay_rules

# Roles of which nothing is switched on by mistaking one for the other: a person checks the port instead.
UNNAMED = ("thermometer", "meter")


def problems_of(file: DialectFile) -> list[Problem]:
    """Everything that is missing, unknown or contradictory for the file's own role."""
    needs = NEEDS[file.role]
    if file.relay_word and file.role == "load_switch":
        needs = replace(needs, acts={}, each={}, each_may_lack=())  # the one word does all of it
    found = [*_names(file, needs), *_settings(file, needs), *_acts(file, needs), *_each(file, needs)]
    found += [*_two_tones(file), *_ohms(file)]
    found += [*_readings(file, needs), *_tables(file, needs), *_facts(file, needs), *_make_safe(file, needs)]
    found += [*link_rules(file), *relay_rules(file)]
    return [p for p in found if not (file.link.plain_questions and p.remedy == ONE_QUESTION)]


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
            yield Problem(f"{group}.{name}", name, f"a {file.role} has: {listed(wanted)}")
        for name in wanted.keys() - given.keys():
            may_lack = group == "setting" and (name in file.absent or needs.settings[name].came_later)
            lackable = {"act": needs.acts_may_lack, "each": needs.each_may_lack}.get(group, ())
            may_lack |= group == "reading" and name in needs.readings_may_lack
            may_lack |= group == "act" and name in needs.acts_came_later
            if not may_lack and not (name in file.absent and name in lackable):
                yield Problem(f"{group}.{name}", None, f"a {file.role} needs it: add [{group}.{name}]")
    yield from _absent(file, needs)


def _absent(file: DialectFile, needs: RoleNeeds) -> Iterator[Problem]:
    lackable = [n for n, w in needs.settings.items() if w.may_lack] + ["errors"]
    lackable += [*needs.acts_may_lack, *needs.each_may_lack]
    lackable += ["identity"] if file.role in UNNAMED else []
    for name in file.absent:
        if name not in lackable:
            yield Problem("absent", name, f"only these may be absent: {listed(lackable)}")
        if (
            name in file.setting
            or name in file.act
            or name in file.each
            or (name in ("errors", "identity") and getattr(file, name))
        ):
            yield Problem("absent", name, "it is described too: take it out of one of the two places")
    if file.identity is None and "identity" not in file.absent:
        yield Problem("identity", None, "it is needed: add it")
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
    places = [p for line in table.send for p in PLACE.findall(line)]
    if places.count(wanted.place) != 1:
        yield Problem(f"{key}.send", list(table.send), f"exactly one {{{wanted.place}}} must stand in it")
    yield from stray(f"{key}.send", table.send, address | {wanted.place})
    yield from telling(f"{key}.send", table.send)
    if table.ask is not None:
        yield from asking(f"{key}.ask", table.ask, address)
    if wanted.per_input and not all("{input}" in line for line in (*table.send, table.ask or "{input}")):
        yield Problem(key, list(table.send), "say {input} in send and ask: the setting belongs to one input")


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
            yield Problem(f"{key}.changes", other, f"settings of this role: {listed(order)}")
        elif order.index(other) <= order.index(name):
            yield Problem(
                f"{key}.changes",
                other,
                f"{other} is set before {name}: this role can't cope with that; only later ones may be named",
            )


def _number(key: str, table: NumberSetting, wanted: Wanted) -> Iterator[Problem]:
    forms = [table.decimals is not None, table.digits is not None, bool(table.rungs)]
    if forms.count(True) != 1:
        yield Problem(f"{key}.decimals", table.decimals, "give decimals or digits: one of the two (or rungs instead)")
    if table.at_terminal and not wanted.at_terminal:
        yield Problem(f"{key}.at_terminal", True, "only full_scale may be counted behind the probe: take it out")
    if table.width is not None and table.decimals is None:
        yield Problem(f"{key}.width", table.width, "it needs decimals: a number of fixed width has no exponent")
    if table.rungs and (table.convert != "none" or table.count_of != 1.0 or wanted.rounds_down):
        yield Problem(f"{key}.rungs", len(table.rungs), "rungs are in our unit: take convert and count_of out")
    allowed = ("none", *wanted.conversions)
    if table.convert not in allowed:
        yield Problem(f"{key}.convert", table.convert, f"conversions for this setting: {listed(allowed)}")
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
        yield Problem(f"{key}.words.{ours}", table.words[ours], f"words of this setting: {listed(known)}")
    missing = set(wanted.words) - table.words.keys()
    if missing and not (wanted.one_of and len(missing) < len(wanted.words)):
        yield Problem(f"{key}.words", dict(table.words), f"add the instrument's word for: {listed(sorted(missing))}")
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


def _ohms(file: DialectFile) -> Iterator[Problem]:
    """A meter that reads ohms has a word for it and a reading: both or none."""
    function = file.setting.get("function")
    is_said = isinstance(function, WordSetting) and "ohms" in function.words
    if file.role == "meter" and is_said != ("resistance" in file.reading):
        key = "reading.resistance" if is_said else "setting.function.words.ohms"
        yield Problem(key, None, "ohms need a word for the function, and [[reading.resistance]]: both or none")


# --- the other tables ------------------------------------------------------------------------------


def _acts(file: DialectFile, needs: RoleNeeds) -> Iterator[Problem]:
    for name, place in needs.acts.items():
        if (act := file.act.get(name)) is None:
            continue
        key = f"act.{name}.send"
        yield from telling(key, act.send)
        yield from stray(key, act.send, {"channel", place} - {""})
        if place and sum(line.count("{" + place + "}") for line in act.send) != 1:
            yield Problem(key, list(act.send), f"exactly one {{{place}}} must stand in it")


def _each(file: DialectFile, needs: RoleNeeds) -> Iterator[Problem]:
    for name, kind in needs.each.items():
        if (table := file.each.get(name)) is None:
            continue
        if table.kind != kind:
            yield Problem(f"each.{name}.kind", table.kind, f"it is a {kind}")
        yield from _each_asked(f"each.{name}", table)


def _each_asked(key: str, table: Each) -> Iterator[Problem]:
    ask = table.ask
    if table.answers == "those_on":
        if table.kind != "boolean" or "{name}" in ask:
            yield Problem(f"{key}.answers", table.answers, "only for a boolean of several channels in one reply")
    elif sum(line.count("{names}") + line.count("{name}") for line in (*table.first, ask)) != 1:
        yield Problem(f"{key}.ask", ask, "exactly one {names} must stand in it (or one {name})")
    yield from asking(f"{key}.ask", ask, {"names", "name", "channel"})
    yield from telling(f"{key}.first", table.first)
    yield from stray(f"{key}.first", table.first, {"names", "channel"})


def _readings(file: DialectFile, needs: RoleNeeds) -> Iterator[Problem]:
    for name, quantities in needs.readings.items():
        parts = file.reading.get(name, ())
        given = [q for part in parts for q in part.gives]
        if parts and sorted(given) != sorted(quantities):
            yield Problem(f"reading.{name}.gives", given, f"each of these exactly once: {listed(quantities)}")
        for n, part in enumerate(parts):
            yield from asking(f"reading.{name}[{n}].ask", part.ask, {"channel"})
            yield from telling(f"reading.{name}[{n}].first", part.first)
            yield from stray(f"reading.{name}[{n}].first", part.first, {"channel"})
            if part.units and len(part.units) != len(part.gives):
                yield Problem(f"reading.{name}[{n}].units", list(part.units), "one for each of `gives`, in order")


def _tables(file: DialectFile, needs: RoleNeeds) -> Iterator[Problem]:
    for name in ("completion", "trace", "status"):
        given = getattr(file, name)
        if name in needs.tables and not given:
            yield Problem(name, None, f"a {file.role} needs it: add [{name}]")
        if given and name not in needs.tables:
            yield Problem(name, "...", f"a {file.role} has no such table: take it out")
    if file.completion and "completion" in needs.tables:
        yield from completion_rules(file.completion)
    if file.trace and "trace" in needs.tables:
        yield from trace_rules(file.trace)
    if file.status and "status" in needs.tables:
        yield from _status(file.status)


def _status(registers: tuple[Status, ...]) -> Iterator[Problem]:
    for n, register in enumerate(registers):
        yield from asking(f"status[{n}].ask", register.ask, {"channel"})
        for meaning in register.bits.keys() - set(BIT_MEANINGS):
            bit = register.bits[meaning]
            yield Problem(f"status[{n}].bits.{meaning}", bit, f"meanings: {listed(BIT_MEANINGS)}")
        for meaning in set(register.low) - register.bits.keys():
            yield Problem(f"status[{n}].low", meaning, f"meanings of this register: {listed(register.bits)}")
        if len(set(register.bits.values())) != len(register.bits):
            yield Problem(f"status[{n}].bits", dict(register.bits), "two meanings share a bit: look it up again")
    for latched, wanted in ((False, LIVE_BITS), (True, LATCHED_BITS)):
        named = {m for r in registers if r.latched is latched for m in r.bits}
        for meaning in set(wanted) - named:
            kind = "latched" if latched else "live"
            remedy = f"no {kind} register names it: add its bit, or take another supply"
            yield Problem(f"status.bits.{meaning}", None, remedy)


def _facts(file: DialectFile, needs: RoleNeeds) -> Iterator[Problem]:
    for name, value in file.facts:
        if name in needs.facts and value is None:
            yield Problem(f"facts.{name}", None, f"a {file.role} needs it: add {name} to [facts]")
        if name not in (*needs.facts, *needs.facts_may_lack) and value is not None:
            yield Problem(f"facts.{name}", value, f"it means nothing for a {file.role}: take it out")
    names = file.facts.input_names
    if names is not None and (len(names) != file.facts.inputs or len(set(names)) != len(names)):
        yield Problem("facts.input_names", list(names), f"a name of its own for each of {file.facts.inputs} inputs")


def _make_safe(file: DialectFile, needs: RoleNeeds) -> Iterator[Problem]:
    if needs.make_safe and not file.make_safe.send:
        yield Problem("make_safe.send", [], f"a {file.role} needs lines that make it harmless in any state")
    yield from telling("make_safe.send", file.make_safe.send)
    yield from stray("make_safe.send", file.make_safe.send, {"channel"})
